"""The tool's own values read from folders of results, without a person's corrections."""

import csv
import json

import pytest

from needlecoach.errors import CohortError
from needlecoach.toolvalues import tool_attempts


def write_result(folder, rows, *, raw=None, schema=1, invented=False):
    folder.mkdir(parents=True)
    run = {
        "schema": schema,
        "versions": {"needlecoach": "0.6.0"},
        "clip": {"file": f"{folder.name}.mp4", "sha256": folder.name},
        "marks": {},
        "options": {},
        "invented": invented,
    }
    (folder / "run.json").write_text(json.dumps(run))
    for name, table in (("attempts.csv", rows), ("attempts.raw.csv", raw)):
        if table is not None:
            with (folder / name).open("w", newline="") as file:
                writer = csv.DictWriter(file, ["attempt", "outcome", "passes", "corrected"])
                writer.writeheader()
                writer.writerows(table)


def row(attempt, outcome, passes=1, corrected=""):
    return {"attempt": attempt, "outcome": outcome, "passes": passes, "corrected": corrected}


def outcomes(found):
    return [(one.folder, one.attempt, one.values.get("outcome")) for one in found]


def test_results_are_found_below_and_each_counts_once(tmp_path):
    write_result(tmp_path / "L01", [row(1, "hit"), row(2, "miss")])
    write_result(tmp_path / "week" / "L02", [])
    found, notes = tool_attempts([tmp_path, tmp_path / "L01"])
    assert outcomes(found) == [("L01", 1, "hit"), ("L01", 2, "miss"), ("L02", 0, None)]
    assert (found[0].clip, found[0].sha256, found[0].version) == ("L01.mp4", "L01", "0.6.0")
    assert notes == []


def test_a_demonstrations_results_are_not_the_tools(tmp_path):
    write_result(tmp_path / "real", [row(1, "hit")])
    write_result(tmp_path / "demo" / "made", [row(1, "miss")], invented=True)
    found, notes = tool_attempts([tmp_path])
    assert outcomes(found) == [("real", 1, "hit")]
    assert notes == ["1 invented result, as a demonstration writes them, left out."]
    found, notes = tool_attempts([tmp_path / "demo"])
    assert outcomes(found) == [("made", 1, "miss")] and "are invented" in notes[0]


def test_what_a_person_corrected_counts_as_the_tool_found_it(tmp_path):
    write_result(tmp_path / "L01", [row(1, "hit", 1, "outcome")], raw=[row(1, "miss", 1)])
    found, notes = tool_attempts([tmp_path])
    assert outcomes(found) == [("L01", 1, "miss")]
    assert len(notes) == 1 and "the tool's own result counts" in notes[0]


def test_where_attempts_were_parted_by_hand_corrected_figures_are_left_out(tmp_path):
    write_result(
        tmp_path / "L01",
        [row(1, "hit", 2, "outcome"), row(2, "hit", 1, "attempt outcome passes")],
        raw=[row(1, "miss")],
    )
    found, notes = tool_attempts([tmp_path])
    assert [(one.attempt, one.values["outcome"], one.values["passes"]) for one in found] == [
        (1, "", "2"),
        (2, "", ""),
    ]
    assert len(notes) == 1 and "flatters" in notes[0]


def test_a_folder_that_can_not_be_read_is_left_out_and_named(tmp_path):
    write_result(tmp_path / "L01", [row(1, "hit")])
    write_result(tmp_path / "L02", [row(1, "hit")], schema=99)
    write_result(tmp_path / "L03", None)
    found, notes = tool_attempts([tmp_path])
    assert outcomes(found) == [("L01", 1, "hit")]
    assert notes == ["2 results folders could not be read and are left out: L02, L03."]


def test_no_results_at_all_are_an_error(tmp_path):
    (tmp_path / "empty").mkdir()
    write_result(tmp_path / "old" / "L02", [row(1, "hit")], schema=99)
    for given, words in (
        ("empty", "holds no results"),
        ("none", "no such folder"),
        ("old", "can't be read as a result"),
    ):
        with pytest.raises(CohortError, match=words):
            tool_attempts([tmp_path / given])
