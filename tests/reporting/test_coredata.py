"""The notch as drawn: the invented core needle of conftest.py, whose places can be told by hand."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.reporting.coredata import core_data, notch_ends_px
from tests.reporting.conftest import (
    CENTRE,
    DEAD_MM,
    DEEPEST,
    ENTRY,
    MM_PER_PX,
    NOTCH_MM,
    THROW_MM,
    WAY,
    along_px,
    core_card,
)


def on_plan(point_px):
    return (np.asarray(point_px) - CENTRE) * MM_PER_PX


def test_the_notch_begins_the_dead_space_behind_the_point(clip_file):
    near, far = notch_ends_px(core_card(clip_file))[37]
    # 3 and 11 mm are 15 and 55 px at 0.2 mm.
    assert near == pytest.approx(DEEPEST - 15 * WAY, abs=1e-6)
    assert far == pytest.approx(DEEPEST - 55 * WAY, abs=1e-6)


def test_what_of_the_notch_is_not_in_the_picture_is_not_drawn(clip_file):
    card = core_card(clip_file)
    inside_mm = np.hypot(*(card.track.tip_px - ENTRY).T) * MM_PER_PX
    ends = notch_ends_px(card)
    for frame in range(10, 38):
        if inside_mm[frame] <= DEAD_MM:
            assert np.isnan(ends[frame]).all()
        elif inside_mm[frame] < DEAD_MM + NOTCH_MM:
            assert ends[frame][1] == pytest.approx(ENTRY, abs=1e-6)
    assert np.isnan(ends[0]).all()


def test_only_a_core_needle_has_a_notch(card):
    assert np.isnan(notch_ends_px(card)).all() and core_data(card, card.attempts[0]) is None


def test_its_millimetres_are_true_ones(clip_file):
    """Twice as deep by the speed of sound: the length along the true shaft is the notch's own."""
    card = core_card(clip_file)
    track = replace(
        card.track, tip_px=card.track.tip_px * (1, 2), entry_px=card.track.entry_px * (1, 2),
        target_px=card.track.target_px * (1, 2),
    )  # fmt: skip
    card = replace(card, true_track=track, true_target=card.marks.target)
    near, far = notch_ends_px(card)[37] * (1, 2)
    assert np.hypot(*(near - far)) * MM_PER_PX == pytest.approx(NOTCH_MM, abs=1e-6)
    # The plan tells true places as well: the point after firing lies 45 px further on as shown.
    spot = core_data(card, card.attempts[0])["spots"][0]["at_mm"]
    shown = np.array(along_px(DEEPEST, THROW_MM))
    assert spot == pytest.approx((shown - CENTRE) * (1, 2) * MM_PER_PX, abs=0.01)


def test_without_a_firing_the_plan_shows_the_notch_as_held_and_as_it_would_be(clip_file):
    card = core_card(clip_file)
    data = core_data(card, card.attempts[0])
    held, fired = data["boxes"]
    assert (held["form"], held["words"]) == ("full", "notch as held")
    assert held["ends_mm"][0] == pytest.approx(on_plan(DEEPEST - 15 * WAY), abs=0.01)
    assert (fired["form"], fired["words"]) == ("expected", "notch, if fired")
    # 9 mm further on: from 6 mm ahead of where the point was held to 2 mm behind it.
    assert fired["ends_mm"][0] == pytest.approx(on_plan(DEEPEST + 30 * WAY), abs=0.01)
    assert [one["form"] for one in data["spots"]] == ["expected", "best"]
    assert data["spots"][1]["at_mm"] == pytest.approx(on_plan(DEEPEST - 20 * WAY), abs=0.01)
    bare = core_card(clip_file, throw=False)
    assert [one["words"] for one in core_data(bare, bare.attempts[0])["boxes"]] == ["notch as held"]
    assert core_data(bare, bare.attempts[0])["spots"] == []


def test_after_a_firing_the_plan_shows_before_and_after(clip_file):
    card = core_card(clip_file, fired=True)
    before, after = core_data(card, card.attempts[0])["boxes"]
    assert (before["form"], before["words"]) == ("hollow", "notch before firing")
    # Three frames ahead of frame 38.
    assert before["ends_mm"][0] == pytest.approx(on_plan(along_px(card.track.tip_px[35], -DEAD_MM)), abs=0.01)
    assert (after["form"], after["words"]) == ("full", "notch after firing")
    assert after["ends_mm"][0] == pytest.approx(on_plan(DEEPEST + 30 * WAY), abs=0.01)


def test_a_sheath_that_closes_leaves_the_notch_where_it_was(clip_file):
    card = core_card(clip_file, fired=True)
    attempt = replace(card.attempts[0], core=replace(card.attempts[0].core, fired_part="sheath"))
    assert [one["words"] for one in core_data(card, attempt)["boxes"]] == ["notch, before and after firing"]
