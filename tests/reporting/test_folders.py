"""Results folders read back, and the order of recordings that dates and times of scoring give."""

import os
from datetime import UTC, datetime

import pytest

from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.cells import bare, plain_text
from needlecoach.reporting.folders import in_order, is_before, read_result
from needlecoach.reporting.reopen import read_run
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


def test_what_lacks_a_file_or_a_column_is_told_by_its_name(tmp_path):
    folder = write(tmp_path, "a", [HIT])
    (folder / "attempts.csv").write_text("attempt,passes\n1,2\n")
    with pytest.raises(NeedlecoachError, match=r"attempts\.csv has no column outcome"):
        read_result(folder)
    (folder / "attempts.csv").unlink()
    with pytest.raises(NeedlecoachError, match=r"a: is spoilt \(it lacks attempts\.csv\); score the clip"):
        read_result(folder)


@pytest.mark.parametrize("name", ["run.json", "attempts.csv"])
def test_a_pipe_in_a_files_place_is_not_waited_for(tmp_path, name):
    folder = write(tmp_path, "a", [HIT])
    (folder / name).unlink()
    os.mkfifo(folder / name)
    with pytest.raises(NeedlecoachError, match="is spoilt"):
        read_result(folder)


@pytest.mark.parametrize(
    "content", [b"[" * 100_000, b'{"schema": NaN}', b"[1]", b"", b"\xff", b'{"marks": 3}']
)
def test_a_record_that_is_none_is_told_in_one_line(tmp_path, content):
    folder = write(tmp_path, "a", [HIT])
    (folder / "run.json").write_bytes(content)
    for read in (read_result, read_run):
        with pytest.raises(NeedlecoachError) as told:
            read(folder)
        assert str(folder) in str(told.value) and "\n" not in str(told.value)


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "'x", "plain", ""])
def test_a_guarded_cell_is_bared_again(text):
    assert bare(plain_text(text)) == text
