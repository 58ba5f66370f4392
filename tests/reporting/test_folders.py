"""Results folders read back, and the order of recordings that dates and times of scoring give."""

from datetime import UTC, datetime

import pytest

from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.cells import bare, plain_text
from needlecoach.reporting.folders import in_order, is_before, read_result
from tests.gather.written import HIT, write


def day(number):
    return datetime(2026, 3, number, tzinfo=UTC)


def test_dated_ones_go_by_date_and_change_places_with_dated_ones_only():
    times = [("2026-02-09", day(1)), (None, day(2)), ("2026-02-01", day(3))]
    assert in_order(times) == [2, 1, 0]
    assert in_order([(None, day(2)), (None, day(1)), (None, day(2))]) == [1, 0, 2]


def test_two_dates_decide_else_the_first_scoring():
    assert is_before(("2026-02-01", day(9)), ("2026-02-02", day(1)))
    assert not is_before((None, day(9)), ("2026-02-02", day(1)))
    assert is_before(("2026-02-02", day(1)), ("2026-02-02", day(2)))


def test_a_row_that_ends_early_is_filled_up_and_one_too_long_is_refused(tmp_path):
    folder = write(tmp_path, "a", [HIT])
    (folder / "attempts.csv").write_text("attempt,outcome,passes\n1,hit\n\n2,miss,3\n")
    assert next(read_result(folder).rows) == {"attempt": "1", "outcome": "hit", "passes": ""}
    (folder / "attempts.csv").write_text("attempt,outcome\n1,hit,3\n")
    with pytest.raises(NeedlecoachError, match=r"is spoilt .*longer than the heading"):
        read_result(folder)


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "'x", "plain", ""])
def test_a_guarded_cell_is_bared_again(text):
    assert bare(plain_text(text)) == text
