"""The picture held steady against slow drift of the probe."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray, GreyImage

SURE = 0.3
LARGEST_SHIFT_MM = 6.0
# The reference is renewed only when it has become unlike: renewing it all the time lets small errors add up.
RENEW = 0.5


def steady(pictures: Iterable[GreyImage], *, step_mm: float) -> tuple[list[GreyImage], FloatArray, FloatArray]:
    """Shift every picture onto the ones before it.

    Parameters
    ----------
    pictures : working pictures, all of one shape
    step_mm : width of a pixel

    Returns
    -------
    steadied : list of pictures
    shift : (n, 2)
        How far each picture had moved against the first, in pixels: a thing at (x, y) in the steadied picture lies at
        (x, y) + shift in the original one.
    likeness : (n,)
        Response of the registration, 0-1; low where the picture has changed altogether (a sweep, a cut).

    Notes
    -----
    Phase correlation (Kuglin & Hines, Proc IEEE Int Conf Cybernetics and Society 1975) against a kept reference.
    """
    steadied: list[GreyImage] = []
    shifts: list[tuple[float, float]] = []
    likeness: list[float] = []
    reference: npt.NDArray[np.float32] | None = None
    for picture in pictures:
        grey = picture.astype(np.float32)
        if reference is None:
            reference = grey.copy()
            window = cv2.createHanningWindow((grey.shape[1], grey.shape[0]), cv2.CV_32F)
            steadied.append(picture)
            shifts.append((0.0, 0.0))
            likeness.append(1.0)
            continue
        # Copies, since OpenCV applies the window in place when the picture has a size it need not pad.
        (dx, dy), response = cv2.phaseCorrelate(reference.copy(), grey.copy(), window)
        if response < SURE or np.hypot(dx, dy) * step_mm > LARGEST_SHIFT_MM:
            dx, dy = shifts[-1]
        back = np.array([[1, 0, -dx], [0, 1, -dy]], dtype=np.float32)
        held = cv2.warpAffine(grey, back, (grey.shape[1], grey.shape[0]), borderMode=cv2.BORDER_REPLICATE)
        if response < RENEW:
            reference = held
        steadied.append(np.clip(np.rint(held), 0, 255).astype(np.uint8))
        shifts.append((float(dx), float(dy)))
        likeness.append(float(min(max(response, 0.0), 1.0)))
    return steadied, np.array(shifts).reshape(-1, 2), np.array(likeness)
