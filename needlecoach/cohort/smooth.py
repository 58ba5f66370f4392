"""Smooth courses through a learner's attempts, with a 95 % band.

A cubic smoothing spline over the square root of the attempt's number, as learning is quickest at first, seen
as a course that wanders at random (Wahba, J R Stat Soc B 1978;40:364): what is known of it after the data
gives middle and band at once. How much it bends is not chosen but averaged over, each amount weighed by how
well it explains the data, so that the band holds that doubt too. No direction is assumed: learners get worse
as well.

The band is for the course, not for single attempts. It covers 95 % on the average over a course (Nychka, J Am
Stat Assoc 1988;83:1134); less at a sudden turn, more elsewhere. Attempts count as independent of each other,
given the course.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import expit, ndtri, stdtrit

from needlecoach.cohort.courses import NumberFit, fit_numbers, gains_for, share_courses
from needlecoach.cohort.spline import KNOTS, Basis, Places, basis_over, laid_out
from needlecoach.cohort.values import Smooth
from needlecoach.model import FloatArray

FEWEST_POINTS = 6
FEWEST_PLACES = 4
SUPPORT = 40
UPPER = 0.975
# The band is drawn a little wider than the sum says, for turns (see courses.LEAN).
WIDER = 1.1
# What may be added to values >= 0 before taking logarithms, in medians: 0 where they scatter by shares of
# themselves, 30 where they scatter evenly. 0 only if no value lies below a fiftieth of the median.
OFFSETS = (0.0, 0.1, 0.3, 1.0, 3.0, 30.0)
NEXT_TO_ZERO = 0.02
SHARE_BENDS = 7


@dataclass(frozen=True, eq=False)
class Series:
    """Known values (n,), places and columns for them, and the orders (40,) at which a course is drawn."""

    value: FloatArray
    places: Places
    basis: Basis
    at: FloatArray


def smooth_numbers(order: FloatArray, value: FloatArray) -> Smooth | None:
    """The course of a measure over attempts, at 40 points, with its 95 % band.

    Parameters
    ----------
    order, value : FloatArray
        (n,) each, in any order; ties are welcome, and NaN is left out.

    Returns
    -------
    Smooth | None
        None under 6 known points, or at under 4 different orders. Where no value lies below 0, the work is
        done on a logarithmic scale that the data choose, and neither middle nor band falls below 0; the
        middle is then near the median of such attempts, not their mean. Values that are all alike have a band
        without width.
    """
    series = _series(order, value, KNOTS)
    if series is None:
        return None
    if np.ptp(series.value) == 0:
        return Smooth(series.at, *(np.full(SUPPORT, series.value[0]) for _ in range(3)))
    offset, fit = _best_scale(series)
    middle, sd = fit.courses().mixed()
    half = WIDER * stdtrit(fit.points - 2, UPPER) * sd
    return Smooth(series.at, *(_unscaled(line, offset) for line in (middle, middle - half, middle + half)))


def smooth_shares(order: FloatArray, success: FloatArray) -> Smooth | None:
    """The course of the chance of success over attempts, from 0s and 1s, at 40 points, with its 95 % band.

    Parameters
    ----------
    order, success : FloatArray
        (n,) each, in any order; ties are welcome, and NaN is left out.

    Returns
    -------
    Smooth | None
        All within 0 to 1; None under 6 known points, or at under 4 different orders. The band reaches to 1
        where all succeeded and to 0 where none did.
    """
    series = _series(order, success, SHARE_BENDS)
    if series is None:
        return None
    middle, sd = share_courses(series.basis, series.places, series.value).mixed()
    half = WIDER * float(ndtri(UPPER)) * sd
    low = expit(middle - half) if series.value.any() else np.zeros(SUPPORT)
    high = np.ones(SUPPORT) if series.value.all() else expit(middle + half)
    return Smooth(series.at, expit(middle), low, high)


def _series(order: FloatArray, value: FloatArray, bends: int) -> Series | None:
    """Known points made ready, or None where they are too few."""
    order, value = np.asarray(order, float), np.asarray(value, float)
    known = np.isfinite(order) & np.isfinite(value)
    order, value = order[known], value[known]
    if len(order) < FEWEST_POINTS or len(np.unique(order)) < FEWEST_PLACES:
        return None
    return Series(value, *_course(order.tobytes(), bends))


@lru_cache(maxsize=32)
def _course(order: bytes, bends: int) -> tuple[Places, Basis, FloatArray]:
    """What depends on the orders alone; kept, as most of a learner's measures are known at the same ones."""
    orders = np.frombuffer(order)
    first, last = orders.min(), orders.max()
    at = np.linspace(first, last, SUPPORT)
    along, shown = (np.sqrt(np.maximum(x - first, 0) + 1) - 1 for x in (orders, at))
    places = laid_out(along / shown[-1])
    at.flags.writeable = False  # shared by all who ask
    return places, basis_over(places, shown / shown[-1], bends), at


def _best_scale(series: Series) -> tuple[float | None, NumberFit]:
    """The scale on which values are likeliest (Box and Cox, J R Stat Soc B 1964;26:211), and its fit."""
    offsets = _offsets(series.value)
    scaled = np.array(
        [series.value if offset is None else np.log(series.value + offset) for offset in offsets]
    )
    fits = fit_numbers(series.basis, series.places, scaled, gains_for(len(series.value)))
    likelihoods = [
        float(np.logaddexp.reduce(fit.log_weight)) - (0.0 if offset is None else float(row.sum()))
        for fit, offset, row in zip(fits, offsets, scaled, strict=True)
    ]
    best = int(np.argmax(likelihoods))
    return offsets[best], fits[best]


def _offsets(value: FloatArray) -> list[float | None]:
    """What may be added before taking logarithms; None, for values below 0, is to take none."""
    if value.min() < 0:
        return [None]
    median = float(np.median(value[value > 0]))
    clear = value.min() > NEXT_TO_ZERO * median
    return [share * median for share in OFFSETS if share > 0 or clear]


def _unscaled(line: FloatArray, offset: float | None) -> FloatArray:
    """Back from the logarithmic scale, held at 0 or above."""
    return line if offset is None else np.maximum(np.exp(line) - offset, 0.0)
