"""Clips scored by processes of this machine, one clip in each at a time."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any

from needlecoach.apart import sheltered
from needlecoach.batch.values import Failed, Job, Result, Results, Scored
from needlecoach.tracking.beside import settle_in

_REPORT_S, _GRACE_S = 0.5, 2.0
SECOND_TRY = "its process was ended from outside ({}), perhaps for want of memory; the second try went well."
ENDED_TWICE = (
    "its process was ended from outside twice ({}), the second time with no other at work, perhaps for "
    "want of memory; close other programs and score the clip again."
)


def cores() -> int:
    """Cores that this process may use."""
    with contextlib.suppress(AttributeError, OSError):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def in_processes(
    jobs: Mapping[int, Job],
    n_processes: int,
    *,
    may_start: Callable[[], bool] = lambda: True,
    report: Callable[[float], None] = lambda _: None,
) -> Results:
    """Score clips side by side.

    Parameters
    ----------
    jobs : by their places
    may_start : asked before another clip is begun
    report : called with the clips' worth of work that is under way, 0 to n_processes

    Yields
    ------
    tuple of int and Result
        In the order in which they end. A clip whose process dies is tried once more, alone, when nothing else
        can be done; the others go on.
    """
    todo, again = deque(jobs), deque[tuple[int, str]]()
    with _Crew(n_processes) as crew:

        def hand_out() -> None:
            while todo and crew.free and may_start():
                place = todo.popleft()
                crew.give(place, jobs[place])
            if again and not crew.busy:
                place, how = again.popleft()
                crew.give(place, jobs[place], died=how)

        while todo or again or crew.busy:
            hand_out()
            ended = list(crew.finished(report))
            again += [(place, one.how) for place, died, one in ended if isinstance(one, _Died) and not died]
            hand_out()  # they go on while what came is written
            for place, died, one in ended:
                if not isinstance(one, _Died):
                    yield place, _noted(one, died)
                elif died:
                    yield place, Failed(ENDED_TWICE.format(one.how))


def _noted(result: Result, died: str) -> Result:
    if died and isinstance(result, Scored):
        return replace(result, notes=(*result.notes, SECOND_TRY.format(died)))
    return result


@dataclass(frozen=True)
class _Died:
    """What becomes of a job whose process ended under it."""

    how: str


@dataclass
class _Hand:
    """A process, and the clip at which it works; `died` says how a process before it died of that clip."""

    process: BaseProcess
    pipe: Connection
    place: int = -1
    died: str = ""
    share: float = 0.0


class _Crew:
    """The processes; a context manager that leaves none behind."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._hands: list[_Hand] = []

    def __enter__(self) -> _Crew:
        # What a process that dies was writing lies here, and goes with the crew.
        self._scratch = tempfile.TemporaryDirectory(prefix="needlecoach-", ignore_cleanup_errors=True)
        return self

    def __exit__(self, *problem: object) -> None:
        for hand in self._hands:
            hand.process.terminate()
        for hand in self._hands:
            _end(hand)
        self._scratch.cleanup()

    @property
    def busy(self) -> list[_Hand]:
        return [hand for hand in self._hands if hand.place >= 0]

    @property
    def free(self) -> bool:
        return len(self.busy) < self._most

    def give(self, place: int, job: Job, *, died: str = "") -> None:
        """Have a clip scored by a process that is free, or a new one."""
        idle = [hand for hand in self._hands if hand.place < 0]
        hand = idle[0] if idle else self._hire()
        hand.place, hand.died, hand.share = place, died, 0.0
        with contextlib.suppress(OSError):  # it has died: that is seen when its answer is read
            hand.pipe.send(job)

    def finished(self, report: Callable[[float], None]) -> Iterator[tuple[int, str, Result | _Died]]:
        """Wait until something happens; give the jobs that are at an end."""
        pipes = {hand.pipe: hand for hand in self.busy}
        for pipe in wait(list(pipes)):
            hand = pipes[pipe]  # type: ignore[index]
            said = self._heard(hand)
            if isinstance(said, float):
                hand.share = said
                report(sum(one.share for one in self.busy))
                continue
            place, hand.place = hand.place, -1
            yield place, hand.died, said

    def _heard(self, hand: _Hand) -> float | Result | _Died:
        try:
            said: float | Result = hand.pipe.recv()
            return said
        except (EOFError, OSError):
            self._hands.remove(hand)
            _end(hand)
            code = hand.process.exitcode
            return _Died(f"signal {-code}" if code is not None and code < 0 else f"exit code {code}")

    def _hire(self) -> _Hand:
        # Threads may be running already: a forked process could inherit their locks.
        spawned = multiprocessing.get_context("spawn")
        ours, theirs = spawned.Pipe()
        process = spawned.Process(target=_serve, args=(theirs, self._scratch.name), daemon=True)
        with _undisturbed():
            with sheltered():
                process.start()
            theirs.close()  # or its end would not be noticed
            self._hands.append(_Hand(process, ours))
        return self._hands[-1]


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """Put off a stop until a process has all that it needs to start, and is known.

    Shutting it out (as `sheltered` does for the new process) is not enough here: another thread may take the
    signal, and Python then raises in this one.
    """
    asked: list[int] = []
    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and callable(signal.getsignal(number)):
                before[number] = signal.signal(number, lambda number, _: asked.append(number))
    try:
        yield
    finally:
        for number, former in before.items():
            signal.signal(number, former)
    if asked:
        before[asked[0]](asked[0], None)


def _end(hand: _Hand) -> None:
    hand.pipe.close()
    hand.process.join(_GRACE_S)
    if hand.process.is_alive():
        hand.process.kill()
        hand.process.join()


def _serve(pipe: Connection, scratch: str) -> None:
    """Score what comes through the pipe, until it is closed."""
    settle_in()
    tempfile.tempdir = scratch
    from needlecoach.batch.work import work

    with contextlib.suppress(EOFError, BrokenPipeError):
        while True:
            pipe.send(work(pipe.recv(), _Teller(pipe)))


class _Teller:
    """Tells the command, twice a second, how much of a clip is done."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe, self._told_s = pipe, time.monotonic()

    def __call__(self, share: float) -> None:
        if time.monotonic() - self._told_s >= _REPORT_S:
            self._told_s = time.monotonic()
            self._pipe.send(float(share))
