"""Agreement in numbers by Bland and Altman: mean difference, limits of agreement, and what bears on them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from needlecoach.cohort.coefficient import CONFIDENCE, Coefficient, too_few
from needlecoach.model import FloatArray

# Covers 95 % of a normal distribution; the article of 1986 rounds it to 2.
USUAL = 1.96


@dataclass(frozen=True, eq=False)
class BlandAltman:
    """Differences (first less second) of n pairs against their means.

    `lower` and `upper` are the limits of agreement, each with its interval; `slope` is how the
    difference changes per unit of the mean. `reason` says why there is none of it; values are then NaN.
    """

    mean: Coefficient
    sd: float
    lower: Coefficient
    upper: Coefficient
    slope: Coefficient
    at: FloatArray
    difference: FloatArray
    reason: str = ""


def bland_altman(first: FloatArray, second: FloatArray, *, multiple: float = USUAL) -> BlandAltman:
    """Compare two raters' numbers, each (n,); pairs with a NaN are left out.

    Parameters
    ----------
    multiple : standard deviations from the mean to each limit

    Notes
    -----
    Bland & Altman, Lancet 1986;i:307. The mean's interval is by Student's t. Those of the limits are exact
    for normal differences, by the noncentral t distribution (Carkeet, Optom Vis Sci 2015;92:e71); the usual
    formula is nearly symmetric about the limit, which they are not in small numbers. The slope is
    that of least squares with its t interval; it also departs from 0 where one rater's values
    spread more than the other's.
    """
    both = np.isfinite(first) & np.isfinite(second)
    difference, at = (first - second)[both], ((first + second) / 2)[both]
    n = len(difference)
    if few := too_few(n):
        nothing = Coefficient("", math.nan, math.nan, math.nan, n, few)
        return BlandAltman(nothing, math.nan, nothing, nothing, nothing, at, difference, few)
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    sd = 0.0 if sd < 1e-12 * max(1.0, float(np.abs(at).max())) else sd
    half = float(stats.t.ppf((1 + CONFIDENCE) / 2, n - 1)) * sd / math.sqrt(n)
    near, far = exact_factors(n, multiple)
    why = "" if sd else "no interval: all differences are the same"
    upper = Coefficient("upper limit", mean + multiple * sd, mean + near * sd, mean + far * sd, n, why)
    lower = Coefficient("lower limit", mean - multiple * sd, mean - far * sd, mean - near * sd, n, why)
    middle = Coefficient("mean difference", mean, mean - half, mean + half, n, why)
    return BlandAltman(middle, sd, lower, upper, _slope(at, difference), at, difference)


def exact_factors(n: int, multiple: float) -> tuple[float, float]:
    """Standard deviations from the mean difference to both ends of the 95 % interval of an upper limit."""
    tail = (1 - CONFIDENCE) / 2
    low, high = stats.nct.ppf([tail, 1 - tail], n - 1, multiple * math.sqrt(n)) / math.sqrt(n)
    return float(low), float(high)


def _slope(at: FloatArray, difference: FloatArray) -> Coefficient:
    n, name = len(at), "slope on the mean"
    spread = float(((at - at.mean()) ** 2).sum())
    if spread <= 1e-24 * max(1.0, float((at**2).sum())):
        return Coefficient(name, math.nan, math.nan, math.nan, n, "the means do not differ")
    fit = stats.linregress(at, difference)
    half = float(stats.t.ppf((1 + CONFIDENCE) / 2, n - 2)) * float(fit.stderr)
    return Coefficient(name, float(fit.slope), float(fit.slope) - half, float(fit.slope) + half, n)
