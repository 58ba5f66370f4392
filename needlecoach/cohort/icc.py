"""Intraclass correlation: agreement in numbers, in all six forms."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy import stats

from needlecoach.cohort.coefficient import CONFIDENCE, Coefficient, too_few, without
from needlecoach.model import FloatArray

# What each form means, in the names of Shrout & Fleiss, Psychol Bull 1979;86:420.
FORMS: Mapping[str, str] = MappingProxyType(
    {
        "ICC(1,1)": "one-way random, single rater: each attempt rated by raters drawn anew",
        "ICC(2,1)": "two-way random, absolute agreement, single rater: these raters stand for others; who "
        "rates "
        "higher throughout counts as disagreement",
        "ICC(3,1)": "two-way mixed, consistency, single rater: these raters only; who rates higher "
        "throughout "
        "does not count",
        "ICC(1,k)": "one-way random, mean of the raters",
        "ICC(2,k)": "two-way random, absolute agreement, mean of the raters",
        "ICC(3,k)": "two-way mixed, consistency, mean of the raters",
    }
)


@dataclass(frozen=True)
class _Squares:
    """Mean squares of n attempts by k raters: between attempts, within them, between raters, left over."""

    n: int
    k: int
    attempts: float
    within: float
    raters: float
    error: float


def complete(values: FloatArray) -> FloatArray:
    """Keep the rows (attempts) that every column (rater) has a value of."""
    return values[np.isfinite(values).all(axis=1)]


def icc(values: FloatArray) -> tuple[Coefficient, ...]:
    """Return the six forms, in the order of `FORMS`, with 95 % intervals by F.

    Parameters
    ----------
    values : (attempts, raters); attempts with a NaN are left out (complete cases)

    Notes
    -----
    Shrout & Fleiss 1979; intervals of the second form by McGraw & Wong, Psychol Methods 1996;1:30. A value
    can lie below 0: the raters then differ more than the attempts do.
    """
    values = complete(values)
    n, k = values.shape
    reason = too_few(n) if k >= 2 else "one rater only"
    if not reason and np.ptp(values) == 0:
        reason = "all ratings are the same, so nothing tells the attempts apart"
    if reason:
        return tuple(without(name, n, reason) for name in FORMS)
    squares = _squares(values)
    return (*_singles(squares), *_means(squares))


def _squares(values: FloatArray) -> _Squares:
    n, k = values.shape
    values = values - values.mean()
    rows, columns = values.mean(axis=1), values.mean(axis=0)
    left = values - rows[:, None] - columns[None, :]
    within = ((values - rows[:, None]) ** 2).sum()
    # What is left of rounding only is nothing: it would turn into a ratio of two accidents.
    floor = 1e-24 * float((values**2).sum())
    error = float((left**2).sum())
    return _Squares(
        n,
        k,
        attempts=float(k * (rows**2).sum() / (n - 1)),
        within=float(within / (n * (k - 1))),
        raters=float(n * (columns**2).sum() / (k - 1)),
        error=0.0 if error < floor else error / ((n - 1) * (k - 1)),
    )


def _singles(of: _Squares) -> tuple[Coefficient, ...]:
    n, k = of.n, of.k
    both = of.attempts + (k - 1) * of.error
    return (
        _by_f("ICC(1,1)", of, of.within, n * (k - 1), single=True),
        _absolute(
            "ICC(2,1)",
            of,
            _ratio(of.attempts - of.error, both + k * (of.raters - of.error) / n),
            _absolute_interval(of),
        ),
        _by_f("ICC(3,1)", of, of.error, (n - 1) * (k - 1), single=True),
    )


def _means(of: _Squares) -> tuple[Coefficient, ...]:
    n, k = of.n, of.k
    low, high = (k * bound / (1 + bound * (k - 1)) for bound in _absolute_interval(of))
    return (
        _by_f("ICC(1,k)", of, of.within, n * (k - 1), single=False),
        _absolute(
            "ICC(2,k)",
            of,
            _ratio(of.attempts - of.error, of.attempts + (of.raters - of.error) / n),
            (low, high),
        ),
        _by_f("ICC(3,k)", of, of.error, (n - 1) * (k - 1), single=False),
    )


def _by_f(name: str, of: _Squares, error: float, freedom: int, *, single: bool) -> Coefficient:
    """Forms one and three: attempts against `error` with `freedom` degrees, a ratio that follows F."""
    if of.attempts == 0:
        return without(name, of.n, "the attempts do not differ in their means")
    if error == 0:
        return Coefficient(
            name, 1.0, math.nan, math.nan, of.n, "no interval: the raters do not differ at all"
        )
    ratio, of_attempts = of.attempts / error, of.n - 1
    bounds = (
        ratio,
        ratio / float(stats.f.ppf((1 + CONFIDENCE) / 2, of_attempts, freedom)),
        ratio * float(stats.f.ppf((1 + CONFIDENCE) / 2, freedom, of_attempts)),
    )
    value, low, high = ((f - 1) / (f + of.k - 1) if single else 1 - 1 / f for f in bounds)
    return Coefficient(name, value, low, high, of.n)


def _absolute(name: str, of: _Squares, value: float, interval: tuple[float, float]) -> Coefficient:
    if not math.isfinite(value):
        return without(name, of.n, "the attempts do not differ in their means")
    if not all(map(math.isfinite, interval)):
        why = "no interval: beside a constant difference the raters do not differ"
        return Coefficient(name, value, math.nan, math.nan, of.n, why)
    return Coefficient(name, value, *interval, of.n)


def _ratio(above: float, below: float) -> float:
    return above / below if below != 0 else math.nan


def _absolute_interval(of: _Squares) -> tuple[float, float]:
    """Interval of ICC(2,1) with Satterthwaite's degrees of freedom; NaN where there is no error to go by."""
    n, k = of.n, of.k
    if of.error == 0 or of.attempts == 0:
        return math.nan, math.nan
    value = _ratio(of.attempts - of.error, of.attempts + (k - 1) * of.error + k * (of.raters - of.error) / n)
    freedom = _freedom(of, value)
    wide = float(stats.f.ppf((1 + CONFIDENCE) / 2, n - 1, freedom))
    other = float(stats.f.ppf((1 + CONFIDENCE) / 2, freedom, n - 1))
    raters = k * of.raters + (k * n - k - n) * of.error
    low = n * (of.attempts - wide * of.error) / (wide * raters + n * of.attempts)
    high = n * (other * of.attempts - of.error) / (raters + n * other * of.attempts)
    return low, high


def _freedom(of: _Squares, value: float) -> float:
    n, k = of.n, of.k
    ratio = of.raters / of.error
    rest = n * (1 + (k - 1) * value) - k * value
    above = (n - 1) * (k - 1) * (k * value * ratio + rest) ** 2
    return above / ((n - 1) * (k * value * ratio) ** 2 + rest**2)
