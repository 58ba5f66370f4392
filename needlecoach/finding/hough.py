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
    weights = np.asarray(weight, dtype=np.float64)
    row_px, column_px = np.nonzero(weights)
    n, step = len(grid.normals_rad), np.pi / len(grid.normals_rad)
    if direction_rad is None:
        rows = np.arange(n)[None, :]
        counts = np.repeat(weights[row_px, column_px, None], n, axis=1)
    else:
        spread = np.radians(spread_deg)
        local = np.asarray(direction_rad)[row_px, column_px] + np.pi / 2 - grid.normals_rad[0]
        near = np.ceil((local - spread) / step)[:, None] + np.arange(int(2 * spread / step) + 1)
        share = 1 - np.abs(near * step - local[:, None]) / spread
        counts = weights[row_px, column_px, None] * np.maximum(share, 0)
        rows = near.astype(np.intp) % n
    if keep is not None:
        counts *= keep[rows]
    across, down = (np.asarray(turn(grid.normals_rad)) / grid.offset_step_px for turn in (np.cos, np.sin))
    offset = column_px[:, None] * across[rows] + row_px[:, None] * down[rows]
    places = rows * grid.n_offsets + np.rint(offset).astype(np.intp) + grid.n_offsets // 2
    score = np.bincount(places.ravel(), weights=counts.ravel(), minlength=n * grid.n_offsets)
    return score.reshape(n, grid.n_offsets).astype(np.float32)


def peaks(
    score: FloatImage, *, count: int, angle_radius: int, offset_radius: int
) -> list[tuple[int, int, float]]:
    """Highest local maxima of a vote as (normal index, offset index, score), best first, at most `count`."""
    window = np.ones((2 * angle_radius + 1, 2 * offset_radius + 1), dtype=np.uint8)
    top = (score >= cv2.dilate(score, window)) & (score > 0)
    rows, columns = np.nonzero(top)
    order = np.argsort(score[rows, columns], kind="stable")[::-1][:count]
    return [(int(rows[i]), int(columns[i]), float(score[rows[i], columns[i]])) for i in order]
