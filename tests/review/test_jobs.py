"""Work beside the server: its progress, its faults in words, and a newer one in place of an older."""

import threading
import time

import pytest

from needlecoach.errors import ClipError
from needlecoach.review.jobs import Jobs


@pytest.fixture
def jobs():
    jobs = Jobs()
    yield jobs
    jobs.close()


def test_progress_and_result(jobs):
    go, at_half = threading.Event(), threading.Event()

    def work(report):
        report(1, 2)
        at_half.set()
        go.wait(5)
        return {"folder": "x"}

    key = jobs.start("score", "Scoring", work)
    at_half.wait(5)
    assert jobs.record(key) == {
        "state": "running", "share": 0.5, "what": "Scoring", "result": None, "error": "",
    }  # fmt: skip
    go.set()
    jobs.finish("score")
    assert jobs.record(key)["state"] == "done"
    assert jobs.record(key)["share"] == 1.0 and jobs.record(key)["result"] == {"folder": "x"}


def test_a_fault_of_the_users_is_told_as_it_is(jobs):
    def work(report):
        raise ClipError("L01.mp4: is empty; copy it again.")

    key = jobs.start("score", "Scoring", work)
    jobs.finish("score")
    assert jobs.record(key)["state"] == "failed"
    assert jobs.record(key)["error"] == "L01.mp4: is empty; copy it again."


def test_a_defect_of_ours_is_called_one(jobs, capsys):
    key = jobs.start("score", "Scoring", lambda report: 1 / 0)
    jobs.finish("score")
    assert "fault of needlecoach" in jobs.record(key)["error"]
    assert "ZeroDivisionError" in capsys.readouterr().err


def waits(started, ended=None):
    """Work that goes on until it is stopped."""

    def work(report):
        started.set()
        try:
            while True:
                report(0, 1)
        finally:
            if ended is not None:
                ended.set()

    return work


def test_a_newer_one_takes_the_place_and_never_runs_beside(jobs):
    started, ended, alone = threading.Event(), threading.Event(), []
    first = jobs.start("follow", "Following", waits(started, ended))
    started.wait(5)
    second = jobs.start("follow", "Following", lambda report: alone.append(ended.is_set()))
    jobs.finish("follow")
    assert jobs.record(first)["state"] == "failed" and "newer" in jobs.record(first)["error"]
    assert jobs.record(second)["state"] == "done" and alone == [True]


def test_other_kinds_go_on(jobs):
    started = threading.Event()
    first = jobs.start("film", "Copying", waits(started))
    started.wait(5)
    jobs.start("follow", "Following", lambda report: None)
    jobs.finish("follow")
    assert jobs.record(first)["state"] == "running"


def test_closing_stops_all_and_starts_nothing(jobs):
    started, ended = threading.Event(), threading.Event()
    key = jobs.start("score", "Scoring", waits(started, ended))
    started.wait(5)
    jobs.close()
    assert ended.is_set() and jobs.record(key)["state"] == "failed"
    ran = []
    late = jobs.start("score", "Scoring", lambda report: ran.append(1))
    jobs.finish("score")
    assert ran == [] and jobs.record(late)["state"] == "failed"


def test_one_whose_thread_takes_its_time_to_start_can_be_waited_for(jobs, monkeypatch):
    """Invented: another thread asks to wait for, or stop, a job while the system is still at its thread."""
    begin, begun = threading.Thread.start, threading.Event()

    def start_late(thread):
        if thread.name == "needlecoach-write":
            begun.set()
            time.sleep(0.2)
        begin(thread)

    monkeypatch.setattr(threading.Thread, "start", start_late)
    keys = []
    starter = threading.Thread(target=lambda: keys.append(jobs.start("write", "Writing", lambda report: 7)))
    starter.start()
    begun.wait(5)
    jobs.finish("write")
    jobs.stop("write")
    starter.join(5)
    jobs.finish("write")
    assert jobs.record(keys[0])["result"] == 7


def test_old_jobs_are_forgotten(jobs):
    keys = [jobs.start(f"kind {number}", "", lambda report: None) for number in range(60)]
    for number in range(60):
        jobs.finish(f"kind {number}")
    jobs.start("last", "", lambda report: None)
    assert jobs.record(keys[0]) is None and jobs.record(keys[-1]) is not None
