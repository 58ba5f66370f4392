"""The bright trail of bubbles a needle leaves behind: where it ends, seen once the needle is out.

An independent look at how deep the needle went: it is read from pictures without a needle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.follow import Course
from needlecoach.tracking.kymograph import SAMPLE_MM

# The needle's own after-image has gone this long after it has left; the trail is read for this long.
SETTLE_S = 0.2
READ_S = 1.5
# What was recorded before may stand in for the look without trail where the axis lay this close.
SAME_SLOPE = 0.01
SAME_ENTRY_MM = 0.7
TRAIL_GREY = 12.0
# Share of the way that must be brighter than before, for a trail to be told from a few stray bubbles.
LEAST_SHARE = 0.4
BEYOND_MM = 1.5
# Bubbles shine in gel; what is black, such as fluid, shows none of them.
BLACK_GREY = 25.0
# Over 50 drawn and known clips a trail ended so far short of the tip, black places not counted: 0 to 2.2 mm.
SHORT_MM, SHORT_SD_MM = 1.1, 0.65
GAP_SHARE = 0.75


@dataclass(frozen=True, eq=False)
class Trails:
    """Trails left behind, in the frames after each needle has left; NaN elsewhere, -1 for `deepest`.

    Attributes
    ----------
    end_mm, sd_mm : (n_frames,) float
        Where the trail ends along the axis, from the entry, and its standard uncertainty.
    beyond_mm : (n_frames,) float
        How much deeper the needle was by its trail than by its deepest tip on that line, along the shaft.
        What a trail usually ends short is allowed for, and places where none could show count nothing.
    deepest : (n_frames,) int
        Frame of that tip; -1 where it is not known.
    """

    end_mm: FloatArray
    sd_mm: FloatArray
    beyond_mm: FloatArray
    deepest: npt.NDArray[np.intp]

    def beyond_sd_mm(self, tip_sd_mm: FloatArray) -> FloatArray:
        """Standard uncertainty of `beyond_mm`, given each tip's error of both axes together, (n_frames,)."""
        tip = np.where(self.deepest >= 0, tip_sd_mm[self.deepest], np.nan)
        return np.asarray(np.sqrt(self.sd_mm**2 + tip**2 / 2), dtype=float)


def read_trails(course: Course, position_mm: FloatArray, time_s: FloatArray) -> Trails:
    """Read the trail that each needle left on the line on which it left.

    Parameters
    ----------
    position_mm : (n_frames,)
        The tip along the axis, NaN where there is no needle.
    """
    n = len(position_mm)
    end_mm, sd_mm, beyond_mm = (np.full(n, np.nan) for _ in range(3))
    deepest_tip = np.full(n, -1, dtype=np.intp)
    present = np.isfinite(position_mm)
    for last in np.flatnonzero(present[:-1] & ~present[1:]):
        after = np.flatnonzero(
            ~present & (time_s > time_s[last] + SETTLE_S) & (time_s < time_s[last] + SETTLE_S + READ_S)
        )
        alike = _alike(course, present, int(last))
        if not after.size or not alike.size:
            continue
        deepest = int(alike[np.argmax(position_mm[alike])])
        lit, end = _lit(course, after, deepest, float(position_mm[deepest]))
        if end is None:
            continue
        end_mm[after], sd_mm[after] = end * SAMPLE_MM, _end_sd_mm(lit[: end + 1])
        # The deepest tip of the line is known if the line was the same just before it was reached.
        if deepest - 1 in alike:
            tip_mm = float(position_mm[deepest])
            beyond_mm[after] = _beyond_mm(course.before[deepest], end * SAMPLE_MM, tip_mm)
            deepest_tip[after] = deepest
    return Trails(end_mm, sd_mm, beyond_mm, deepest_tip)


def _alike(course: Course, present: BoolArray, last: int) -> npt.NDArray[np.intp]:
    """Frames of the spell that ends at `last` on the axis on which it ended."""
    gone = np.flatnonzero(~present[:last])
    frames = np.arange(gone[-1] + 1 if gone.size else 0, last + 1)
    axis = course.axis
    turned = np.abs(axis.direction[frames] - axis.direction[last]).max(axis=1)
    moved = np.hypot(*(axis.entry[frames] - axis.entry[last]).T) * axis.step_mm
    return np.asarray(frames[(turned < SAME_SLOPE) & (moved < SAME_ENTRY_MM) & present[frames]])


def _lit(
    course: Course, after: npt.NDArray[np.intp], deepest: int, depth_mm: float
) -> tuple[BoolArray, int | None]:
    """Samples that are brighter than before, and the trail's last one; None without a trail.

    It is looked for as far as the needle went, and on from there as long as no gap parts it.
    """
    brighter = course.grey[after].mean(axis=0) - course.before[deepest]
    smooth = np.convolve(np.nan_to_num(brighter, nan=0.0), np.ones(3) / 3, mode="same")
    lit = np.asarray(smooth > TRAIL_GREY, dtype=np.bool_)
    reach = min(len(smooth), round((depth_mm + BEYOND_MM) / SAMPLE_MM))
    if reach == 0 or lit[:reach].mean() < LEAST_SHARE:
        return lit, None
    end = int(np.flatnonzero(lit[:reach])[-1])
    step = round(BEYOND_MM / SAMPLE_MM)
    while (further := np.flatnonzero(lit[end + 1 : end + 1 + step])).size:
        end += 1 + int(further[-1])
    return lit, end


def _end_sd_mm(lit: BoolArray) -> float:
    """Standard uncertainty of where a trail ends: it may go on after a gap such as the longest in it.

    The longest of some ten gaps is about the 19-in-20 bound of such gaps, give or take a half: two standard
    uncertainties are 1.5 times it.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[True], lit, [True]]).astype(np.int8)))
    gaps_mm = (edges[1::2] - edges[::2]) * SAMPLE_MM
    return float(np.hypot(SHORT_SD_MM, GAP_SHARE * gaps_mm.max(initial=0.0)))


def _beyond_mm(before: FloatArray, end_mm: float, tip_mm: float) -> float:
    """How far beyond the tip the needle was by its trail; black places up to the tip count nothing."""
    between = before[round(end_mm / SAMPLE_MM) + 1 : round(tip_mm / SAMPLE_MM) + 1]
    missing_mm = float((np.nan_to_num(between) >= BLACK_GREY).sum()) * SAMPLE_MM
    if end_mm <= tip_mm and not missing_mm:
        return 0.0
    return max(end_mm - tip_mm, 0.0) - missing_mm + SHORT_MM
