"""What was followed: a needle, or scenery that changed."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.known import Known
from needlecoach.tracking.kymograph import SAMPLE_MM, FloatImages
from needlecoach.tracking.tip import TipPath, spells

# A spell of presence is a needle when its tip travelled this far, its strip moved this many times as much
# behind the tip as ahead of it, this share of the shaft stood out and no more than that of what lies ahead
# (or than that part of the shaft's own share).
LEAST_TRAVEL_MM, EARLY_TRAVEL_MM = 3.0, 1.5
STIRRING = 0.3
LEAST_CONTRAST = 2.5
LEAST_LIT = 0.15
MOST_LIT_AHEAD, MOST_LIT_PART = 0.06, 0.15


def real_needle(
    path: TipPath,
    motion: FloatImages,
    odds: FloatArray,
    inside: BoolArray,
    stirring: FloatArray,
    known: Known,
    least_travel_mm: float = LEAST_TRAVEL_MM,
) -> TipPath:
    """Keep the spells in which something moved along its own axis, and moved there more than elsewhere.

    A line that stands still is scenery; in a sweep or a slide everything changes, ahead of the supposed tip
    as much as behind it. A person who said where the tip is knows better.
    """
    s = np.arange(motion.shape[1]) * SAMPLE_MM
    scenery = np.zeros(len(path.position_mm), dtype=bool)
    for first, end in spells(np.isfinite(path.position_mm)):
        if known.placed[first:end].any():
            continue
        tip = path.position_mm[first:end, None]
        behind = inside[first:end] & (s < tip - 0.5)
        ahead = inside[first:end] & (s > tip + 2.0)
        lit = odds[first:end] > 0
        # A long rest says nothing of how it moved.
        moving = stirring[first:end, None] > STIRRING
        contrast = _mean(motion[first:end], behind & moving) / max(
            _mean(motion[first:end], ahead & moving), 0.2
        )
        behind_lit = _mean(lit, behind)
        scenery[first:end] = (
            not moving.any()
            or np.ptp(np.percentile(tip[moving], [5, 95])) < least_travel_mm
            or contrast < LEAST_CONTRAST
            or behind_lit < LEAST_LIT
            or _mean(lit, ahead) > max(MOST_LIT_AHEAD, MOST_LIT_PART * behind_lit)
        )
    return path.without(scenery)


def _mean(values: npt.NDArray[Any], where: BoolArray) -> float:
    return float(values[where].mean()) if where.any() else 0.0
