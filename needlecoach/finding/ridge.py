"""Bright ridges of a picture: strength and direction from second derivatives at several widths."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

FloatImage = npt.NDArray[np.float32]


@lru_cache(maxsize=32)
def _gaussian_kernels(sigma_px: float) -> tuple[FloatImage, FloatImage, FloatImage]:
    """Sampled Gaussian of unit sum and its first and second derivative, as 1-D kernels."""
    radius = int(np.ceil(4 * sigma_px))
    x = np.arange(-radius, radius + 1, dtype=float)
    g = np.exp(-0.5 * (x / sigma_px) ** 2)
    g /= g.sum()
    first = x / sigma_px**2 * g
    second = (x**2 / sigma_px**2 - 1) / sigma_px**2 * g
    second -= second.mean()  # a constant picture must give exactly nothing
    return g.astype(np.float32), first.astype(np.float32), second.astype(np.float32)


def ridge_strength(picture: npt.ArrayLike, sigmas_px: Sequence[float]) -> tuple[FloatImage, FloatImage]:
    """Strength and direction of bright ridges.

    Parameters
    ----------
    picture : (height, width), any real dtype
    sigmas_px : widths looked for, as the sigma of the Gaussian that a ridge of that width answers to best

    Returns
    -------
    strength : (height, width) float32
        Minus the most negative eigenvalue of the scale-normalised Hessian (sigma squared times the second
        derivatives), the largest over all widths; 0 where the picture is not ridge-like. Grey values as unit.
    direction_rad : (height, width) float32
        Direction along the ridge, from +x towards +y, in (-pi/2, pi/2].

    Raises
    ------
    ValueError
        When no width is given or one is not above 0.

    Notes
    -----
    Hessian eigenvalues as a measure of lines: Lindeberg, Int J Comput Vis 1998;30:117 (scale normalisation).
    """
    if not sigmas_px or min(sigmas_px) <= 0:
        raise ValueError(f"Ridge widths must be above 0 px, got {list(sigmas_px)}.")
    image = np.asarray(picture, dtype=np.float32)
    best, wide, slant = (np.full(image.shape, -1, dtype=np.float32) for _ in range(3))
    for sigma in sigmas_px:
        g, first, second = _gaussian_kernels(float(sigma))
        xx, yy, xy = (
            cv2.sepFilter2D(image, cv2.CV_32F, kernel_x, kernel_y, borderType=cv2.BORDER_REFLECT)
            for kernel_x, kernel_y in ((second, g), (g, second), (first, first))
        )
        gap, xy2 = xx - yy, 2 * xy
        strength = np.maximum(np.float32(sigma**2 / 2) * (np.sqrt(gap * gap + xy2 * xy2) - (xx + yy)), 0)
        wider = strength > best
        for kept, new in ((best, strength), (wide, gap), (slant, xy2)):
            np.copyto(kept, new, where=wider)
    # The eigenvector of the larger eigenvalue runs along a bright ridge.
    direction: FloatImage = np.float32(0.5) * np.arctan2(slant, wide)
    return best, direction
