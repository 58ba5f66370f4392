"""The lines of one picture on which a needle could lie, best first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from needlecoach.finding.hough import LineGrid, peaks, vote
from needlecoach.finding.ridge import ridge_strength

FloatImage = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

STEEPEST_DEG = 87.0
SHALLOWEST_DEG = 7.0
RIDGE_WIDTHS_MM = (0.3, 0.6)
ANGLE_STEP_DEG = 1.0
OFFSET_STEP_MM = 0.3
# A pixel counts at most this many noise levels: a short glaring spot must not outvote a long faint line.
STRENGTH_CAP = 6.0
STRENGTH_FLOOR = 3.0
# What coding noise alone gives, in a picture of the recording's own pixels or nearly so.
FAINTEST_RIDGE_GREY = 1.3
# A ridge that turns away from the line by more than this is no part of it.
STRAYING_DEG = 25.0
# Copies drawn by reverberation lie below the shaft and parallel to it, within this many millimetres.
ECHO_REACH_MM = 8.0
ECHO_ANGLE_DEG = 4.0
ECHO_SHARE = 0.35


@dataclass(frozen=True)
class Line:
    """A straight line x cos(normal) + y sin(normal) = offset in pixels of the picture it was found in.

    `support_mm` is the length of line that stands out, weighted by how much; `first_px` and `last_px` are the
    upper and lower end of the stretch that holds nine tenths of it.
    """

    normal_rad: float
    offset_px: float
    support_mm: float
    first_px: tuple[float, float] = (np.nan, np.nan)
    last_px: tuple[float, float] = (np.nan, np.nan)

    @property
    def direction(self) -> FloatArray:
        """Unit vector along the line, pointing down the picture."""
        along: FloatArray = np.array([-np.sin(self.normal_rad), np.cos(self.normal_rad)])
        return along if along[1] >= 0 else -along

    def enlarged(self, times: float) -> Line:
        """The same line in a picture that shows so many pixels for each of this one's."""
        rest = (times - 1) / 2
        first, last = ((times * x + rest, times * y + rest) for x, y in (self.first_px, self.last_px))
        shift = rest * (math.cos(self.normal_rad) + math.sin(self.normal_rad))
        return Line(self.normal_rad, times * self.offset_px + shift, self.support_mm, first, last)

    def distance_px(self, points: npt.ArrayLike) -> FloatArray:
        """Signed distance of points, shape (..., 2), from the line; positive below it."""
        normal = np.array([np.cos(self.normal_rad), np.sin(self.normal_rad)])
        signed: FloatArray = np.asarray(points, dtype=float) @ normal - self.offset_px
        return signed if normal[1] >= 0 else -signed


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, weight: npt.ArrayLike) -> tuple[float, float]:
    """Weighted total least-squares line through points, as (normal_rad, offset).

    Returns
    -------
    normal_rad, offset
        Of the line x cos(normal) + y sin(normal) = offset that leaves the least weighted sum of squared
        perpendicular distances; normal in (-pi/2, pi/2].

    Raises
    ------
    ValueError
        With fewer than two points of weight above 0.

    Notes
    -----
    Pearson, Phil Mag 1901;2:559: the line runs through the centroid along the largest principal axis.
    """
    w, x, y = (np.asarray(values, dtype=float) for values in (weight, x, y))
    if np.count_nonzero(w > 0) < 2:
        raise ValueError("A line needs at least two points of weight above 0.")
    total = w.sum()
    x_mean, y_mean = float(w @ x / total), float(w @ y / total)
    x, y = x - x_mean, y - y_mean
    along = 0.5 * math.atan2(2 * float(w * x @ y), float(w * x @ x - w * y @ y))
    normal = along + math.pi / 2 if along <= 0 else along - math.pi / 2
    return normal, x_mean * math.cos(normal) + y_mean * math.sin(normal)


def find_lines(
    picture: npt.ArrayLike,
    *,
    step_mm: float,
    mask: npt.NDArray[np.bool_],
    count: int = 6,
    faintest_grey: float = FAINTEST_RIDGE_GREY,
) -> list[Line]:
    """Lines on which a needle could lie in one picture.

    Parameters
    ----------
    picture : (height, width)
        Grey values, or what has changed in them; the needle is brighter than what lies beside it.
    step_mm : width of a pixel
    mask : (height, width) bool
        Where to look.
    count : most lines returned
    faintest_grey : ridges weaker than this are noise, however quiet the rest of the picture

    Returns
    -------
    list of Line
        Best first; empty when nothing stands out. Lines flatter than 7 or steeper than 87 degrees are left
        out: the probe face and the picture's sides are no needles.
    """
    strength, direction = ridge_strength(picture, [width / step_mm for width in RIDGE_WIDTHS_MM])
    inside = strength[mask]
    median = float(np.median(inside)) if inside.size else 0.0
    noise = max(1.4826 * median, faintest_grey)
    weight = np.where(mask, np.clip(strength / noise, 0, STRENGTH_CAP), 0) / STRENGTH_CAP
    weight[strength < STRENGTH_FLOOR * noise] = 0
    # Text, graticules and anything else that puts ridges everywhere would only slow the vote down.
    if np.count_nonzero(weight) > 0.25 * mask.sum():
        weight[weight < 1] = 0
    grid = LineGrid.for_picture(
        *weight.shape, angle_step_deg=ANGLE_STEP_DEG, offset_step_px=max(1.0, OFFSET_STEP_MM / step_mm)
    )
    slope_deg = np.abs(90 - np.abs(np.degrees(grid.normals_rad)))
    keep = (slope_deg >= SHALLOWEST_DEG) & (slope_deg <= STEEPEST_DEG)
    score = vote(weight, direction, grid, keep=keep)
    ridges = _Ridges.of(weight, direction)
    found = [
        _refine(ridges, float(grid.normals_rad[row]), float(grid.offset_px(column)), step_mm)
        for row, column, _ in peaks(score, count=2 * count, angle_radius=4, offset_radius=3)
    ]
    return _without_doubles([line for line in found if line is not None], step_mm)[:count]


