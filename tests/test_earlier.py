"""A learner's own earlier attempts are found in a reports folder, and nobody else's. Invented results."""

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from needlecoach.earlier import earlier_attempts, key_figures
from needlecoach.model import Attempt, Clip, Figure, Marks, Region, Scale, Scorecard, Track
from needlecoach.reporting.record import run_record
from needlecoach.reporting.tables import attempts_table
from needlecoach.scoring import COLUMNS

NOTHING = dict.fromkeys(("needle_present", "tip_visible", "target_found"), np.zeros(0, bool))


def card_of(name="now", attempts=(), **marks) -> Scorecard:
    """A result of a clip of that name; attempts are (outcome, figures)."""
    arrays = {item: np.zeros((0, 2) if item.endswith("_px") else 0) for item in Track.__dataclass_fields__}
    return Scorecard(
        clip=Clip(Path(f"{name}.mp4"), "video", 64, 64, 0, 25.0),
        clip_sha256=f"hash of {name}",
        marks=Marks(**({"learner": "L01"} | marks)),
        region=Region("rectangle", (0, 0, 64, 64)),
        scale=Scale.from_mm_per_px(0.1),
        track=Track(**(arrays | NOTHING)),
        attempts=tuple(_attempt(number, *one) for number, one in enumerate(attempts, start=1)),
        distances={},
        confidence=1.0,
    )


def _attempt(number, outcome, figures) -> Attempt:
    told = {name: COLUMNS[name].figure(value) for name, value in figures.items()}
    told |= {"attempt": Figure("attempt", number), "outcome": Figure("outcome", outcome)}
    return Attempt(number, 0, 0, False, (), None, outcome, told)


def write(reports: Path, card: Scorecard, *, scored_s: float = 1e9, folder: str = "", first=None) -> Path:
    """Write what is read of a results folder, as if scored at that time, and first at `first`."""
    place = reports / (folder or card.clip.path.stem)
    place.mkdir(parents=True)
    (place / "run.json").write_text(json.dumps(run_record(card, first_scored_at=first)), encoding="utf-8")
    attempts_table(card).to_csv(place / "attempts.csv", index=False)
    os.utime(place / "run.json", (scored_s, scored_s))
    return place


HIT = ("hit", {"closest_centre_mm": 1.5, "blind_advance_mm": 2.0, "passes": 2, "duration_s": 30.0})
GOOD_HIT = ("hit", {"closest_centre_mm": 2.5, "blind_advance_mm": 0.0, "passes": 1, "duration_s": 20.0})
MISS = ("miss", {"closest_centre_mm": 0.9, "blind_advance_mm": 0.0, "passes": 1, "duration_s": 4.0})


def clips(earlier):
    return [one.clip.removesuffix(".mp4") for one in earlier.last]


def test_best_and_outcomes(tmp_path):
    write(tmp_path, card_of("a", [HIT, MISS]))
    write(tmp_path, card_of("b", [GOOD_HIT]))
    earlier = earlier_attempts(tmp_path, card_of())
    assert (earlier.n, earlier.outcomes) == (3, {"hit": 2, "miss": 1})
    assert earlier.names == key_figures("aspirate")
    # A miss is soon over: its 4 s are no best time. How near it came counts.
    assert earlier.best == {
        "closest_centre_mm": 0.9, "blind_advance_mm": 0.0, "passes": 1, "duration_s": 20.0,
        "tip_visibility_share": None,
    }  # fmt: skip
    assert earlier.last[0].figures["passes"] == 2
    assert [(one.number, one.outcome) for one in earlier.last] == [(1, "hit"), (2, "miss"), (1, "hit")]


def test_the_last_five_by_date_then_by_time_of_scoring(tmp_path):
    write(tmp_path, card_of("c", [HIT], date="2026-03-01"), scored_s=1e9)
    write(tmp_path, card_of("b", [HIT], date="2026-02-01"), scored_s=2e9)
    write(tmp_path, card_of("e", [HIT], date="2026-03-01"), scored_s=1.5e9)
    write(tmp_path, card_of("a", [HIT, HIT, HIT]), scored_s=1e9)  # undated: scored in 2001
    assert clips(earlier_attempts(tmp_path, card_of())) == ["a", "a", "b", "c", "e"]


def test_what_is_dated_later_is_not_earlier(tmp_path):
    write(tmp_path, card_of("later", [HIT], date="2026-05-02"))
    write(tmp_path, card_of("same", [HIT], date="2026-05-01"))
    assert clips(earlier_attempts(tmp_path, card_of(date="2026-05-01"))) == ["same"]


def test_undated_clips_go_by_their_first_scoring_whatever_was_scored_again_since(tmp_path):
    one, two = card_of("one", [HIT]), card_of("two", [HIT])
    write(tmp_path, one, first="2026-05-01T10:00:00+00:00", scored_s=1.9e9)  # scored again, or corrected
    write(tmp_path, two, first="2026-05-01T11:00:00+00:00", scored_s=1.8e9)
    assert earlier_attempts(tmp_path, one) is None
    assert clips(earlier_attempts(tmp_path, two)) == ["one"]
    assert clips(earlier_attempts(tmp_path, card_of("new"))) == ["one", "two"]


