"""The table of attempts, made and checked. Invented recordings."""

from datetime import UTC, datetime

import numpy as np
import pytest

from needlecoach.cohort.recording import AttemptRow, Recording, number_columns
from needlecoach.cohort.table import LEADING, check_table, success_of, table_of, targets_by_block
from needlecoach.errors import CohortError

COLUMNS = ("attempt", "outcome", "passes", "scale_source")


def recording(learner="L01", outcomes=("hit",), **told):
    rows = tuple(AttemptRow(n, one, False, "", "", (None,)) for n, one in enumerate(outcomes, 1))
    times = {"date": None, "first_scored": None} | told
    return Recording("", "a", "a.mp4", "x", learner, written_s=0.0, attempts=rows, **times)


def test_columns_and_their_order():
    table = table_of([recording()], COLUMNS)
    assert list(table.columns) == [*LEADING, "outcome", "passes", "scale_source", "corrected"]
    assert number_columns(COLUMNS) == ("passes",)
    assert np.isnan(table["passes"][0])


def test_order_counts_each_learner_and_nobody_without_a_code():
    told = [recording(""), recording("L01", ("hit", "miss")), recording("L01"), recording("L02")]
    assert table_of(told, COLUMNS)["order"].tolist() == [0, 1, 2, 3, 1]


def test_the_marked_date_goes_before_the_first_scoring_and_nothing_is_made_up():
    scored = datetime(2026, 3, 5, 9, 30, tzinfo=UTC)
    table = table_of(
        [recording(date="2026-03-01", first_scored=scored), recording(first_scored=scored), recording()],
        COLUMNS,
    )
    assert table["date"].tolist() == ["2026-03-01", "2026-03-05", ""]
    assert [str(one) for one in table["at"]] == [
        "2026-03-01 00:00:00+00:00",
        "2026-03-05 09:30:00+00:00",
        "NaT",
    ]


def test_two_blocks_targets_of_one_name_are_two_targets():
    told = [
        recording(target="A", block="G1"),
        recording(target="A", block="G2"),
        recording(target="A"),
        recording(block="G1"),
    ]
    table = table_of(told, COLUMNS)
    assert targets_by_block(table)["target"].tolist() == ["A (block G1)", "A (block G2)", "A", ""]
    assert table["target"].tolist() == ["A", "A", "A", ""]
    without = table[table["block"] == ""]
    assert targets_by_block(without) is without


def test_success():
    assert [success_of(one) for one in ("hit", "miss", "borderline")] == [1, 0, 0]
    assert np.isnan(success_of("unscorable"))


def test_without_attempts_there_is_an_empty_table_of_the_same_kinds():
    empty, one = table_of([], COLUMNS), table_of([recording()], COLUMNS)
    assert len(empty) == 0 and list(empty.columns) == list(one.columns)
    assert empty["success"].dtype == one["success"].dtype == float
    check_table(empty)


def test_what_is_no_table_is_refused():
    table = table_of([recording()], COLUMNS)
    with pytest.raises(CohortError, match="no column 'target'"):
        check_table(table.drop(columns="target"))
    with pytest.raises(CohortError, match="'won' is no outcome"):
        check_table(table.assign(outcome="won"))
