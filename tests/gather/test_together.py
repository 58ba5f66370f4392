"""A cohort's results put together: each recording once, in order, with what is odd told. Invented results."""

import json
import os

import pytest

from needlecoach.errors import CohortError
from needlecoach.gather.together import fault_lines, gather
from needlecoach.reporting.cells import ATTEMPT_COLUMNS
from tests.gather.written import BLANK, HIT, MISS, write, write_rows


def clips(gathered):
    return [name.removesuffix(".mp4") for name in gathered.table["clip"]]


def test_the_table_has_the_columns_that_are_promised(tmp_path):
    write(tmp_path, "a", [HIT, MISS, BLANK], date="2026-03-01")
    table = gather([tmp_path]).table
    assert list(table.columns[:9]) == [
        "learner", "order", "date", "at", "folder", "clip", "clip_sha256", "attempt", "version",
    ]  # fmt: skip
    assert {*ATTEMPT_COLUMNS, "corrected"} <= set(table.columns)
    assert table["order"].tolist() == [1, 2, 3]
    assert table["success"].fillna(-1).tolist() == [1, 0, -1]
    assert str(table["at"][0]) == "2026-03-01 00:00:00+00:00"
    assert table["cut_off"].dtype == bool and table["invented"].all()


def test_a_recording_scored_twice_counts_as_scored_last(tmp_path):
    write(tmp_path, "a", [HIT], folder="now", scored_s=2e9)
    write(tmp_path, "a", [MISS], folder="then", scored_s=1e9)
    gathered = gather([tmp_path])
    assert gathered.table["outcome"].tolist() == ["hit"]
    assert gathered.notes == ("One result of recordings that were there already is left out.",)


def test_when_a_result_was_written_is_told_by_its_record_not_by_a_copys_clock(tmp_path):
    for folder, outcome, at, copied_s in (("new", HIT, "2026-03-02", 1e9), ("old", MISS, "2026-03-01", 2e9)):
        place = write(tmp_path, "a", [outcome], folder=folder)
        run = json.loads((place / "run.json").read_text()) | {"scored_at": f"{at}T10:00:00+00:00"}
        (place / "run.json").write_text(json.dumps(run))
        os.utime(place / "run.json", (copied_s, copied_s))
    assert gather([tmp_path]).table["outcome"].tolist() == ["hit"]


def test_invented_results_are_left_out_where_there_are_others(tmp_path):
    write(tmp_path, "a", invented=False)
    write(tmp_path, "b", folder="demo/results/b")
    write(tmp_path, "c", folder="demo/results/c")
    gathered = gather([tmp_path])
    assert clips(gathered) == ["a"]
    assert gathered.notes == ("2 invented results, as a demonstration writes them, are left out.",)
    assert sorted(clips(gather([tmp_path / "demo"]))) == ["b", "c"]


def test_learners_stand_by_code_and_attempts_as_for_ones_own_earlier_ones(tmp_path):
    write(tmp_path, "late", learner="L02", date="2026-03-09", first="2026-03-09T10:00:00+00:00")
    write(tmp_path, "early", learner="L02", date="2026-03-01", first="2026-03-20T10:00:00+00:00")
    write(tmp_path, "undated", [HIT, MISS], learner="L02", first="2026-03-10T10:00:00+00:00")
    write(tmp_path, "z", learner="L01")
    gathered = gather([tmp_path])
    # The dated change places among themselves; what has no date keeps the place of its first scoring.
    assert clips(gathered) == ["z", "early", "undated", "undated", "late"]
    assert gathered.table["order"].tolist() == [1, 1, 2, 3, 4]
    assert gathered.notes == ()


def test_a_rescored_recording_keeps_the_time_of_its_first_scoring(tmp_path):
    write(tmp_path, "a", folder="a-1", first="2026-03-01T10:00:00+00:00", scored_s=1e9)
    write(tmp_path, "a", folder="a-2", first="2026-05-01T10:00:00+00:00", scored_s=2e9)
    write(tmp_path, "b", first="2026-04-01T10:00:00+00:00")
    assert clips(gather([tmp_path])) == ["a", "b"]


def test_a_recording_under_two_learners_is_told(tmp_path):
    write(tmp_path, "a", folder="one", learner="L01", scored_s=1e9)
    write(tmp_path, "a", folder="two", learner="L02", scored_s=2e9)
    gathered = gather([tmp_path])
    assert gathered.table["learner"].tolist() == ["L02"]
    assert any("under more than one learner's code" in note for note in gathered.notes)


