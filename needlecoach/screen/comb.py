"""A comb laid through places along a line: one spacing, teeth may be missing, strays may lie between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray

IntArray = npt.NDArray[np.int64]

# Ticks are drawn on whole rows: a place is off by up to half a row, its standard deviation is 1/sqrt(12).
ROUNDING_SD_PX = 0.29
# A tooth lies within this of its place; while the spacing is still guessed from one gap, within the second.
_NEAR_PX, _LOOSE_PX = 0.9, 1.3
_FINEST_PX = 4.0
_MIN_TEETH = 4
# A guess is taken from two places that have at most so many others between them.
_BETWEEN = 2


@dataclass(frozen=True, eq=False)
class Comb:
    """Evenly spaced places: `first_px + steps * spacing_px`.

    `members` are the rows of the places given that are teeth, `steps` (n,) their whole numbers from 0 on;
    `n_missing` teeth between first and last were not there, `n_strays` other places were.
    """

    first_px: float
    spacing_px: float
    spacing_sd_px: float
    members: IntArray
    steps: IntArray
    n_missing: int
    n_strays: int

    @property
    def worth(self) -> int:
        """How much speaks for this comb: teeth found less teeth missing and strays."""
        return len(self.members) - self.n_missing - self.n_strays

    @property
    def sd_share(self) -> float:
        """Relative standard uncertainty of the spacing."""
        return self.spacing_sd_px / self.spacing_px


def fit_comb(places_px: FloatArray) -> Comb | None:
    """Lay the comb through places that has the most for it.

    Parameters
    ----------
    places_px : (n,) places along a line, rising, px

    Returns
    -------
    Comb or None
        None when no four places are evenly spaced. Of a comb and one of twice or half the spacing the one
        with neither strays nor gaps has more for it.
    """
    best: Comb | None = None
    for i in range(len(places_px)):
        for j in range(i + 1, min(i + 2 + _BETWEEN, len(places_px))):
            spacing = float(places_px[j] - places_px[i])
            if spacing < _FINEST_PX:
                continue
            comb = _grown(places_px, float(places_px[i]), spacing)
            if comb is not None and (best is None or comb.worth > best.worth):
                best = comb
    return best


def _grown(places_px: FloatArray, first_px: float, spacing_px: float) -> Comb | None:
    """Comb that a guessed gap leads to: teeth further and further away make it exact."""
    reach = 2
    while True:
        steps = np.rint((places_px - first_px) / spacing_px)
        off = np.abs(places_px - first_px - steps * spacing_px)
        use = (off <= _LOOSE_PX) & (np.abs(steps) <= reach)
        if use.sum() < 2 or np.ptp(steps[use]) == 0:
            return None
        spacing_px, first_px = (float(value) for value in np.polyfit(steps[use], places_px[use], 1))
        if spacing_px < _FINEST_PX:
            return None
        if reach > np.abs(steps).max():
            return _comb(places_px, first_px, spacing_px)
        reach *= 2


def _comb(places_px: FloatArray, first_px: float, spacing_px: float) -> Comb | None:
    """Teeth of a comb whose place and spacing are known, and how well these are."""
    steps = np.rint((places_px - first_px) / spacing_px).astype(np.int64)
    off = np.abs(places_px - first_px - steps * spacing_px)
    members = _nearest_of_each(steps, off)
    if len(members) < _MIN_TEETH:
        return None
    teeth, at = steps[members], places_px[members]
    spacing_px, start_px = (float(value) for value in np.polyfit(teeth, at, 1))
    rms_px = float(np.sqrt(np.square(at - start_px - teeth * spacing_px).sum() / (len(at) - 2)))
    spread = float(np.sqrt(np.square(teeth - teeth.mean()).sum()))
    within = (places_px >= at[0] - 1) & (places_px <= at[-1] + 1)
    return Comb(
        first_px=start_px + float(teeth[0]) * spacing_px,
        spacing_px=spacing_px,
        spacing_sd_px=max(rms_px, ROUNDING_SD_PX) / spread,
        members=members,
        steps=teeth - teeth[0],
        n_missing=int(teeth[-1] - teeth[0]) + 1 - len(teeth),
        n_strays=int(within.sum()) - len(members),
    )


def _nearest_of_each(steps: IntArray, off: FloatArray) -> IntArray:
    """Rows of the places that are teeth, one for each step: the one nearest to its place."""
    order = np.lexsort((off, steps))
    order = order[off[order] <= _NEAR_PX]
    _, firsts = np.unique(steps[order], return_index=True)
    return np.asarray(order[firsts], dtype=np.int64)
