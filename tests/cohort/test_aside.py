"""Work done by another process has the same result, and comes even when that process is ended."""

import multiprocessing
import operator
import time

import pytest

from needlecoach.apart import Apart
from needlecoach.cohort import aside as room
from needlecoach.cohort.aside import aside


@pytest.fixture
def two_cores(monkeypatch):
    monkeypatch.setattr(room.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(room, "_WORTH_A_PROCESS", 3)


def test_little_work_is_done_here_and_only_when_it_is_asked_for(two_cores):
    with aside(2) as elsewhere:
        done = []
        later = elsewhere(done.append, 1)
        assert not multiprocessing.active_children() and done == []
        later()
    assert done == [1]


def test_much_work_is_done_elsewhere_with_the_same_result(two_cores):
    with aside(3, "json") as elsewhere:
        assert elsewhere(operator.add, 1, 2)() == 3
        assert len(multiprocessing.active_children()) == 1


def test_a_process_that_is_there_does_it_after_what_it_was_given(two_cores):
    with Apart() as process:
        before = process.submit(time.sleep, 0.2)
        with aside(3, "json", process=process) as elsewhere:
            assert elsewhere(operator.add, 1, 2)() == 3 and before.done()
            assert len(multiprocessing.active_children()) == 1
        assert process.submit(abs, -1).result() == 1


def test_with_one_core_all_is_done_here(monkeypatch):
    monkeypatch.setattr(room.os, "cpu_count", lambda: 1)
    with aside(10**6) as elsewhere:
        assert not multiprocessing.active_children()
        assert elsewhere(operator.add, 1, 2)() == 3


def test_the_result_comes_even_when_the_process_is_ended(two_cores):
    with aside(3) as elsewhere:
        assert elsewhere(abs, -1)() == 1  # it runs
        multiprocessing.active_children()[0].kill()
        assert elsewhere(operator.add, 1, 2)() == 3


def test_what_is_wrong_elsewhere_is_raised_here(two_cores):
    with aside(3) as elsewhere, pytest.raises(ZeroDivisionError):
        elsewhere(operator.truediv, 1, 0)()
