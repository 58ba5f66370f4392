"""What is known of a smooth course after the data, for each of several amounts of bending."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from needlecoach.cohort.spline import Basis, Places
from needlecoach.model import FloatArray

# How far the first bend may stand out of the noise, as a ratio of variances: from next to a straight line to
# a course near each point. The upper end is for each point.
LEAST_GAIN, MOST_GAIN_PER_POINT = 0.03, 10.0
STEPS = np.linspace(0.0, 1.0, 13)
# More bending is held a little likelier beforehand: a real course turns at one place and rests elsewhere,
# which one that wanders evenly does not (from simulation, tests/cohort/test_smooth.py).
LEAN = 0.15

# Of a share, in logits, before the data: sd of its level, of its rise from first to last, and of what it
# wanders.
LEVEL_SD, RISE_SD = 2.5, 4.0
WANDER_SDS = np.array([0.5, 2.0, 8.0, 32.0])
NEWTON_STEPS = 25
CLOSE = 1e-6


@dataclass(frozen=True, eq=False)
class Courses:
    """For each amount of bending: log weight (g,), course (g, m) and its variance (g, m) at points shown."""

    log_weight: FloatArray
    middle: FloatArray
    variance: FloatArray

    def mixed(self) -> tuple[FloatArray, FloatArray]:
        """Middle (m,) and sd (m,) over all amounts of bending."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        weight /= weight.sum()
        middle = weight @ self.middle
        return middle, np.sqrt(weight @ (self.variance + (self.middle - middle) ** 2))


@dataclass(frozen=True, eq=False)
class NumberFit:
    """Numbers held against a basis: `line` (2,) and `bend` (k,) are lengths along its columns.

    For each amount of bending: `gain` (g, k) of bends over noise, sum of squares (g,), log weight (g,).
    """

    basis: Basis
    points: int
    line: FloatArray
    bend: FloatArray
    gain: FloatArray
    squares: FloatArray
    log_weight: FloatArray

    def courses(self) -> Courses:
        """Courses for each gain; the noise's variance is estimated with n - 2 degrees of freedom."""
        basis, kept = self.basis, self.gain / (1 + self.gain)
        middle = basis.line_shown @ self.line + (kept * self.bend / basis.size) @ basis.bend_shown.T
        spread = (basis.line_shown**2).sum(axis=1) + (kept / basis.size**2) @ (basis.bend_shown**2).T
        return Courses(self.log_weight, middle, spread * (self.squares / (self.points - 2))[:, None])


def gains_for(points: int) -> FloatArray:
    """Ratios of variances of first bend and noise that are averaged over, (g,)."""
    gains: FloatArray = LEAST_GAIN * (MOST_GAIN_PER_POINT * points / LEAST_GAIN) ** STEPS
    return gains


def fit_numbers(basis: Basis, places: Places, values: FloatArray, gains: FloatArray) -> list[NumberFit]:
    """Hold values (s, n), each row by itself, against a basis, by restricted likelihood.

    The noise's variance is integrated out. Rows are held all at once, as there are thousands of short ones.
    """
    n, mean = values.shape[1], places.means(values)
    line = (places.count * mean) @ basis.line
    bend = (places.count * mean) @ basis.bend / basis.size
    left = mean - line @ basis.line.T - (bend / basis.size) @ basis.bend.T
    gain = gains[:, None] * (basis.size / basis.size[0]) ** 2
    squares = (places.within(values) + left**2 @ places.count)[:, None] + bend**2 @ (1 / (1 + gain)).T
    # Of values that lie exactly on a line nothing but rounding is left.
    squares = np.maximum(squares, 1e-24 * (mean**2 @ places.count)[:, None] + 1e-200)
    weight = -0.5 * np.log1p(gain).sum(axis=1) - 0.5 * (n - 2) * np.log(squares) + LEAN * np.log(gains)
    return [
        NumberFit(basis, n, *own[:2], gain, *own[2:]) for own in zip(line, bend, squares, weight, strict=True)
    ]


def share_courses(basis: Basis, places: Places, success: FloatArray) -> Courses:
    """Courses of a chance in logits, from 0s and 1s (n,), by Laplace's approximation."""
    columns = np.hstack([basis.line, basis.bend])
    shown = np.hstack([basis.line_shown, basis.bend_shown])
    precision, share = _precision(basis, columns.shape[1]), places.means(success[None])[0]
    best, curvature = _most_likely(columns, places.count, share, precision)
    logit = best @ columns.T
    likelihood = (places.count * (share * logit - np.logaddexp(0, logit))).sum(axis=1)
    prior = 0.5 * (np.log(precision) - precision * best**2).sum(axis=1)
    weight = likelihood + prior - 0.5 * np.linalg.slogdet(curvature)[1]
    variance = np.sum((shown @ np.linalg.inv(curvature)) * shown, axis=2)
    return Courses(weight, best @ shown.T, variance)


def _precision(basis: Basis, columns: int) -> FloatArray:
    """One over the variance of each column's coefficient before the data, (g, columns)."""
    level = 1 / basis.line[0, 0]
    rise = 1 / np.ptp(basis.line_shown[:, 1])
    precision = np.empty((len(WANDER_SDS), columns))
    precision[:, 0], precision[:, 1] = (LEVEL_SD * level) ** -2, (RISE_SD * rise) ** -2
    precision[:, 2:] = WANDER_SDS[:, None] ** -2
    return precision


def _most_likely(
    columns: FloatArray, count: FloatArray, share: FloatArray, precision: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Likeliest coefficients (g, c) by Newton's method, and the curvature (g, c, c) there."""
    best, own = np.zeros_like(precision), np.arange(columns.shape[1])
    for _ in range(NEWTON_STEPS):
        chance = expit(best @ columns.T)
        curvature = (columns.T * (count * chance * (1 - chance))[:, None, :]) @ columns
        curvature[:, own, own] += precision
        slope = (count * (share - chance)) @ columns - precision * best
        step = np.linalg.solve(curvature, slope[:, :, None])[:, :, 0]
        best = best + step
        if np.abs(step @ columns.T).max() < CLOSE:
            break
    return best, curvature
