"""Where a shaft crosses the very edge of the picture."""

from __future__ import annotations

import numpy as np

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.axis import Axis

# The axis starts inside the region's rim; its edge is looked for this far back along the shaft.
ENTRY_REACH_MM = 6.0


def at_edge(axis: Axis, mask: BoolArray) -> FloatArray:
    """Entry points moved out along the shaft to the region's very edge, (n_frames, 2).

    The axis itself starts a little inside, where drift brings no black surround in.
    """
    back = np.arange(0, ENTRY_REACH_MM / axis.step_mm, 0.25)
    points = axis.entry[:, None, :] - back[None, :, None] * axis.direction[:, None, :]
    column, row = np.moveaxis(np.rint(points).astype(np.intp), -1, 0)
    height, width = mask.shape
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    inside[inside] = mask[row[inside], column[inside]]
    last = np.maximum(np.logical_and.accumulate(inside, axis=1).sum(axis=1) - 1, 0)
    return np.asarray(points[np.arange(len(points)), last])
