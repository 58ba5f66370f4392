"""Plane geometry of tip, shaft and target outline, in millimetres."""

from __future__ import annotations

import numpy as np

from needlecoach.model import BoolArray, FloatArray, Point

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
    # A ray to the right crosses the outline an odd number of times from inside. A corner is above or below
    # it for both edges that meet there, whatever rounding makes of it.
    above = away_y >= 0
    spans = above != np.roll(above, -1, axis=1)
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
    crossing, cut = _cuts(points, direction, outline)
    near, far = np.where(cut, crossing, np.inf).min(axis=1), np.where(cut, crossing, -np.inf).max(axis=1)
    walls = np.stack([near, far], axis=1)
    walls[~cut.any(axis=1)] = np.nan
    return walls


def _cuts(points: FloatArray, direction: FloatArray, outline: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Where each line cuts each edge's line, along it from the point, and whether within the edge; (n, m)."""
    away_x = outline[None, :, 0] - points[:, None, 0]
    away_y = outline[None, :, 1] - points[:, None, 1]
    unit_x, unit_y = direction[:, :1], direction[:, 1:]
    along, across = away_x * unit_x + away_y * unit_y, away_y * unit_x - away_x * unit_y
    next_along, next_across = np.roll(along, -1, axis=1), np.roll(across, -1, axis=1)
    # Comparing NaN gives False on both sides: what is unknown is cut nowhere.
    cut = (across >= 0) != (next_across >= 0)
    share = across / np.where(cut, across - next_across, 1.0)
    return along + share * (next_along - along), cut


def line_walls_mm(point_mm: FloatArray, direction: FloatArray, outline_mm: FloatArray) -> FloatArray:
    """All walls that one line crosses, rising, measured along it from the point.

    Parameters
    ----------
    point_mm, direction : (2,), a point and a unit vector.
    outline_mm : (m, 2) corners, not closed.

    Returns
    -------
    (k,) float
        An even number; the line is inside from the first to the second, from the third to the fourth, and so
        on. Empty when it misses.
    """
    crossing, cut = _cuts(point_mm[None, :], direction[None, :], outline_mm)
    return np.sort(crossing[cut])


def inside_length_mm(
    points_mm: FloatArray, direction: FloatArray, outline_mm: FloatArray, *, from_mm: float, to_mm: float
) -> FloatArray:
    """Length of a stretch of each line that lies inside an outline: the sum of its pieces within.

    Parameters
    ----------
    points_mm, direction : (n, 2), points and unit vectors, NaN where unknown.
    outline_mm : (m, 2) corners, not closed; it may be concave.
    from_mm, to_mm : ends of the stretch, measured along the line from the point, `from_mm` first.

    Returns
    -------
    (n,) float
        Exact for the polygon. NaN where the point or the direction is unknown.

    Notes
    -----
    A closed outline is crossed an even number of times and a line comes from outside: it is inside between
    its first and second crossing, third and fourth, and so on (even-odd rule).
    """
    parts = []
    for start in range(0, len(points_mm), _CHUNK):
        rows = slice(start, start + _CHUNK)
        crossing, cut = _cuts(points_mm[rows], direction[rows], outline_mm)
        most = max(2, int(cut.sum(axis=1).max()))
        walls = np.sort(np.where(cut, crossing, np.inf), axis=1)[:, :most]
        held = np.clip(walls, from_mm, to_mm)
        length = (held[:, 1::2] - held[:, 0::2]).sum(axis=1)
        known = np.isfinite(points_mm[rows] + direction[rows]).all(axis=1)
        parts.append(np.where(known, length, np.nan))
    return np.concatenate(parts) if parts else np.zeros(0)


def stretch_gap_mm(
    points_mm: FloatArray, direction: FloatArray, outline_mm: FloatArray, *, from_mm: float, to_mm: float
) -> FloatArray:
    """Distance from a stretch of each line to an outline; 0 where any of it is inside.

    Parameters as for `inside_length_mm`. Returns (n,) float, NaN where the point or direction is unknown.

    Notes
    -----
    Between two things that don't cross the shortest way starts at a corner of one of them: at an end of the
    stretch, or at a corner of the outline.
    """
    inside = inside_length_mm(points_mm, direction, outline_mm, from_mm=from_mm, to_mm=to_mm)
    ends = [signed_distance_mm(points_mm + at * direction, outline_mm) for at in (from_mm, to_mm)]
    parts = []
    for start in range(0, len(points_mm), _CHUNK):
        rows = slice(start, start + _CHUNK)
        away = outline_mm[None, :, :] - points_mm[rows, None, :]
        unit_x, unit_y = direction[rows, :1], direction[rows, 1:]
        along = away[..., 0] * unit_x + away[..., 1] * unit_y
        across = away[..., 1] * unit_x - away[..., 0] * unit_y
        parts.append(np.hypot(along - np.clip(along, from_mm, to_mm), across).min(axis=1))
    corners = np.concatenate(parts) if parts else np.zeros(0)
    gap = np.maximum(np.minimum(corners, np.minimum(*ends)), 0)
    return np.where(inside > 0, 0.0, gap)


def across_unit(direction: FloatArray, beam: Point) -> FloatArray:
    """Unit vector across the shaft, shape (2,), towards growing depth; `beam` points away from the probe."""
    across = np.array([-direction[1], direction[0]])
    return across if across @ np.asarray(beam) >= 0 else -across
