"""The tip's own echo: its place to a fraction of a pixel, and whether it can be seen at all."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from needlecoach.model import FloatArray, GreyImage

SAMPLE_MM = 0.05
BACK_MM = 1.6
AHEAD_MM = 1.0
ACROSS_MM = 0.7
# A peak this much darker than the brightest one near it is an extra echo or speckle beyond the tip.
FAINTER_GREY = 45.0
SMOOTH_MM = 0.12


@dataclass(frozen=True)
class Spot:
    """A local peak of brightness: mm along the axis from the entry, mm across it (positive below), grey value."""

    along_mm: float
    across_mm: float
    grey: float


def find_spot(
    picture: GreyImage, entry: FloatArray, direction: FloatArray, guess_mm: float, *, step_mm: float, reach: float = 1.0
) -> Spot | None:
    """Find the outermost bright peak near a guessed tip.

    Parameters
    ----------
    entry, direction : (2,)
        The axis, in working pixels.
    guess_mm : position along the axis around which to look, from 1.6 mm behind to 1.0 mm beyond, times `reach`

    Returns
    -------
    Spot or None
        None when brightness has no peak there.

    Notes
    -----
    The picture of the tip is a spot of the size of the point-spread function, whose peak lies at the tip; the shaft
    behind it is a row of such spots, so the outermost of the bright ones is taken.
    """
    along = np.arange(guess_mm - BACK_MM * reach, guess_mm + AHEAD_MM * reach, SAMPLE_MM)
    across = np.arange(-ACROSS_MM, ACROSS_MM + 1e-9, SAMPLE_MM)
    below = np.array([-direction[1], direction[0]])
    if below[1] < 0:
        below = -below
    points = entry + (along[None, :, None] * direction + across[:, None, None] * below) / step_mm
    patch = cv2.remap(
        picture, points[..., 0].astype(np.float32), points[..., 1].astype(np.float32), cv2.INTER_CUBIC
    ).astype(np.float32)
    patch = cv2.GaussianBlur(patch, (0, 0), SMOOTH_MM / SAMPLE_MM)
    ridge = patch.max(axis=0)
    inner = ridge[1:-1]
    peak = np.flatnonzero((inner >= ridge[:-2]) & (inner > ridge[2:])) + 1
    peak = peak[ridge[peak] >= ridge.max() - FAINTER_GREY]
    if not peak.size:
        return None
    column = int(peak[-1])
    row = int(np.argmax(patch[:, column]))
    return Spot(float(along[column]), float(across[row]), float(ridge[column]))
