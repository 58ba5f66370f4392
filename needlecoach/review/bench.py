"""The workbench of the open result: always of the marks and options that the result in its folder has."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from needlecoach.model import Correction, Scorecard
from needlecoach.review.jobs import Report
from needlecoach.review.results import Results
from needlecoach.scored import Wish, completed

if TYPE_CHECKING:
    from needlecoach.workbench import Workbench

SCORED_ANEW = "scored anew meanwhile: the result is now that of the marks as they were scored last."
# How long an end waits for a clip that is still being read through.
_PATIENCE_S = 2.0


class Bench:
    """Reads the clip through once, and again when another program has scored it with other marks."""

    def __init__(self, clip: Path, results: Results) -> None:
        self._clip, self._results = clip, results
        self._lock = threading.Lock()
        self._bench: Workbench | None = None
        self.basis, self.wish = "", Wish()

    @property
    def ready(self) -> bool:
        """Tell whether the clip has been read through."""
        return self._bench is not None

    def open(self, report: Report) -> None:
        """Read the clip through, unless that was done for the result as it is now."""
        with self._lock:
            self._fresh(report)

    def score(self, corrections: Sequence[Correction], report: Report) -> tuple[Scorecard, str]:
        """Work corrections in; return the card, and a word if it is of other marks than the last one."""
        with self._lock:
            bench, note = self._fresh(report)
            card = bench.score(corrections)
        return completed(card, self.wish, self._results.folder.parent), note

    def close(self) -> None:
        """Let go of the pictures; the next correction reads the clip through again."""
        if not self._lock.acquire(timeout=_PATIENCE_S):
            return  # still reading: who reads lets go when it is stopped
        try:
            self._drop()
        finally:
            self._lock.release()

    def _fresh(self, report: Report) -> tuple[Workbench, str]:
        note = ""
        if self._bench is not None and self._results.changed_since(self.basis):
            self._drop()
            note = SCORED_ANEW
        if self._bench is None:
            self._bench = self._opened(report)
        return self._bench, note

    def _opened(self, report: Report) -> Workbench:
        # Imported here: all that follows needles would hold up the first frame.
        from needlecoach.workbench import Workbench

        self.basis = self._results.basis()  # before the rest: a change in between is seen next time
        marks, self.wish = self._results.marks(self._clip), self._results.wish()
        bench = Workbench(
            self._clip,
            marks,
            no_target=self.wish.no_target,
            fps=self.wish.fps,
            pass_withdrawal_mm=self.wish.pass_withdrawal_mm,
        )
        with contextlib.ExitStack() as stack:
            stack.callback(bench.close)
            bench.open(report)
            report(1, 1)
            stack.pop_all()
        return bench

    def _drop(self) -> None:
        bench, self._bench = self._bench, None
        if bench is not None:
            bench.close()
