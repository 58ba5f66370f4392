"""The picture held steady against slow drift of the probe."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage

SURE = 0.3
LARGEST_SHIFT_MM = 6.0
# The reference is renewed only when it has become unlike: renewing it all the time lets small errors add up.
RENEW = 0.5
FADE_SHARE = 0.2


def steady(
    pictures: Iterable[GreyImage], *, mask: BoolArray, step_mm: float
) -> tuple[list[GreyImage], FloatArray, FloatArray]:
    """Shift every picture onto the ones before it.

    Parameters
    ----------
    pictures : working pictures, all of one shape
    mask : (height, width) bool, where they show anything; its outline stands still while the picture drifts
    step_mm : width of a pixel

    Returns
    -------
    steadied : list of pictures
    shift : (n, 2)
        How far each picture had moved against the first, in pixels: a thing at (x, y) in the steadied picture
        lies at (x, y) + shift in the original one.
    likeness : (n,)
        Response of the registration, 0-1; low where the picture has changed altogether (a sweep, a cut).

    Notes
    -----
    Phase correlation (Kuglin & Hines, Proc IEEE Int Conf Cybernetics and Society 1975) against a kept
    reference.
    """
    steadied: list[GreyImage] = []
    shifts: list[tuple[float, float]] = []
    likeness: list[float] = []
    reference: npt.NDArray[np.float32] | None = None
    window = _soft_window(mask)
    for picture in pictures:
        grey = picture.astype(np.float32)
        if reference is None:
            reference = _windowed(grey, window)
            nought = cv2.phaseCorrelate(reference, reference)[0]
            steadied.append(picture)
            shifts.append((0.0, 0.0))
            likeness.append(1.0)
            continue
        # OpenCV is half a pixel off where it pads to an odd size: a picture against itself tells.
        found, response = cv2.phaseCorrelate(reference, _windowed(grey, window))
        dx, dy = found[0] - nought[0], found[1] - nought[1]
        if response < SURE or np.hypot(dx, dy) * step_mm > LARGEST_SHIFT_MM:
            dx, dy = shifts[-1]
        back = np.array([[1, 0, -dx], [0, 1, -dy]], dtype=np.float32)
        size = (grey.shape[1], grey.shape[0])
        moved = cv2.warpAffine(grey, back, size, borderMode=cv2.BORDER_REPLICATE)
        held = np.asarray(moved, dtype=np.float32)
        if response < RENEW:
            reference = _windowed(held, window)
        steadied.append(np.clip(np.rint(held), 0, 255).astype(np.uint8))
        shifts.append((float(dx), float(dy)))
        likeness.append(float(min(max(response, 0.0), 1.0)))
    return steadied, np.array(shifts).reshape(-1, 2), np.array(likeness)


def _soft_window(mask: BoolArray) -> npt.NDArray[np.float32]:
    """Weight that falls to nothing towards the edge of the region."""
    depth = cv2.distanceTransform(np.pad(mask, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    reach = max(4.0, FADE_SHARE * min(mask.shape))
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(depth / reach, 0, 1)), dtype=np.float32)


def _windowed(grey: npt.NDArray[np.float32], window: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """The picture about its own mean, faded out towards the edge of the region."""
    mean = float((grey * window).sum() / max(float(window.sum()), 1e-6))
    return (grey - mean) * window
