"""Texture: speckle told from structure, block by block, by the ratio of mean to spread of the echoes.

Where many small scatterers lie in each resolution cell, amplitudes follow the Rayleigh law and mean over
standard deviation is sqrt(pi / (4 - pi)) = 1.913 whatever the gel (Burckhardt, IEEE Trans Sonics Ultrason
1978; from memory; the value follows from the law). The mean of N independent looks (compounding, frame
averaging) raises it by sqrt(N); few scatterers, clumps and structure lower it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.blockcheck.view import BLACK, FACE_MM, WHITE, Floats32, View
from needlecoach.model import BoolArray, FloatArray

RAYLEIGH_SNR = math.sqrt(math.pi / (4 - math.pi))
# Of a block: so many speckles along each side. 64 give the ratio to about a tenth, and few blocks see
# structure.
SPECKLES = 8
_LEAST_PX, _MOST_SHARE = 12, 0.2
# Share of a block that may be black, or white, where levels are lost, and that must lie in the picture. With
# its darkest twentieth black, speckle's ratio is some 2 % too high; white spots tell structure.
_MOST_BLACK, _MOST_WHITE, _LEAST_INSIDE = 0.05, 0.01, 0.98
# A plane of level is taken out of each block: three of its degrees of freedom.
_PLANE = 3
_CORRELATED = 0.1
_FAR_PX, _PARTS, _SLOW_SHARE, _LEAST_LIT = 40, 6, 0.05, 0.8


@dataclass(frozen=True, eq=False)
class Cells:
    """Blocks of one picture's gel.

    `rest_db` (n, pixels of a block) are levels with each block's plane taken out, `level_db` (n,) the level
    of its mean intensity, `corner_px` (n, 2) and `size_px` where it lies in the cut, `depth_mm` (n,) its
    depth as shown. `n_lost` more blocks are black or white in part, so that nothing can be said of them.
    """

    rest_db: Floats32
    level_db: FloatArray
    corner_px: npt.NDArray[np.intp]
    size_px: tuple[int, int]
    depth_mm: FloatArray
    speckle_px: tuple[float, float]
    n_lost: int

    @cached_property
    def snr(self) -> FloatArray:
        """Mean over standard deviation of the amplitudes of each block, shape (n,)."""
        return self.snr_at(1.0)

    def snr_at(self, share: float) -> FloatArray:
        """As `snr`, if the scanner's dynamic range were so many times the one stated.

        The spread is corrected for the three degrees of freedom that a plane takes of as many as there are
        speckles.
        """
        amplitude = 10 ** (self.rest_db * np.float32(share / 20))
        spread = np.maximum(amplitude.std(axis=1), 1e-9)
        n_speckles = self.size_px[0] * self.size_px[1] / (self.speckle_px[0] * self.speckle_px[1])
        return np.asarray(
            amplitude.mean(axis=1) / spread * math.sqrt(1 - _PLANE / max(n_speckles, _PLANE + 1)), float
        )


def speckle_size_px(level_db: Floats32, usable: BoolArray) -> tuple[float, float]:
    """Size (across, down) of a speckle: how far its level is correlated, summed over both directions.

    1 px where neighbours are independent. The slow course of brightness is taken out before. Of the parts of
    the picture that with a quarter of the others below it counts: a wall or a tube is alike over more than a
    speckle, nothing over less.
    """
    rest = _without_slow_course(level_db, usable)
    h, w = level_db.shape
    found = []
    for rows in np.array_split(np.arange(h), _PARTS):
        for columns in np.array_split(np.arange(w), _PARTS):
            part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
            if usable[part].mean() > _LEAST_LIT:
                weight = usable[part].astype(np.float32)
                found.append((_length(rest[part], weight), _length(rest[part].T, weight.T)))
    if not found:
        return 1.0, 1.0
    across, down = np.quantile(found, 0.25, axis=0)
    return float(across), float(down)


def _without_slow_course(level_db: Floats32, usable: BoolArray) -> Floats32:
    wide = (0, 0), max(level_db.shape) * _SLOW_SHARE
    known = usable.astype(np.float32)
    filled = np.where(usable, level_db, 0).astype(np.float32)
    slow = cv2.GaussianBlur(filled, *wide) / np.maximum(cv2.GaussianBlur(known, *wide), 1e-3)
    return np.asarray(np.where(usable, filled - slow, 0), np.float32)


def _length(rest: npt.NDArray[np.float32], known: npt.NDArray[np.float32]) -> float:
    total, own = 1.0, float((rest**2).sum() / max(known.sum(), 1))
    for lag in range(1, min(_FAR_PX, rest.shape[1] // 2)):
        pairs = float((known[:, lag:] * known[:, :-lag]).sum())
        like = float((rest[:, lag:] * rest[:, :-lag]).sum() / max(pairs, 1)) / max(own, 1e-9)
        if like < _CORRELATED or not pairs:
            break
        total += 2 * like
    return total


def speckle_cells(view: View, *, left_out: BoolArray | None = None) -> Cells:
    """Cut a picture's gel into blocks of some 64 speckles.

    Parameters
    ----------
    view : the picture
    left_out : (h, w) of the cut, where something else than gel lies: targets, gas and what is below it

    Notes
    -----
    Blocks that touch what is left out, the probe's face, or hold lost levels do not count. A plane is fitted
    to the levels of each block and taken out, so that brightness falling with depth does not count as
    texture.
    """
    usable = view.inside & (view.depth_mm > FACE_MM)
    if left_out is not None:
        usable = usable & ~left_out
    lit = usable & (view.greys > BLACK) & (view.greys < WHITE)
    speckle = speckle_size_px(view.level_db, lit)
    h, w = view.greys.shape
    size = (_side(speckle[0], w), _side(speckle[1], h))
    design = _plane_through(size)
    corners, rest, level, depth, n_lost = [], [], [], [], 0
    for left, top in _corners(size, (w, h)):
        part = np.s_[top : top + size[1], left : left + size[0]]
        if usable[part].mean() < _LEAST_INSIDE:
            continue
        black, white = (view.greys[part] <= BLACK).mean(), (view.greys[part] >= WHITE).mean()
        if black > _MOST_BLACK or white > _MOST_WHITE:
            n_lost += 1
            continue
        flat, level_db = _without_plane(view.level_db[part], design)
        corners.append((left, top))
        rest.append(flat)
        level.append(level_db)
        depth.append(float(view.depth_mm[part].mean()))
    return Cells(
        np.array(rest, dtype=np.float32).reshape(len(rest), size[0] * size[1]),
        np.array(level),
        np.array(corners, dtype=np.intp).reshape(-1, 2),
        size,
        np.array(depth),
        speckle,
        n_lost,
    )


def _corners(size: tuple[int, int], whole: tuple[int, int]) -> Iterator[tuple[int, int]]:
    """Corners (x, y) of the blocks that fit into a picture, row by row."""
    for top in range(0, whole[1] - size[1] + 1, size[1]):
        for left in range(0, whole[0] - size[0] + 1, size[0]):
            yield left, top


def _side(speckle_px: float, length_px: int) -> int:
    return int(min(max(round(SPECKLES * speckle_px), _LEAST_PX), max(length_px * _MOST_SHARE, _LEAST_PX)))


def _plane_through(size_px: tuple[int, int]) -> FloatArray:
    """An orthonormal base (3, pixels) of all planes over a block."""
    y, x = np.mgrid[: size_px[1], : size_px[0]]
    base, _ = np.linalg.qr(np.stack([np.ones(x.size), x.ravel(), y.ravel()], axis=1))
    return np.asarray(base.T, dtype=float)


def _without_plane(level_db: Floats32, base: FloatArray) -> tuple[FloatArray, float]:
    """Levels of a block with its plane taken out, (pixels,), and the level of its mean intensity."""
    levels = level_db.ravel().astype(float)
    rest = levels - (base @ levels) @ base
    return rest, float(levels.mean() + 10 * np.log10(np.mean(10 ** (rest / 10))))