def test_mixed_versions_are_told_with_their_numbers(tmp_path):
    for name, version in (("a", "0.5.0"), ("b", "0.6.0"), ("c", "0.6.0")):
        write(tmp_path, name, version=version)
    assert "versions of the tool: 0.5.0 (1), 0.6.0 (2);" in gather([tmp_path]).notes[0]


def test_attempts_without_a_code_are_counted_and_have_no_order(tmp_path):
    write(tmp_path, "a", [HIT, MISS], learner=None)
    gathered = gather([tmp_path])
    assert gathered.table["order"].tolist() == [0, 0]
    assert gathered.notes == ("2 attempts without a learner's code are in no learner's figures.",)


@pytest.mark.parametrize("name", ["Anna Example", "<b>L01</b>", "=1+1", "L01\nx", "L" + "0" * 300])
def test_what_may_be_a_name_is_no_code_and_is_never_repeated(tmp_path, name):
    write(tmp_path, "a", learner=name)
    gathered = gather([tmp_path])
    assert gathered.table["learner"].tolist() == [""]
    assert "may be a name" in gathered.notes[0] and not any(name in note for note in gathered.notes)


def test_a_table_adds_only_what_the_folders_do_not_hold(tmp_path):
    write(tmp_path / "r", "a", [HIT, MISS], invented=False)
    header = ["clip", "learner", *ATTEMPT_COLUMNS]
    rows = [
        {"clip": "a.mp4", "learner": "L01", "attempt": 1, "cut_off": 0, **HIT},
        {"clip": "a.mp4", "learner": "L01", "attempt": 2, "cut_off": 0, **HIT},
    ]
    gathered = gather([write_rows(tmp_path / "t.csv", header, rows), tmp_path / "r"])
    assert gathered.table["outcome"].tolist() == ["hit", "miss", "hit"]
    again = gather([tmp_path / "t.csv", write_rows(tmp_path / "u.csv", header, rows)])
    assert len(again.table) == 2
    assert [note.split(" ")[0] for note in again.notes] == ["One", "2"]  # one result left out, two undated
    told = [note for note in gathered.notes if "count twice" in note]
    assert [note.split(" ")[0] for note in told] == ["One"]


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, True),
        ({"date": "2026-03-01"}, True),
        ({"date": "2026-03-02"}, False),
        ({"clip": "b.mp4"}, False),
        ({"learner": "L02"}, False),
        ({"attempt": 2}, False),
    ],
)
def test_one_attempt_with_two_sets_of_figures_is_told(tmp_path, changes, told):
    """Of another day, clip, learner or number it is another attempt."""
    write(tmp_path / "r", "a", [HIT], invented=False, date="2026-03-01")
    row = {"clip": "a.mp4", "learner": "L01", "attempt": 1, "cut_off": 0, **HIT, "closest_centre_mm": 1.6}
    table = write_rows(
        tmp_path / "t.csv", ["clip", "learner", "date", *ATTEMPT_COLUMNS], [{**row, **changes}]
    )
    gathered = gather([table, tmp_path / "r"])
    assert len(gathered.table) == 2
    said = [note for note in gathered.notes if "count twice" in note]
    assert len(said) == told
    assert not told or said[0].startswith(
        "One attempt of tables has the clip, learner and number of one that"
    )


def test_what_can_not_be_read_is_named_and_the_rest_goes_on(tmp_path):
    write(tmp_path / "r", "good")
    for number in range(7):
        (write(tmp_path / "r", f"bad{number}") / "run.json").write_text("{")
    (tmp_path / "t.csv").write_text("x\n")
    gathered = gather([tmp_path / "r", tmp_path / "t.csv"])
    assert clips(gathered) == ["good"]
    assert gathered.notes == ("8 results could not be read and are left out.",)
    assert gathered.named_notes[0] == "Not read: bad0, bad1, bad2, bad3, bad4, 3 more."
    lines = fault_lines(gathered.faults)
    assert len(lines) == 6 and "bad0" in lines[0] and lines[-1] == "and 3 more that could not be read."


def test_nothing_to_read_is_told_with_what_to_do(tmp_path):
    with pytest.raises(CohortError, match="holds no results folders"):
        gather([tmp_path])
    (write(tmp_path, "bad") / "attempts.csv").unlink()
    with pytest.raises(CohortError, match=r"Nothing could be read: .*bad: is spoilt"):
        gather([tmp_path])
