"""Recordings of attempts scored in another process, exactly as the command `score` does it."""

from __future__ import annotations

import traceback
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Future
from dataclasses import dataclass
from pathlib import Path

from needlecoach.apart import Apart
from needlecoach.errors import NeedlecoachError
from needlecoach.live.figures import Verdict, verdict_of
from needlecoach.marks import MarkOptions
from needlecoach.reporting.results import write_results
from needlecoach.scored import Wish, completed, scorable_marks, scored_card
from needlecoach.tracking.beside import another_process

# Following and recording go first (nice(2); common practice): a live card is there meanwhile.
_POLITENESS = 15


@dataclass(frozen=True)
class Order:
    """A recording to be scored into `out/name`; `within_s` is when in it the attempt was, as told live."""

    clip: Path
    out: Path
    name: str
    how: Wish
    within_s: tuple[float, float] | None = None


@dataclass(frozen=True)
class Hindsight:
    """What came of it: the verdict, or in `fault` why there is none."""

    verdict: Verdict | None = None
    fault: str = ""


Done = Callable[[Hindsight], None]


class Scorer:
    """Scores one recording after the other in a process of its own; `close` it."""

    def __init__(self) -> None:
        self._pool: Apart | None = None
        self._waiting = 0
        self._closed = False

    @property
    def waiting(self) -> int:
        """How many are being scored or wait for it."""
        return self._waiting

    def submit(self, order: Order, done: Done) -> None:
        """Score a recording; `done` is called from another thread with what came of it, once."""
        self._waiting += 1
        future = self._submitted(order)
        future.add_done_callback(lambda finished: self._told(finished, order, done))

    def _submitted(self, order: Order) -> Future[Hindsight]:
        for _ in range(2):  # a process that was ended from outside is replaced once
            if self._pool is None:
                self._pool = another_process(_POLITENESS)
            try:
                return self._pool.submit(look_back, order)
            except (BrokenExecutor, RuntimeError):
                self._pool = None
        failed: Future[Hindsight] = Future()
        failed.set_result(Hindsight(fault=_LEFT.format(clip=order.clip)))
        return failed

    def _told(self, finished: Future[Hindsight], order: Order, done: Done) -> None:
        self._waiting -= 1
        if finished.cancelled() or finished.exception() is not None:
            done(Hindsight(fault=_LEFT.format(clip=order.clip)))
        else:
            done(finished.result())

    def close(self) -> None:
        """Give up what waits; what is being scored is given up too, its recording stays."""
        pool, self._pool = self._pool, None
        if pool is not None:
            pool.end()


_LEFT = "Its recording was not scored; do it with: needlecoach score {clip}"


def look_back(order: Order) -> Hindsight:
    """Score a recording into its results folder; never raises."""
    try:
        marks = scorable_marks(order.clip, MarkOptions(), no_target=order.how.no_target)
        # In one process, which leaves the other core to the follower: as `score` does it of several clips.
        card = completed(scored_card(order.clip, marks, order.how), order.how, order.out)
        write_results(card, order.out, replay=order.how.replay, name=order.name)
        return Hindsight(verdict_of(card, order.within_s))
    except NeedlecoachError as problem:
        return Hindsight(fault=f"Its recording can't be scored: {' '.join(str(problem).split())}")
    except Exception:  # a defect of ours: its traceback is kept, and the day goes on
        traceback.print_exc()
        return Hindsight(fault=f"An error of this program. {_LEFT.format(clip=order.clip)}")
