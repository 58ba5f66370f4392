"""Work done by another process has the same result, and comes even when that process is ended."""

import multiprocessing
import operator

import pytest

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
        assert len(multiprocessing.active_children()) == 1
        assert elsewhere(operator.add, 1, 2)() == 3


def test_with_one_core_all_is_done_here(monkeypatch):
    monkeypatch.setattr(room.os, "cpu_count", lambda: 1)
    with aside(10**6) as elsewhere:
        assert not multiprocessing.active_children()
        assert elsewhere(operator.add, 1, 2)() == 3


def test_the_result_comes_even_when_the_process_is_ended(two_cores):
    with aside(3) as elsewhere:
        multiprocessing.active_children()[0].kill()
        assert elsewhere(operator.add, 1, 2)() == 3


def test_what_is_wrong_elsewhere_is_raised_here(two_cores):
    with aside(3) as elsewhere, pytest.raises(ZeroDivisionError):
        elsewhere(operator.truediv, 1, 0)()
