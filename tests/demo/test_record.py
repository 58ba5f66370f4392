"""A simulated recording of the demonstration, written and scored as a user's would be."""

import json

import pandas as pd
from typer.testing import CliRunner

from needlecoach.cli import app
from needlecoach.marks import read_marks


def test_marks_say_what_is_known_and_that_it_is_invented(made):
    marks = read_marks(made.out / "recordings" / "L04_invented.marks.json")
    assert (marks.learner, marks.target_name, marks.target_kind) == ("L04", "deep grape", "fluid")
    assert (marks.date, marks.phantom) == ("2026-06-28", "GEL-A")
    assert marks.notes.startswith("invented")


def test_the_hit_that_was_drawn_is_found(made):
    truth = json.loads((made.out / "recordings" / "L04_invented.truth.json").read_text())
    (attempt,), (event,) = made.card.attempts, truth["events"]["attempts"]
    assert attempt.outcome == "hit"
    assert attempt.figures["passes"].value == len(event["passes"]) == 1
    # Drawn into the middle, but for half a millimetre by which the target gives way.
    assert attempt.figures["closest_centre_mm"].value < 1.0


def test_its_earlier_attempts_are_the_invented_ones(made):
    card = made.card
    assert card.earlier is not None and card.earlier.n >= 1 and card.earlier.notes == ()
    assert [check.result for check in card.attempts[0].checks]


def test_invented_results_have_the_same_keys_and_columns(made):
    folder = made.out / "results" / "L04_invented"
    real = json.loads((folder / "run.json").read_text())
    made_up = json.loads((folder.parent / "L04_01" / "run.json").read_text())
    assert real["invented"] is made_up["invented"] is True

    def keys(run):
        return {
            name: sorted(run[name]) if isinstance(run[name], dict) else None
            for name in run
            if name not in ("clip", "options")
        }

    assert keys(real) == keys(made_up)
    assert set(real["clip"]) - {"place"} == set(made_up["clip"])
    assert set(real["options"]) - {"standard"} == set(made_up["options"])
    columns = [pd.read_csv(one / "attempts.csv").columns for one in (folder, folder.parent / "L04_01")]
    assert list(columns[0]) == list(columns[1])


def test_what_is_blank_and_what_is_not_agrees_with_a_real_hit(made):
    folder = made.out / "results" / "L04_invented"
    real = pd.read_csv(folder / "attempts.csv").iloc[0]
    hits = [
        one
        for path in folder.parent.glob("*_??/attempts.csv")
        for _, one in pd.read_csv(path).iterrows()
        if one.outcome == "hit"
    ]
    may_differ = {"mean_recovery_s", "blind_advance_mm_sd", "longest_blind_mm_sd", "trail_end_edge_mm"}
    may_differ |= {"trail_end_edge_mm_sd", "smoothness_sparc", "smoothness_ldlj", "overshoot_mm"}
    may_differ |= {"overshoot_mm_sd"}
    for name in set(real.index) - may_differ:
        assert all(pd.isna(one[name]) == pd.isna(real[name]) for one in hits), name


def test_scored_again_by_hand_it_is_still_invented(made, tmp_path):
    clip = made.out / "recordings" / "L04_invented.mp4"
    done = CliRunner().invoke(app, ["score", str(clip), "--out", str(tmp_path), "--no-replay", "--quiet"])
    assert done.exit_code == 0, done.output
    assert json.loads((tmp_path / "L04_invented" / "run.json").read_text())["invented"] is True
