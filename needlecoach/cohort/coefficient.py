"""A statistic of agreement with its interval, and what the statistics share."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

# Categories by their number, -1 for not rated.
IntArray = npt.NDArray[np.int64]

# Fewer subjects than this say nothing of agreement: the formulas need two degrees of freedom.
LEAST = 3
CONFIDENCE = 0.95


@dataclass(frozen=True)
class Coefficient:
    """One statistic: its name, value, 95 % interval and the number of attempts behind it.

    Without a value, value and interval are NaN and `reason` says why in words; with a value but no interval,
    `reason` says why there is none.
    """

    statistic: str
    value: float
    low: float
    high: float
    n: int
    reason: str = ""


def without(statistic: str, n: int, reason: str) -> Coefficient:
    """Return a coefficient that has no value, for the reason said."""
    return Coefficient(statistic, math.nan, math.nan, math.nan, n, reason)


def too_few(n: int) -> str:
    """Say that n attempts are too few; empty when they are not."""
    return "" if n >= LEAST else f"only {n} rated by both, {LEAST} are needed"


def with_t(
    statistic: str, value: float, variance: float, n: int, *, lowest: float = -1.0, highest: float = 1.0
) -> Coefficient:
    """Value with an interval by Student's t with n - 1 degrees of freedom, kept within what can be.

    A variance of 0 gives no interval: it comes of ratings that all agree, of which a large-sample formula
    knows nothing.
    """
    if not variance > 1e-15:
        return Coefficient(
            statistic, value, math.nan, math.nan, n, "no interval: the formula has none where all agree alike"
        )
    half = float(stats.t.ppf((1 + CONFIDENCE) / 2, n - 1)) * math.sqrt(variance)
    return Coefficient(statistic, value, max(lowest, value - half), min(highest, value + half), n)


def share(statistic: str, same: int, n: int) -> Coefficient:
    """Share of n with Wilson's interval (J Am Stat Assoc 1927;22:209)."""
    if n == 0:
        return without(statistic, 0, "nothing rated by both")
    found = stats.binomtest(same, n).proportion_ci(CONFIDENCE, method="wilson")
    return Coefficient(statistic, same / n, float(found.low), float(found.high), n)