def test_a_dated_and_an_undated_clip_go_by_their_first_scoring(tmp_path):
    undated, dated = card_of("undated", [HIT]), card_of("dated", [HIT], date="2025-01-01")
    write(tmp_path, undated, first="2026-05-01T10:00:00+00:00")
    write(tmp_path, dated, first="2026-05-01T11:00:00")  # without a zone: UTC
    write(tmp_path, card_of("last", [HIT], date="2024-01-01"), first="2026-05-01T12:00:00+00:00")
    assert earlier_attempts(tmp_path, undated) is None
    assert clips(earlier_attempts(tmp_path, dated)) == ["undated", "last"]
    # Those with dates in their order, the other one where it was scored.
    assert clips(earlier_attempts(tmp_path, card_of("new"))) == ["undated", "last", "dated"]


def test_on_the_same_date_the_first_scored_is_earlier(tmp_path):
    one, two = (card_of(name, [HIT], date="2026-03-01") for name in ("one", "two"))
    write(tmp_path, one, first="2026-05-01T10:00:00+00:00", scored_s=1.9e9)
    write(tmp_path, two, first="not a time", scored_s=1.85e9)  # 2028, by the file's time
    assert earlier_attempts(tmp_path, one) is None
    assert clips(earlier_attempts(tmp_path, two)) == ["one"]


@pytest.mark.parametrize(
    ("was", "now", "compared"),
    [
        ({"learner": "L02"}, {}, False),
        ({"learner": None}, {}, False),
        ({"task": "core", "notch_mm": 18.0, "dead_space_mm": 5.0}, {}, False),
        ({"target_name": "olive"}, {"target_name": "grape"}, False),
        ({"target_name": "olive"}, {"target_name": "olive"}, True),
        ({"target_name": "olive"}, {}, True),
        ({}, {"target_name": "olive"}, True),
        ({"block": "G3"}, {"block": "G4"}, False),
        ({"block": "G3"}, {"block": "G3"}, True),
        ({"block": "G3"}, {}, True),
    ],
)
def test_only_ones_own_and_only_the_same(tmp_path, was, now, compared):
    write(tmp_path, card_of("was", [HIT], **was))
    assert (earlier_attempts(tmp_path, card_of(**now)) is not None) is compared


def test_without_a_learner_nothing_is_compared(tmp_path):
    write(tmp_path, card_of("was", [HIT], learner=None))
    assert earlier_attempts(tmp_path, card_of(learner=None)) is None


def test_never_the_recording_itself_and_each_recording_once(tmp_path):
    write(tmp_path, card_of("now", [HIT]), folder="under another name")
    assert earlier_attempts(tmp_path, card_of()) is None
    write(tmp_path, card_of("a", [HIT]), folder="a", scored_s=0.8e9)
    write(tmp_path, card_of("a", [MISS]), folder="a-2", scored_s=0.9e9)
    earlier = earlier_attempts(tmp_path, card_of())
    assert [(one.folder, one.outcome) for one in earlier.last] == [("a-2", "miss")]


def test_attempts_without_a_score_are_left_out(tmp_path):
    write(tmp_path, card_of("a", [("unscorable", {}), HIT]))
    assert earlier_attempts(tmp_path, card_of()).n == 1


def test_a_core_needle_is_compared_by_its_notch(tmp_path):
    core = dict(task="core", notch_mm=18.0, dead_space_mm=5.0)
    for name, inside in (("a", 4.0), ("b", 11.0)):
        place = write(tmp_path, card_of(name, [HIT], **core))
        table = pd.read_csv(place / "attempts.csv").assign(notch_in_target_mm=inside)
        table.to_csv(place / "attempts.csv", index=False)
    earlier = earlier_attempts(tmp_path, card_of(**core))
    assert earlier.names[0] == "notch_in_target_mm"
    assert earlier.best["notch_in_target_mm"] == 11.0


@pytest.mark.parametrize(
    ("file", "content"),
    [
        ("run.json", "{"),
        ("run.json", "[]"),
        ("run.json", '{"schema": 1, "clip": {}, "marks": {}, "options": {}}'),
        ("run.json", '{"schema": 99}'),
        ("attempts.csv", None),
        ("attempts.csv", "clip,attempt\nx,1\n"),
        ("attempts.csv", "attempt,outcome\nfirst,hit\n"),
        ("attempts.csv", b"\xff\xfe\x00"),
    ],
)
def test_broken_folders_are_left_out_with_a_note_that_names_nobody(tmp_path, file, content):
    write(tmp_path, card_of("a", [HIT]))
    path = write(tmp_path, card_of("L02-broken", [HIT])) / file
    if content is None:
        path.unlink()
    else:
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    earlier = earlier_attempts(tmp_path, card_of())
    assert earlier.n == 1
    assert earlier.notes == ("One results folder could not be read and is left out of this comparison.",)


@pytest.mark.parametrize("figure", ["long", "inf", "1e308"])
def test_a_figure_that_is_no_number_is_a_broken_folder(tmp_path, figure):
    write(tmp_path, card_of("a", [HIT]))
    path = write(tmp_path, card_of("b", [HIT])) / "attempts.csv"
    path.write_text(path.read_text().replace("30.0", figure))
    earlier = earlier_attempts(tmp_path, card_of())
    assert (earlier.n, len(earlier.notes)) == (1, 1)


def test_other_files_and_a_missing_folder_are_nothing(tmp_path):
    (tmp_path / "notes.txt").write_text("x")
    (tmp_path / "empty").mkdir()
    assert earlier_attempts(tmp_path, card_of()) is None
    assert earlier_attempts(tmp_path / "none", card_of()) is None
    assert earlier_attempts(tmp_path, replace(card_of(), clip_sha256="")) is None
