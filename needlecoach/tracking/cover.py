"""Which places along the axis a needle covers, or may cover: what is there then is not the gel."""

from __future__ import annotations

import numpy as np

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.kymograph import SAMPLE_MM, FloatImages
from needlecoach.tracking.scenery import STIRRING
from needlecoach.tracking.tip import TipPath, spells

# For so long before a needle comes in, it may have waited within so many millimetres of the edge.
WAIT_S = 0.8
WAIT_MM = 4.0
# A stretch that differs by less than this from what it was with the needle in it still holds the needle;
# shorter stretches are the tip's own jitter.
SAME_LOOK_GREY = 12.0
HELD_SAMPLES = 4
DEEP_MM = 8.0
STILL_S = 0.4
# How far back from the deepest place so far a needle lies where none was before.
FRESH_MM = 1.0
# How far beyond a tip that is known a place still counts as covered.
COVER_BEYOND_MM = 1.0


def covered_mm(
    path: TipPath,
    grey: FloatImages,
    stirring: FloatArray,
    time_s: FloatArray,
    margin_mm: float,
    *,
    hindsight: bool,
) -> FloatArray:
    """How far the needle may reach in each frame, (n_frames,), mm; 0 where there is none.

    What it reached stays covered as long as it looks the same there: a needle at rest must not be learned as
    background because its motion has ended. Shortly before a spell of presence the first millimetres count as
    covered too: a needle that waits at the edge of the picture does not move either.

    Without `hindsight` a trail that looks like the needle can't be told from it by its staying there: places
    that the needle drew back from, seen moving, count as free.
    """
    present = np.isfinite(path.position_mm)
    reach = np.where(present, path.position_mm + margin_mm, 0.0)
    for first, end in spells(present):
        held, look = reach[first], grey[first]
        for i in range(first, end):
            if not hindsight and i > first and stirring[i] > STIRRING:
                drawn_mm = float(np.nan_to_num(path.position_mm[i - 1] - path.position_mm[i]))
                held = max(held - max(drawn_mm, 0.0), reach[i])
            part = slice(round(reach[i] / SAMPLE_MM), round(held / SAMPLE_MM))
            left = part.stop - part.start > HELD_SAMPLES and (
                np.abs(grey[i, part] - look[part]).mean() > SAME_LOOK_GREY
            )
            if left or reach[i] >= held:
                held, look = reach[i], grey[i]
            reach[i] = held
        # A needle deep inside has not left because nothing stirs any more: leaving would stir.
        whole = slice(round(held / SAMPLE_MM))
        lately = (time_s < time_s[end - 1]) & (time_s >= time_s[end - 1] - STILL_S)
        still = held > DEEP_MM and lately.any() and stirring[lately].mean() < STIRRING
        for i in range(end, len(reach) if still else end):
            if reach[i] > 0 or np.abs(grey[i, whole] - look[whole]).mean() > SAME_LOOK_GREY:
                break
            reach[i] = held
        waiting = (time_s < time_s[first]) & (time_s >= time_s[first] - WAIT_S)
        reach[waiting] = np.maximum(reach[waiting], WAIT_MM)
    return reach


def comes_in_at(by_motion: TipPath) -> int:
    """Frame in which a needle comes in, by what stirs first: the edge, and from there ever deeper; else 0."""
    at_mm = by_motion.position_mm
    for first, end in spells(np.isfinite(at_mm)):
        if at_mm[first:end].max() >= DEEP_MM:
            return first if at_mm[first] <= WAIT_MM else 0
    return 0


def reached_first(path: TipPath, before: FloatImages) -> BoolArray:
    """Places at the end of a needle that is as deep as any was yet, shape as `before`.

    No needle can have left a trail there yet, while the trail that this one leaves may look just like it: the
    look once it has gone tells nothing.
    """
    position_mm = np.nan_to_num(path.position_mm)
    deepest_mm = np.maximum.accumulate(position_mm)
    s = np.arange(before.shape[1]) * SAMPLE_MM
    at_deepest = (position_mm > 0) & (position_mm >= deepest_mm - FRESH_MM)
    return np.asarray(at_deepest[:, None] & (s >= deepest_mm[:, None] - FRESH_MM) & ~np.isnan(before))
