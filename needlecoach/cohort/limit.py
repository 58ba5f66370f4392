"""The limit of a sum that never falls below 0, found by simulation."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from math import floor

import numpy as np

from needlecoach.model import FloatArray

# A limit is said in hundredths, so that one read off a page and given again is the same limit.
PER_UNIT = 100
# Two sums of the same steps taken in another order are equal.
TOUCH = 1e-9
# Draws are kept for some more trials than asked for, unless they took more than 8 MB.
_AT_ONCE, _MOST_KEPT = 50, 1_000_000


def sums(steps: FloatArray) -> FloatArray:
    """S = max(0, S + step) after each step (n,), from 0."""
    total = np.cumsum(np.asarray(steps, float))
    return total - np.minimum(np.minimum.accumulate(total), 0.0)


def simulated_highs(
    chance_of_failure: FloatArray, failure: FloatArray, success: FloatArray, *, runs: int, seed: int
) -> FloatArray:
    """The highest sum that each of `runs` simulated learners reaches.

    Parameters
    ----------
    chance_of_failure, failure, success : FloatArray
        (n,) each: for each trial the chance of failure, and the step that a failure and a success is worth.

    Returns
    -------
    FloatArray
        (runs,), 0 and above; 0 for n = 0. The same for the same seed.
    """
    trials = list(zip(chance_of_failure, failure, success, strict=True))
    total, high = np.zeros(runs), np.zeros(runs)
    for drawn, (chance, down, up) in zip(_draws(len(trials), runs, seed), trials, strict=False):
        total += np.where(drawn < chance, down, up)
        np.maximum(total, 0.0, out=total)
        np.maximum(high, total, out=high)
    return high


def _draws(trials: int, runs: int, seed: int) -> Iterable[FloatArray]:
    """Numbers (runs,) from 0 to 1 for each trial, and perhaps some more; each trial's are always the same."""
    rounded = -(-trials // _AT_ONCE) * _AT_ONCE
    if rounded * runs <= _MOST_KEPT:
        return _kept(rounded, runs, seed)
    rng = np.random.default_rng(seed)
    return (rng.random(runs) for _ in range(trials))


@lru_cache(maxsize=4)
def _kept(trials: int, runs: int, seed: int) -> FloatArray:
    """Drawn once for all learners: drawing anew takes as long as half of the sums."""
    drawn: FloatArray = np.random.default_rng(seed).random((trials, runs))
    drawn.flags.writeable = False
    return drawn


def reached(highs: FloatArray, limit: float) -> float:
    """Share of highs that are at the limit or beyond it."""
    return float(np.mean(highs >= limit - TOUCH))


def smallest_limit(highs: FloatArray, share: float) -> float:
    """The smallest limit, in hundredths and above 0, that at most `share` of the highs reach."""
    allowed = floor(share * len(highs) + TOUCH)
    beyond = float(np.sort(highs)[len(highs) - allowed - 1])
    return (floor(beyond * PER_UNIT + 1e-6) + 1) / PER_UNIT
