"""The form in which a page reads a session."""

import json

import live_fakes as fakes
import numpy as np
import pytest

from needlecoach.live.shown import Shown, Slot
from needlecoach.live.words import state_word


def played(to_s: float, **how):
    session = fakes.FakeSession(**how)
    for number in range(1, round(to_s * 30) + 1):
        shown = session.play(number)
    return session, shown


def test_a_state_is_json_without_nan_and_has_every_part():
    _, shown = played(2.0)
    record = json.loads(json.dumps(shown.state.record(), allow_nan=False))
    assert record["schema"] == 1
    assert record["word"] == {"key": "needle_in", "text": "Needle in", "help": ""}
    assert record["source"]["size_px"] == [640, 480]
    assert record["row"]["sight"] == "seen"
    assert record["attempt"]["lasted_s"] == pytest.approx(1.0)
    assert record["card"] is None


def test_the_drawn_rows_have_all_sights_and_a_card_that_is_checked():
    _, shown = played(7.9)
    rows = [fakes.fake_row(n, n / 30) for n in range(240)]
    assert {row.sight for row in rows} == {"none", "seen", "inferred", "lost"}
    record = shown.state.record()
    assert record["card"]["kind"] == "checked"
    assert record["card"]["lines"][0]["name"] == "closest_centre_mm"
    assert [one["number"] for one in record["history"]] == [1]


def test_a_lost_tip_is_told_to_hold_still():
    assert state_word("tip_lost").text == "Tip lost: hold still"


def test_a_slot_holds_the_newest_alone_and_ends_the_waiting_when_closed():
    slot, state = Slot(), fakes.fake_state(0, 0.0, ())
    assert slot.wait_newer(0, 0.01) is None
    for number in (1, 2, 3):
        slot.put(Shown(number, number / 30, np.zeros((4, 4, 3), np.uint8), state))
    newest = slot.wait_newer(0, 0.01)
    assert newest is not None
    assert newest.number == 3
    assert slot.wait_newer(3, 0.01) is None
    slot.close()
    assert slot.wait_newer(0, 5.0) is None
