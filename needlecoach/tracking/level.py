"""Pictures brought to one gain: a turn of the scanner's knob must not look like a change in the gel."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from needlecoach.model import BoolArray, FloatArray, GreyImage

# On a logarithmic display gain adds grey values. Less than this is noise, or a needle coming in.
LEAST_STEP_GREY = 3.0


def levelled(pictures: Sequence[GreyImage], mask: BoolArray) -> list[GreyImage]:
    """Shift the grey values of every picture so that most of it stays as bright as in the others.

    Parameters
    ----------
    pictures : working pictures of one window
    mask : (height, width) bool, where they show anything

    Returns
    -------
    list of pictures
        The same pictures where the gain was never touched. Black stays black.
    """
    where = mask.astype(np.uint8)
    level = np.array([grey_level(picture, where) for picture in pictures])
    step = np.rint(level - np.median(level))
    return [
        picture if abs(by) < LEAST_STEP_GREY else shifted(picture, -by)
        for picture, by in zip(pictures, step, strict=True)
    ]


def grey_level(picture: GreyImage, mask: GreyImage) -> float:
    """Median grey value of what is not black, to a fraction of a grey value."""
    counts = np.ravel(cv2.calcHist([picture], [0], mask, [256], [0, 256]))[1:]
    grown: FloatArray = np.cumsum(counts)
    return float(np.interp(grown[-1] / 2, grown, np.arange(1, 256))) if grown[-1] else 0.0


def shifted(picture: GreyImage, by: float) -> GreyImage:
    table = np.clip(np.arange(256) + by, 0, 255)
    table[0] = 0
    return np.asarray(cv2.LUT(picture, table.astype(np.uint8)), dtype=np.uint8)
