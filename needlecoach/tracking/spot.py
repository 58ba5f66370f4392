"""The tip's own echo: its place to a fraction of a pixel, and whether it can be seen at all."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from needlecoach.model import GreyImage
from needlecoach.tracking.axis import Axis

SAMPLE_MM = 0.05
BACK_MM = 1.6
AHEAD_MM = 1.0
ACROSS_MM = 0.7
# A peak this much darker than the brightest one near it is an extra echo or speckle beyond the tip.
FAINTER_GREY = 45.0
SMOOTH_MM = 0.12
# Price of lying at the rim of the searched band: extra echoes round the tip lie off the axis, the tip hardly
# does.
OFF_AXIS_GREY = 40.0
CLIMB = 5
# At the end of an even line the echo has fallen by half, 6 dB: 25 of 255 greys at a dynamic range of 60 dB.
LINE_END_GREY = 25.0


@dataclass(frozen=True)
class Spot:
    """A local peak of brightness: mm along the axis from the entry, mm across (below is positive), grey."""

    along_mm: float
    across_mm: float
    grey: float


def find_spot(picture: GreyImage, axis: Axis, frame: int, guess_mm: float) -> Spot | None:
    """Find the outermost bright peak near a guessed tip, from 1.6 mm behind it to 1.0 mm beyond.

    Returns
    -------
    Spot or None
        None when brightness neither has a peak nor ends there.

    Notes
    -----
    The picture of the tip is a spot of the size of the point-spread function, whose peak lies at the tip; the
    shaft behind it is a row of such spots, so the outermost of the bright ones is taken, or the end of the
    row where it has no peak of its own.
    """
    along = np.arange(guess_mm - BACK_MM, guess_mm + AHEAD_MM, SAMPLE_MM)
    across = np.arange(-ACROSS_MM, ACROSS_MM + 1e-9, SAMPLE_MM)
    points = axis.points(frame, along[None, :], across[:, None])
    patch = cv2.remap(
        picture, points[..., 0].astype(np.float32), points[..., 1].astype(np.float32), cv2.INTER_CUBIC
    ).astype(np.float32)
    patch = np.asarray(cv2.GaussianBlur(patch, (0, 0), SMOOTH_MM / SAMPLE_MM), dtype=np.float32)
    leaning = patch - OFF_AXIS_GREY * (across[:, None] / ACROSS_MM).astype(np.float32) ** 2
    ridge = leaning.max(axis=0)
    inner = ridge[1:-1]
    peak = np.flatnonzero((inner >= ridge[:-2]) & (inner > ridge[2:])) + 1
    peak = peak[ridge[peak] >= ridge.max() - FAINTER_GREY]
    if peak.size:
        column = int(peak[-1])
    elif ridge[-1] < ridge.max() - FAINTER_GREY:
        column = int(np.flatnonzero(ridge >= ridge.max() - LINE_END_GREY)[-1])
    else:
        return None
    # The price chooses the peak but must not shift it.
    start = max(0, int(np.argmax(leaning[:, column])) - CLIMB)
    row = start + int(np.argmax(patch[start : start + 2 * CLIMB + 1, column]))
    return Spot(float(along[column]), float(across[row]), float(patch[row, column]))
