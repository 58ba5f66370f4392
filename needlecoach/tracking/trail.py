"""The bright trail of bubbles a needle leaves behind: where it ends, seen once the needle is out."""

from __future__ import annotations

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


def trail_ends_mm(course: Course, position_mm: FloatArray, time_s: FloatArray) -> FloatArray:
    """Where the trail of the last needle ends, along the axis, in the frames after it has left.

    Parameters
    ----------
    position_mm : (n_frames,)
        The tip along the axis, NaN where there is no needle.

    Returns
    -------
    (n_frames,) float
        mm from the entry; NaN while a needle is in and where no trail can be made out.
    """
    ends = np.full(len(position_mm), np.nan)
    present = np.isfinite(position_mm)
    for last in np.flatnonzero(present[:-1] & ~present[1:]):
        after = np.flatnonzero(
            ~present & (time_s > time_s[last] + SETTLE_S) & (time_s < time_s[last] + SETTLE_S + READ_S)
        )
        deepest = _deepest_alike(course, position_mm, present, int(last))
        if after.size and deepest is not None:
            ends[after] = _end_mm(course, after, deepest, float(position_mm[deepest]))
    return ends


def _deepest_alike(course: Course, position_mm: FloatArray, present: BoolArray, last: int) -> int | None:
    """Deepest frame of the spell that ends at `last` on the axis on which it ended."""
    gone = np.flatnonzero(~present[:last])
    frames = np.arange(gone[-1] + 1 if gone.size else 0, last + 1)
    axis = course.axis
    turned = np.abs(axis.direction[frames] - axis.direction[last]).max(axis=1)
    moved = np.hypot(*(axis.entry[frames] - axis.entry[last]).T) * axis.step_mm
    alike = frames[(turned < SAME_SLOPE) & (moved < SAME_ENTRY_MM) & np.isfinite(position_mm[frames])]
    return int(alike[np.argmax(position_mm[alike])]) if alike.size else None


def _end_mm(course: Course, after: npt.NDArray[np.intp], deepest: int, depth_mm: float) -> float:
    brighter = course.grey[after].mean(axis=0) - course.before[deepest]
    smooth = np.convolve(np.nan_to_num(brighter, nan=0.0), np.ones(3) / 3, mode="same")
    reach = min(len(smooth), round((depth_mm + BEYOND_MM) / SAMPLE_MM))
    lit = smooth[:reach] > TRAIL_GREY
    return float(np.flatnonzero(lit)[-1] * SAMPLE_MM) if lit.mean() >= LEAST_SHARE else np.nan
