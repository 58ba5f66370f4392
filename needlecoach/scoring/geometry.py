"""Plane geometry of tip, shaft and target outline, in millimetres."""

from __future__ import annotations

import numpy as np

from needlecoach.model import FloatArray, Point

# Rows handled at once: keeps the points-by-edges tables under some 30 MB for an outline of 360 corners.
_CHUNK = 2000


def signed_distance_mm(points_mm: FloatArray, outline_mm: FloatArray) -> FloatArray:
    """Signed distance from points to a closed outline.

    Parameters
    ----------
    points_mm : (n, 2), NaN where unknown.
    outline_mm : (m, 2) corners, not closed, in the same frame of reference.

    Returns
    -------
    (n,) float
        Negative inside, 0 on the outline, NaN where the point is unknown.
    """
    parts = [_signed(points_mm[i : i + _CHUNK], outline_mm) for i in range(0, len(points_mm), _CHUNK)]
    return np.concatenate(parts) if parts else np.zeros(0)


def _signed(points: FloatArray, outline: FloatArray) -> FloatArray:
    start, edge = outline, np.roll(outline, -1, axis=0) - outline
    length2 = np.maximum((edge**2).sum(axis=1), 1e-30)
    away_x = points[:, None, 0] - start[None, :, 0]
    away_y = points[:, None, 1] - start[None, :, 1]
    share = np.clip((away_x * edge[:, 0] + away_y * edge[:, 1]) / length2, 0, 1)
    squared = (away_x - share * edge[:, 0]) ** 2 + (away_y - share * edge[:, 1]) ** 2
    # A ray to the right crosses the outline an odd number of times from inside.
    spans = (away_y >= 0) != (away_y >= edge[:, 1])
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = away_x < edge[:, 0] * away_y / edge[:, 1]
    inside = (spans & crossing).sum(axis=1) % 2 == 1
    distance = np.sqrt(squared.min(axis=1))
    return np.asarray(np.where(inside, -distance, distance), dtype=float)


def wall_crossings_mm(points_mm: FloatArray, direction: FloatArray, outline_mm: FloatArray) -> FloatArray:
    """Where the shaft's line through each point crosses the outline, measured along the line from the point.

    Parameters
    ----------
    points_mm, direction : (n, 2), points and unit vectors, NaN where unknown.
    outline_mm : (m, 2) corners, not closed.

    Returns
    -------
    (n, 2) float
        Nearest wall and far wall along the direction (negative = behind the point); NaN where the line
        misses.
    """
    parts = [
        _crossings(points_mm[i : i + _CHUNK], direction[i : i + _CHUNK], outline_mm)
        for i in range(0, len(points_mm), _CHUNK)
    ]
    return np.concatenate(parts) if parts else np.zeros((0, 2))


def _crossings(points: FloatArray, direction: FloatArray, outline: FloatArray) -> FloatArray:
    away_x = outline[None, :, 0] - points[:, None, 0]
    away_y = outline[None, :, 1] - points[:, None, 1]
    unit_x, unit_y = direction[:, :1], direction[:, 1:]
    along, across = away_x * unit_x + away_y * unit_y, away_y * unit_x - away_x * unit_y
    next_along, next_across = np.roll(along, -1, axis=1), np.roll(across, -1, axis=1)
    # Comparing NaN gives False on both sides: what is unknown is cut nowhere.
    cut = (across >= 0) != (next_across >= 0)
    share = across / np.where(cut, across - next_across, 1.0)
    crossing = along + share * (next_along - along)
    near, far = np.where(cut, crossing, np.inf).min(axis=1), np.where(cut, crossing, -np.inf).max(axis=1)
    walls = np.stack([near, far], axis=1)
    walls[~cut.any(axis=1)] = np.nan
    return walls


def across_unit(direction: FloatArray, beam: Point) -> FloatArray:
    """Unit vector across the shaft, shape (2,), towards growing depth; `beam` points away from the probe."""
    across = np.array([-direction[1], direction[0]])
    return across if across @ np.asarray(beam) >= 0 else -across
