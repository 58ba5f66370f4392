"""Tables of attempts are read back, and what is none is told. Invented rows."""

import math

import pytest

from needlecoach.cohort.table import table_of
from needlecoach.errors import CohortError
from needlecoach.gather.recordings import NUMBERS
from needlecoach.gather.tables import read_table
from needlecoach.gather.together import gather
from needlecoach.reporting.cells import ATTEMPT_COLUMNS
from needlecoach.reporting.cohort_tables import attempts_of_cohort
from needlecoach.reporting.results import write_csv
from tests.gather.written import HIT, MISS, write_learners, write_rows

HEADER = ["folder", "clip", "learner", *ATTEMPT_COLUMNS]


def row(**cells):
    return {"folder": "a", "clip": "a.mp4", "learner": "L01", "attempt": 1, **HIT, **cells}


def test_rows_of_one_recording_are_one(tmp_path):
    rows = [row(), row(attempt=2, **MISS), row(clip="b.mp4", folder="b", learner="L02")]
    read = read_table(write_rows(tmp_path / "t.csv", HEADER, rows))
    assert [(one.clip, one.learner, len(one.attempts)) for one in read] == [
        ("a.mp4", "L01", 2),
        ("b.mp4", "L02", 1),
    ]
    assert read[0].attempts[0].numbers[NUMBERS.index("duration_s")] == 30.0
    assert (read[0].sha256, read[0].first_scored, read[0].day) == ("", None, "")
    assert math.isnan(read[0].target_width_mm)


def test_text_that_was_kept_from_running_is_text_again(tmp_path):
    path = write_rows(tmp_path / "t.csv", HEADER, [row(clip="'=cmd.mp4")])
    assert read_table(path)[0].clip == "=cmd.mp4"


def test_cohort_csv_is_read_back_as_it_was(tmp_path):
    table = gather([write_learners(tmp_path / "r", learners=2, attempts=4)]).table
    write_csv(attempts_of_cohort(table), tmp_path / "cohort.csv")
    again = table_of(read_table(tmp_path / "cohort.csv"), ATTEMPT_COLUMNS)
    assert list(again.columns) == list(table.columns)
    for name in table.columns:
        if name not in ("target_width_mm", "target_depth_mm"):  # to a thousandth
            assert again[name].equals(table[name]), name
    assert again["target_width_mm"].to_numpy() == pytest.approx(table["target_width_mm"].to_numpy(), abs=5e-4)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is no table of attempts, its heading has no 'clip'"),
        (b"frame,time_s\n0,0\n", "is no table of attempts"),
        (b"clip;learner;attempt;outcome\n", "is no table of attempts"),
        (
            b"clip,learner,attempt,outcome\na,L01,1,hit,extra\n",
            "from line 2: 5 cells where the heading has 4",
        ),
        (b"clip,learner,attempt,outcome\na,L01,1,hit\na,L01,two,hit\n", "from line 2: invalid literal"),
        (b"clip,learner,attempt,outcome\na,L01,1,won\n", "outcome must be one of hit, miss"),
        (b"clip,learner,attempt,outcome,passes\na,L01,1,hit,nan\n", "no clip gives a figure of nan"),
        (b"passes,clip,learner,attempt,outcome\n1e308,a,L01,1,hit\n", "no clip gives a figure of 1e+308"),
        (b"clip,learner,attempt,outcome,target_depth_mm\na,L01,1,hit,1e30\n", "a target is 1e30 mm wide"),
        (b"clip,learner,attempt,outcome,date\na,L01,1,hit,2026-02-30\n", "from line 2"),
        (b'clip,learner,attempt,outcome\n"a,L01,1,hit\n', "from line"),
        (b"\xff\xfe\x00", "is not UTF-8 text"),
        (b"clip,learner,attempt,outcome\na\x00,L01,1,hit\xff\n", "is not UTF-8 text"),
    ],
)
def test_a_spoilt_table_is_told_in_one_line(tmp_path, content, words):
    path = tmp_path / "t.csv"
    path.write_bytes(content)
    with pytest.raises(CohortError) as told:
        read_table(path)
    assert words in str(told.value) and str(path) in str(told.value) and "\n" not in str(told.value)


def test_a_table_without_attempts_is_empty(tmp_path):
    assert read_table(write_rows(tmp_path / "t.csv", HEADER, [])) == []
