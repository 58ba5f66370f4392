"""A recording followed window by window, so that memory does not grow with its length."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, fields, replace

import numpy as np

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.beside import MOST_FRAMES, WINDOW_S
from needlecoach.tracking.tip import spells

# It ends where no needle was in for this long, seen from far enough inside it to be sure.
QUIET_S = 1.0
SURE_S = 1.5
# A needle just gone has left its trail settled, and its after-image faded, after so long.
SETTLED_S = 2.5
# Where a needle is in all the time, neighbouring windows share so much.
SHARED_S = 4.0

FLAGS = {"needle_present", "tip_visible"}


@dataclass(frozen=True, eq=False)
class NeedleRows:
    """The needle of some frames on end, a row each, as in `model.Track`, and the greys along its line.

    `strip` (n, n_samples) uint8 has as many samples as its frames' line is long; `strip_start_px` (n, 2) is
    the place of the first one, `strip_step_px` (n, 2) the way from each to the next, NaN without a line.
    """

    needle_present: BoolArray
    tip_px: FloatArray
    tip_visible: BoolArray
    tip_sd_mm: FloatArray
    entry_px: FloatArray
    angle_deg: FloatArray
    shaft_visible_share: FloatArray
    trail_end_px: FloatArray
    trail_sd_mm: FloatArray
    trail_beyond_mm: FloatArray
    trail_beyond_sd_mm: FloatArray
    strip: GreyImage
    strip_start_px: FloatArray
    strip_step_px: FloatArray

    @classmethod
    def none(cls, n: int) -> NeedleRows:
        """Rows of n frames without a needle."""
        names = [item.name for item in fields(cls) if item.name != "strip"]
        shape = {name: (n, 2) if name.endswith("_px") else (n,) for name in names}
        return cls(
            strip=np.zeros((n, 1), dtype=np.uint8),
            **{
                name: np.zeros(n, dtype=bool) if name in FLAGS else np.full(shape[name], np.nan)
                for name in names
            },
        )

    def cut(self, first: int, end: int) -> NeedleRows:
        """Rows from first up to, not including, end."""
        return NeedleRows(*(getattr(self, item.name)[first:end] for item in fields(self)))

    def copy(self) -> NeedleRows:
        """The same rows, free to be changed."""
        return NeedleRows(*(getattr(self, item.name).copy() for item in fields(self)))

    @classmethod
    def joined(cls, parts: list[NeedleRows]) -> NeedleRows:
        """Rows of all parts, one after the other; shorter strips end in black."""
        longest = max(part.strip.shape[1] for part in parts)
        padded = [
            replace(part, strip=np.pad(part.strip, ((0, 0), (0, longest - part.strip.shape[1]))))
            for part in parts
        ]
        return cls(*(np.concatenate([getattr(part, item.name) for part in padded]) for item in fields(cls)))


@dataclass(frozen=True, eq=False)
class Window:
    """Pictures on end with their times (n,) and drifts (n, 3), from frame `first` of the clip on.

    Those before `fresh` belong to the window before and only give context; `last` is its last row, None for
    the first window.
    """

    pictures: list[GreyImage]
    time_s: FloatArray
    drift: FloatArray
    fresh: int
    last: NeedleRows | None
    first: int = 0


Follow = Callable[[Window], NeedleRows]
Told = Callable[[NeedleRows], None]


class Windows:
    """Collects steadied pictures and has them followed in windows, beside the reading of the next ones.

    Use as a context manager; `rows` gives the whole once all pictures have been added. Windows are followed
    by `beside`, the last of them by the caller; without it, by a thread of their own. Once all pictures are
    in, `told` is called with the rows known so far, each time before more are waited for.
    """

    def __init__(self, follow: Follow, beside: Executor | None = None, told: Told | None = None) -> None:
        self._follow, self._told = follow, told
        self._thread: ThreadPoolExecutor | None = None
        if beside is None:
            self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="needlecoach-follow")
        self._beside = beside or self._thread
        self._pictures: list[GreyImage] = []
        self._time_s: list[float] = []
        self._drift: list[FloatArray] = []
        self._fresh, self._first = 0, 0
        self._pending: tuple[Future[NeedleRows], int] | None = None
        self._done: list[NeedleRows] = []

    def __enter__(self) -> Windows:
        return self

    def __exit__(self, *problem: object) -> None:
        if self._pending is not None:
            self._pending[0].cancel()
        if self._thread is not None:
            self._thread.shutdown(cancel_futures=True)

    def add(self, picture: GreyImage, time_s: float, drift: FloatArray) -> None:
        """Take in the next picture; waits when the following lags two windows behind."""
        self._pictures.append(picture)
        self._time_s.append(time_s)
        self._drift.append(drift)
        if self._pending is not None and (self._pending[0].done() or len(self._pictures) > 2 * MOST_FRAMES):
            self._take()
        if self._pending is None and (end := self._end()):
            self._submit(end)

    def rows(self) -> NeedleRows:
        """Follow what is left; rows of all pictures."""
        while self._pending is not None or self._fresh < len(self._pictures):
            if self._told is not None and self._done:
                self._told(NeedleRows.joined(self._done))
            if self._pending is not None:
                self._take()
            elif end := self._end():
                self._submit(end)
            else:
                rows = self._follow(self._window(len(self._pictures)))
                self._done.append(rows.cut(self._fresh, len(self._pictures)))
                self._fresh = len(self._pictures)
        return NeedleRows.joined(self._done) if self._done else NeedleRows.none(0)

    def _end(self) -> int:
        """End of the next window, set by the pictures alone; 0 while it is not full."""
        if len(self._time_s) <= self._fresh:
            return 0
        full_s = self._time_s[self._fresh] + WINDOW_S
        if len(self._pictures) >= MOST_FRAMES or self._time_s[-1] >= full_s:
            return min(int(np.searchsorted(self._time_s, full_s)), MOST_FRAMES)
        return 0

    def _window(self, end: int) -> Window:
        before = self._done[-1] if self._done else None
        last = None if before is None else before.cut(len(before.angle_deg) - 1, len(before.angle_deg))
        time_s, drift = np.array(self._time_s[:end]), np.array(self._drift[:end])
        return Window(self._pictures[:end], time_s, drift, self._fresh, last, self._first)

    def _submit(self, end: int) -> None:
        assert self._beside is not None
        self._pending = (self._beside.submit(self._follow, self._window(end)), end)

    def _take(self) -> None:
        """Keep what a window tells for sure, and begin the next one where it stops."""
        assert self._pending is not None
        rows, end = self._pending[0].result(), self._pending[1]
        self._pending = None
        cut, restart = seam(rows.needle_present, np.array(self._time_s[:end]), self._fresh)
        self._done.append(rows.cut(self._fresh, cut))
        del self._pictures[:restart], self._time_s[:restart], self._drift[:restart]
        self._fresh, self._first = cut - restart, self._first + restart


def seam(present: BoolArray, time_s: FloatArray, fresh: int) -> tuple[int, int]:
    """Choose where a window ends and where the next one begins, as frame numbers.

    The last quiet time is best, long enough after a needle has gone for its trail to be seen; the next window
    begins as that needle leaves. Where a needle is in all along, both windows share some seconds.
    """
    for first, end in reversed(spells(~present)):
        start_s, stop_s = time_s[first], min(time_s[end - 1], time_s[-1] - SURE_S)
        if end > fresh and stop_s - start_s >= QUIET_S and time_s[first] > time_s[fresh]:
            return int(np.searchsorted(time_s, min(start_s + SETTLED_S, stop_s))), first
    # A short window (many pictures a second, a hole in the recording) must bring some rows of its own too.
    shared_s = min(SHARED_S, (time_s[-1] - time_s[0]) / 3)
    cut = max(int(np.searchsorted(time_s, time_s[-1] - shared_s)), fresh + 1)
    last_s = time_s[min(cut, len(time_s) - 1)]
    return cut, max(int(np.searchsorted(time_s, last_s - shared_s)), 1)
