"""What a smooth course over attempts is made of: a line, and bends in order of size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray

# Attempts that lie within 1/200 of the whole course are as good as at one place.
PLACES = 200
KNOTS = 20
# Bends smaller than this share of the largest are lost in rounding.
LEAST_SQUARE = 1e-9


@dataclass(frozen=True, eq=False)
class Places:
    """Where data lie: `at` (p,) rises from 0 to 1, `count` (p,) lie there, `place` (n,) is that of each."""

    at: FloatArray
    count: FloatArray
    place: npt.NDArray[np.intp]

    def means(self, values: FloatArray) -> FloatArray:
        """Mean of each row of values (s, n) at each place, (s, p)."""
        sums = [np.bincount(self.place, row) for row in values]
        return np.array(sums).reshape(len(values), len(self.count)) / self.count

    def within(self, values: FloatArray) -> FloatArray:
        """Sum of squares of each row of values (s, n) about the means of their places, (s,)."""
        squares: FloatArray = np.sum((values - self.means(values)[:, self.place]) ** 2, axis=1)
        return squares


@dataclass(frozen=True, eq=False)
class Basis:
    """Courses as sums of columns that are orthogonal over the data: a line, and bends.

    `line` (p, 2) and `bend` (p, k) hold the columns at the places of the data, `line_shown` (m, 2) and
    `bend_shown` (m, k) at the points to be drawn. Over the data, columns of `line` have length 1, those of
    `bend` the lengths `size` (k,), largest first. A course that wanders has bends with independent
    coefficients of one sd.
    """

    line: FloatArray
    bend: FloatArray
    line_shown: FloatArray
    bend_shown: FloatArray
    size: FloatArray


def laid_out(along: FloatArray) -> Places:
    """Places of attempts `along` (n,) from 0 to 1; ties share one, and neighbours if there are over 200."""
    distinct, place = np.unique(along, return_inverse=True)
    if len(distinct) > PLACES:
        place = place * PLACES // len(distinct)
    count = np.bincount(place).astype(float)
    return Places(np.bincount(place, along) / count, count, place)


def wandering(one: FloatArray, other: FloatArray) -> FloatArray:
    """Covariance (a, b) at (a,) and (b,) of a course that starts level at 0 and whose slope wanders.

    Source: Wahba, J R Stat Soc B 1978;40:364.
    """
    low, high = np.minimum(one[:, None], other), np.maximum(one[:, None], other)
    covariance: FloatArray = low**2 * (3 * high - low) / 6
    return covariance


def basis_over(places: Places, shown: FloatArray, most: int = KNOTS) -> Basis:
    """The columns over some places, and at points (m,) from 0 to 1, with at most so many bends."""
    knots = _knots(places.at)
    root = np.linalg.cholesky(wandering(knots, knots) + 1e-12 * np.eye(len(knots)))
    bend, bend_shown = (np.linalg.solve(root, wandering(knots, at)).T for at in (places.at, shown))
    line, line_shown = _lines(places, shown)
    share = line.T @ (places.count[:, None] * bend)
    bend, bend_shown = bend - line @ share, bend_shown - line_shown @ share
    squares, turn = np.linalg.eigh(bend.T @ (places.count[:, None] * bend))
    keep = [k for k in range(len(squares))[::-1] if squares[k] > LEAST_SQUARE * squares[-1]][:most]
    return Basis(line, bend @ turn[:, keep], line_shown, bend_shown @ turn[:, keep], np.sqrt(squares[keep]))


def _knots(at: FloatArray) -> FloatArray:
    """At most 20 places out of all; the first is none, as a course starts level there."""
    chosen = np.unique(np.linspace(0, len(at) - 1, KNOTS + 1).round().astype(int))
    knots: FloatArray = at[chosen[1:]]
    return knots


def _lines(places: Places, shown: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Level and slope as columns at places and points; of length 1 and orthogonal over the data."""
    n = places.count.sum()
    middle = places.count @ places.at / n
    length = np.sqrt(places.count @ (places.at - middle) ** 2)
    line, line_shown = (
        np.stack([np.full(len(at), n**-0.5), (at - middle) / length], axis=1) for at in (places.at, shown)
    )
    return line, line_shown
