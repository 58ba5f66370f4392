"""A shaft that turns from one picture to the next: where, close by, it stands out most."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from needlecoach.model import GreyImage
from needlecoach.tracking.axis import Axis

# From picture to picture a hand moves the entry and the tip across by no more than so much.
ENTRY_MM = np.array([-0.3, 0.0, 0.3])
TIP_MM = np.array([-0.9, -0.6, -0.3, 0.0, 0.3, 0.6, 0.9])
PLACE_MM, SHORTEST_MM = 0.5, 4.0
# It is where it was unless another place stands out by this much more: copies of it, a trail, come close.
CLEAR_TIMES, CLEAR_GREY = 1.1, 2.0


def turned(axis: Axis, picture: GreyImage, past: GreyImage, reach_mm: float) -> Axis:
    """Axis (one row) moved across to where the shaft stands out most in a picture; as it was where in doubt.

    Parameters
    ----------
    past : darkest look of every place without the needle, shape of `picture`
    reach_mm : how far the needle reaches
    """
    if not reach_mm >= SHORTEST_MM:
        return axis
    along = np.arange(PLACE_MM, reach_mm, PLACE_MM)
    entry_mm, tip_mm = (grid.ravel() for grid in np.meshgrid(ENTRY_MM, TIP_MM, indexing="ij"))
    across = entry_mm[:, None] + (tip_mm - entry_mm)[:, None] * along / reach_mm
    points = axis.points(0, np.broadcast_to(along, across.shape), across).astype(np.float32)
    now, was = (
        cv2.remap(one, points[..., 0], points[..., 1], cv2.INTER_LINEAR).astype(np.float32)
        for one in (picture, past)
    )
    stands_out = np.maximum(now - was, 0).mean(axis=1)
    best, here = int(np.argmax(stands_out)), int(np.flatnonzero((entry_mm == 0) & (tip_mm == 0))[0])
    if stands_out[best] <= CLEAR_TIMES * stands_out[here] + CLEAR_GREY:
        return axis
    entry = axis.entry + entry_mm[best] / axis.step_mm * axis.below
    direction = axis.direction + (tip_mm[best] - entry_mm[best]) / reach_mm * axis.below
    direction = direction / np.linalg.norm(direction, axis=1, keepdims=True)
    return replace(axis, entry=entry, direction=direction)
