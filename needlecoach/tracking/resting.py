"""A needle that rests from one window into the next: nothing moves by which it could be known anew."""

from __future__ import annotations

from dataclasses import fields

import cv2
import numpy as np

from needlecoach.model import FloatArray, GreyImage
from needlecoach.tracking.drift import back, moved
from needlecoach.tracking.plane import Plane, slope_deg
from needlecoach.tracking.windows import NeedleRows, Window

# The needle is still there as long as its place differs by less than this from what it was.
SAME_LOOK_GREY = 12.0
SAMPLE_MM = 0.3


def hold_resting(rows: NeedleRows, window: Window, plane: Plane) -> NeedleRows:
    """Keep a needle where the window before saw it last until it is found again or its place changes.

    Parameters
    ----------
    rows : of this window, changed in place
    window : its pictures, and the last row of the window before
    """
    last, pictures, drift, first = window.last, window.pictures, window.drift, window.fresh
    if last is None or first == 0 or not last.needle_present[0] or not np.isfinite(last.tip_px).all():
        return rows
    ends = plane.from_frame_px(np.concatenate([last.entry_px, last.tip_px]))
    ends = moved(ends, back(drift[first - 1]))
    n = max(2, round(float(np.hypot(*(ends[1] - ends[0]))) * plane.step_mm / SAMPLE_MM))
    shaft = np.linspace(ends[0], ends[1], n).astype(np.float32)[None]

    def look(picture: GreyImage) -> FloatArray:
        return np.asarray(cv2.remap(picture, shaft[..., 0], shaft[..., 1], cv2.INTER_LINEAR), dtype=float)

    known = look(pictures[first - 1])
    for i in range(first, len(pictures)):
        if rows.needle_present[i] or np.abs(look(pictures[i]) - known).mean() > SAME_LOOK_GREY:
            break
        for item in fields(rows):
            if not item.name.startswith("strip"):
                getattr(rows, item.name)[i] = getattr(last, item.name)[0]
        entry, tip = moved(ends, drift[i])
        rows.entry_px[i], rows.tip_px[i] = plane.to_frame_px([entry, tip])
        rows.angle_deg[i] = slope_deg(tip - entry)
    return rows
