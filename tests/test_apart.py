"""Another process of this program: what it does, and that nobody waits for ever for one that was ended."""

import os
import sys
import threading
import time
from concurrent.futures import BrokenExecutor, CancelledError

import pytest

from needlecoach.apart import Apart
from needlecoach.errors import ClipError


def told(message):
    raise ClipError(message)


def half_told(_):
    """Written to the line itself: the length of an answer, and less than that of it."""
    line = sys._getframe(2).f_locals["line"]
    os.write(line.fileno(), (1000).to_bytes(4, "big") + b"half")
    os._exit(1)


class Stubborn(Exception):
    def __reduce__(self):
        raise TypeError("can't be pickled")


def stubborn():
    raise Stubborn("as it is")


def test_one_thing_is_done_after_the_other_elsewhere():
    with Apart() as process:
        first, second = process.submit(os.getpid), process.submit(divmod, 7, 2)
        assert first.result(20) == process.process.pid != os.getpid()
        assert second.result(20) == (3, 1)
        assert process.submit(sorted, [2, 3, 1], reverse=True).result(20) == [3, 2, 1]


def test_what_goes_wrong_there_is_raised_here_and_the_process_goes_on():
    with Apart() as process:
        with pytest.raises(ClipError, match=r"^L01\.mp4: is empty"):
            process.submit(told, "L01.mp4: is empty").result(20)
        with pytest.raises(RuntimeError, match="as it is"):
            process.submit(stubborn).result(20)
        with pytest.raises(Exception, match="pickle"):
            process.submit(lambda: 1).result(20)
        with pytest.raises(Exception, match="pickle"):
            process.submit(threading.Lock).result(20)
        assert process.submit(abs, -1).result(20) == 1


def test_an_end_from_outside_is_told_of_what_it_did_of_what_waits_and_of_what_comes():
    with Apart() as process:
        does, waits = process.submit(time.sleep, 60), process.submit(abs, -1)
        while process.process is None:
            time.sleep(0.01)
        process.process.kill()
        assert isinstance(does.exception(20), BrokenExecutor)
        assert isinstance(waits.exception(20), BrokenExecutor)
        with pytest.raises(BrokenExecutor):
            process.submit(abs, -1)


def test_an_end_while_nothing_was_to_do_is_told_at_once():
    with Apart() as process:
        process.submit(abs, -1).result(20)
        process.process.kill()
        process.process.join(20)
        with pytest.raises(BrokenExecutor):
            process.submit(abs, -1)


def test_an_end_in_the_middle_of_an_answer_is_told():
    # The standard library's pool (Python 3.11) waits for the rest of it for ever.
    with Apart() as process:
        assert isinstance(process.submit(half_told, 0).exception(20), BrokenExecutor)


@pytest.mark.parametrize("wait_s", [0.0, 0.02, 0.5])
def test_it_is_ended_at_any_moment_without_a_word(wait_s, capfd):
    process = Apart()
    work = process.submit(time.sleep, 60)
    time.sleep(wait_s)
    process.end()
    assert not process.process.is_alive()
    process.end()
    assert isinstance(work.exception(20), BrokenExecutor)
    assert capfd.readouterr() == ("", "")


def test_shut_down_it_does_what_it_has_and_takes_no_more():
    process = Apart()
    work = process.submit(abs, -1)
    process.shutdown()
    assert work.result(0) == 1 and not process.process.is_alive()
    with pytest.raises(BrokenExecutor):
        process.submit(abs, -1)


def test_what_waits_can_be_cancelled():
    process = Apart()
    process.submit(time.sleep, 0.2)
    waits = process.submit(abs, -1)
    process.shutdown(cancel_futures=True)
    with pytest.raises(CancelledError):
        waits.result(0)


def test_who_is_told_of_an_end_may_hand_on_again():
    refused = []

    def again(_):
        with pytest.raises(BrokenExecutor):
            process.submit(abs, -1)
        refused.append(True)

    with Apart() as process:
        process.submit(os._exit, 1)
        waits = process.submit(abs, -1)
        waits.add_done_callback(again)
        assert isinstance(waits.exception(20), BrokenExecutor)
    assert refused


def test_several_start_at_once_and_leave_the_environment_as_it_was(monkeypatch):
    monkeypatch.delenv("PYTHONSAFEPATH", raising=False)
    several = [Apart() for _ in range(4)]
    told = [one.submit(os.getenv, "PYTHONSAFEPATH") for one in several]
    assert [one.result(20) for one in told] == ["1"] * 4
    assert "PYTHONSAFEPATH" not in os.environ
    for one in several:
        one.end()
