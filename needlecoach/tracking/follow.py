"""The needle over a clip: the steps of this room in their order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.axis import Axis, find_axis
from needlecoach.tracking.changes import find_changes
from needlecoach.tracking.kymograph import SAMPLE_MM, background_strips, motion_strips, stand_out, strips
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.spot import Spot, find_spot
from needlecoach.tracking.tip import TipPath, emission, follow_tip, log_odds, motion_odds, tip_bonus

MOTION_SPAN_S = 0.16
MOTION_SHARE = 0.15
MOTION_FADE_SHARE = 0.6
# How far beyond the estimated tip a place still counts as covered, in each round.
COVER_MM = (0.5, 1.0)


@dataclass(frozen=True, eq=False)
class Course:
    """The needle over a clip, in working pixels and mm along the axis; NaN where absent."""

    axis: Axis
    path: TipPath
    spots: list[Spot | None]
    grey: FloatArray
    change: FloatArray
    odds: FloatArray
    before: FloatArray
    motion: FloatArray
    inside: BoolArray


def follow_needle(pictures: list[GreyImage], time_s: FloatArray, plane: Plane) -> Course | None:
    """Follow the needle through steadied working pictures; None when no axis stands out anywhere."""
    step_mm = plane.step_mm
    changes = find_changes(pictures, time_s, mask=plane.mask, step_mm=step_mm)
    axis = find_axis(changes, time_s, depth_share=plane.depth_share, step_mm=step_mm)
    if axis is None:
        return None
    grey, inside = strips(pictures, axis, changes.mask)
    n = grey.shape[1]
    motion = motion_strips(pictures, time_s, axis, n, over_s=MOTION_SPAN_S)
    moving = motion_odds(motion, inside)
    motion_evidence = emission(moving, fade_share=MOTION_FADE_SHARE)
    path = follow_tip(motion_evidence, time_s)
    reverse = axis.reversed()
    for margin_mm in COVER_MM:
        covered = np.where(np.isfinite(path.position_mm), path.position_mm + margin_mm, 0)
        before = background_strips(pictures, time_s, axis, covered, n)
        after = background_strips(pictures[::-1], time_s[::-1], reverse, covered[::-1], n)[::-1]
        change = stand_out(grey, before, after)
        odds = log_odds(change, inside, path.position_mm)
        evidence = emission(odds, tip_bonus(grey, odds)) + MOTION_SHARE * motion_evidence
        path = follow_tip(evidence, time_s)
    spots = [
        find_spot(pictures[i], axis, i, float(s)) if np.isfinite(s) else None
        for i, s in enumerate(path.position_mm)
    ]
    return Course(axis, path, spots, grey, change, odds, before, motion, inside)
