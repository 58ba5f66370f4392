"""A Hough vote for straight lines, weighted by ridge strength and limited to the ridge's own direction."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

FloatImage = npt.NDArray[np.float32]


@dataclass(frozen=True)
class LineGrid:
    """Bins of a Hough vote: lines x cos(normal) + y sin(normal) = offset, (0, 0) the first pixel's centre."""

    normals_rad: npt.NDArray[np.float64]
    offset_step_px: float
    offset_max_px: float

    @classmethod
    def for_picture(
        cls, height_px: int, width_px: int, *, angle_step_deg: float, offset_step_px: float
    ) -> LineGrid:
        """Bins for every line through a picture, normals from -90 to below 90 degrees."""
        normals = np.radians(np.arange(-90, 90, angle_step_deg))
        return cls(normals, offset_step_px, float(np.hypot(height_px, width_px)) + offset_step_px)

    @property
    def n_offsets(self) -> int:
        """Number of offset bins, from -offset_max_px to offset_max_px."""
        return 2 * int(np.ceil(self.offset_max_px / self.offset_step_px)) + 1

    def offset_px(self, index: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Offset at (fractional) bin indices."""
        return (np.asarray(index, dtype=float) - self.n_offsets // 2) * self.offset_step_px


def vote(
    weight: npt.ArrayLike,
    direction_rad: npt.ArrayLike | None,
    grid: LineGrid,
    *,
    spread_deg: float = 12.0,
    keep: npt.NDArray[np.bool_] | None = None,
) -> FloatImage:
    """Sum the weight of the pixels on every line of the grid.

    Parameters
    ----------
    weight : (height, width)
        What a pixel counts; pixels of weight 0 are skipped.
    direction_rad : (height, width) or None
        Direction of the ridge through each pixel: it votes only for lines within `spread_deg` of it, falling
        off linearly. None lets every pixel vote for every direction (the plain transform).
    keep : (n_normals,) bool, optional
        Normals voted for; others stay 0.

    Returns
    -------
    (n_normals, n_offsets) float32

    Notes
    -----
    Duda & Hart, Commun ACM 1972;15:11 (normal form); the limit to the local direction after O'Gorman &
    Clowes, IEEE Trans Comput 1976;25:449.
    """
    weights = np.asarray(weight, dtype=np.float32)
    row_px, column_px = np.nonzero(weights)
    values = weights[row_px, column_px].astype(np.float64)
    x, y = column_px / grid.offset_step_px, row_px / grid.offset_step_px
    score = np.zeros((len(grid.normals_rad), grid.n_offsets), dtype=np.float32)
    local, spread = np.zeros(0), np.radians(spread_deg)
    if direction_rad is not None:
        # In order of direction, and once more half a turn on, those near a normal lie side by side.
        local = (np.asarray(direction_rad, dtype=np.float64)[weights > 0] + np.pi / 2) % np.pi
        order = np.argsort(local)
        local = np.concatenate([local[order], local[order] + np.pi])
        x, y, values = (np.tile(array[order], 2) for array in (x, y, values))
    for row, normal in enumerate(grid.normals_rad):
        if keep is not None and not keep[row]:
            continue
        near, counts = slice(None), values
        if direction_rad is not None:
            middle = (normal - spread) % np.pi + spread
            near = slice(*np.searchsorted(local, (middle - spread, middle + spread)))
            counts = values[near] * (1 - np.abs(local[near] - middle) / spread)
        offset = x[near] * np.cos(normal) + y[near] * np.sin(normal)
        index = np.rint(offset).astype(np.intp) + grid.n_offsets // 2
        score[row] = np.bincount(index, weights=counts, minlength=grid.n_offsets)
    return score


def peaks(
    score: FloatImage, *, count: int, angle_radius: int, offset_radius: int
) -> list[tuple[int, int, float]]:
    """Highest local maxima of a vote as (normal index, offset index, score), best first, at most `count`."""
    window = np.ones((2 * angle_radius + 1, 2 * offset_radius + 1), dtype=np.uint8)
    top = (score >= cv2.dilate(score, window)) & (score > 0)
    rows, columns = np.nonzero(top)
    order = np.argsort(score[rows, columns], kind="stable")[::-1][:count]
    return [(int(rows[i]), int(columns[i]), float(score[rows[i], columns[i]])) for i in order]
