"""How long pictures took from the camera to the page, by the clock of this process alone."""

from __future__ import annotations

import math
import threading
from collections import deque
from typing import Any

# About ten seconds: what the page says is of now.
LATELY = 300
_MOST_MS = 5000


class Latency:
    """Times in whole ms; the latest ones one by one, all of them as counts, so that hours take no room."""

    def __init__(self) -> None:
        self._lately: deque[int] = deque(maxlen=LATELY)
        self._counts = [0] * (_MOST_MS + 1)
        self._lock = threading.Lock()

    def add(self, taken_s: float) -> None:
        """Take in one picture's time; longer ones than 5 s count as 5 s."""
        ms = min(max(math.ceil(taken_s * 1000), 0), _MOST_MS)
        with self._lock:
            self._lately.append(ms)
            self._counts[ms] += 1

    def lately(self) -> dict[str, Any]:
        """Median and 95th percentile of the latest pictures, ms; None before the first."""
        with self._lock:
            times = sorted(self._lately)
        n = len(times)
        at = [times[_rank(share, n) - 1] if n else None for share in (0.5, 0.95)]
        return {"n": n, "median_ms": at[0], "p95_ms": at[1]}

    def all(self) -> dict[str, Any]:
        """The same of all pictures ever drawn."""
        with self._lock:
            counts = list(self._counts)
        n = sum(counts)
        at = [_at_rank(counts, _rank(share, n)) if n else None for share in (0.5, 0.95)]
        return {"n": n, "median_ms": at[0], "p95_ms": at[1]}


def _rank(share: float, n: int) -> int:
    """Nearest rank, counted from 1: the smallest value that a share of all does not exceed."""
    return max(math.ceil(share * n), 1)


def _at_rank(counts: list[int], rank: int) -> int:
    passed = 0
    for ms, count in enumerate(counts):
        passed += count
        if passed >= rank:
            return ms
    return len(counts) - 1