@dataclass(frozen=True, eq=False)
class _Ridges:
    """The ridge pixels of a picture: place, weight, cosine and sine of twice the direction, each (n,)."""

    x: FloatArray
    y: FloatArray
    weight: FloatArray
    cos_twice: FloatImage
    sin_twice: FloatImage

    @classmethod
    def of(cls, weight: FloatArray, direction_rad: FloatImage) -> _Ridges:
        y, x = np.nonzero(weight)
        twice = 2 * direction_rad[y, x]
        return cls(x.astype(float), y.astype(float), weight[y, x], np.cos(twice), np.sin(twice))

    def along(self, normal_rad: float, within_deg: float) -> npt.NDArray[np.bool_]:
        """Which ridges run so nearly at right angles to a normal, (n,)."""
        cos_turn = self.cos_twice * math.cos(2 * normal_rad) + self.sin_twice * math.sin(2 * normal_rad)
        return np.asarray(cos_turn < -math.cos(2 * math.radians(within_deg)))


def _refine(ridges: _Ridges, normal_rad: float, offset_px: float, step_mm: float) -> Line | None:
    """Fit the line to the ridge pixels along a peak of the vote, twice, the second time closer."""
    along = ridges.along(normal_rad, STRAYING_DEG)
    x, y, values = ridges.x[along], ridges.y[along], ridges.weight[along]
    for reach_mm in (0.8, 0.5):
        off_px = np.abs(x * math.cos(normal_rad) + y * math.sin(normal_rad) - offset_px)
        near = np.flatnonzero(off_px * step_mm < reach_mm)
        if len(near) < 8:
            return None
        normal_rad, offset_px = fit_line(x[near], y[near], values[near])
    at = x[near] * -math.sin(normal_rad) + y[near] * math.cos(normal_rad)
    # Length, not area: a pixel row of the line counts once, by its strongest pixel.
    bins = np.rint(at).astype(np.intp)
    best = np.zeros(int(np.ptp(bins)) + 1)
    np.maximum.at(best, bins - bins.min(), values[near])
    slope = np.degrees(np.arctan2(abs(np.cos(normal_rad)), abs(np.sin(normal_rad))))
    if not SHALLOWEST_DEG <= slope <= STEEPEST_DEG:
        return None
    foot = offset_px * np.array([np.cos(normal_rad), np.sin(normal_rad)])
    along_unit = np.array([-np.sin(normal_rad), np.cos(normal_rad)])
    grown = np.cumsum(best) / best.sum()
    ends = [foot + (bins.min() + int(np.searchsorted(grown, part))) * along_unit for part in (0.05, 0.95)]
    first, last = sorted(((float(end[0]), float(end[1])) for end in ends), key=lambda end: end[1])
    return Line(normal_rad, offset_px, float(best.sum()) * step_mm, first, last)


def _without_doubles(lines: Sequence[Line], step_mm: float) -> list[Line]:
    """Drop lines found twice, and dim the copies that reverberation draws below a shaft."""
    kept: list[Line] = []
    for line in sorted(lines, key=lambda item: -item.support_mm):
        if not any(_gap_mm(line, other, step_mm) < 0.6 and _turn_deg(line, other) < 3 for other in kept):
            kept.append(line)
    judged = [
        replace(line, support_mm=line.support_mm * ECHO_SHARE) if _is_echo(line, kept, step_mm) else line
        for line in kept
    ]
    return sorted(judged, key=lambda item: -item.support_mm)


def _turn_deg(one: Line, other: Line) -> float:
    gap = np.degrees(one.normal_rad - other.normal_rad)
    return float(abs((gap + 90) % 180 - 90))


def _gap_mm(one: Line, other: Line, step_mm: float) -> float:
    """Distance between two nearly parallel lines where they are nearest the picture's corner, in mm."""
    foot = other.offset_px * np.array([np.cos(other.normal_rad), np.sin(other.normal_rad)])
    return float(abs(one.distance_px(foot)) * step_mm)


def _is_echo(line: Line, lines: Sequence[Line], step_mm: float) -> bool:
    """Tell whether a comparable line lies parallel to this one and a little above it."""
    for other in lines:
        comparable = other is not line and other.support_mm >= 0.4 * line.support_mm
        if not comparable or _turn_deg(line, other) > ECHO_ANGLE_DEG:
            continue
        # All of it must lie below: a line that crosses another is no copy of it.
        below_mm = other.distance_px([line.first_px, line.last_px]) * step_mm
        if np.all((below_mm > 0.6) & (below_mm < ECHO_REACH_MM)):
            return True
    return False
