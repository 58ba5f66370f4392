"""Two plain ways to find a needle, one frame at a time: what a reader holds the tracking against."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pandas as pd

from needlecoach.clips import open_clip
from needlecoach.finding.candidates import find_lines
from needlecoach.model import GreyImage, Region, Scale
from needlecoach.tracking.plane import Plane

FloatArray = npt.NDArray[np.float64]
BoolImage = npt.NDArray[np.bool_]

# The probe's face and the picture's border are edges in every frame.
BORDER_MM = 1.0
FLATTEST_DEG, STEEPEST_DEG = 7.0, 87.0

# Both methods were tuned by a search over these numbers on drawn clips (faint needles, scenery, curved
# pictures, none at all), for most tips found less needles reported where there is none; a trail left behind,
# which no single frame tells from a needle, was not held against them. For the drop, other rules (the
# steepest local one, three ways) were tried and found fewer.
EDGE_BLUR_MM = 0.35
EDGE_HIGH_PERCENTILE = 96.5
EDGE_LOW_SHARE = 0.7
EDGE_SHORTEST_MM = 10.0
EDGE_GAP_MM = 2.5
EDGE_VOTES_PER_MM = 4.0

RIDGE_SHORTEST_MM = 2.0
PROFILE_BLUR_MM = 0.6
SHORTEST_SHAFT_MM = 2.0


@dataclass(frozen=True, eq=False)
class Found:
    """A needle in one working picture: its deeper end in pixels of that picture, its angle to the level."""

    tip: FloatArray
    angle_deg: float


Method = Callable[[GreyImage, BoolImage, float], Found | None]


def hough_on_edges(picture: GreyImage, mask: BoolImage, step_mm: float) -> Found | None:
    """Probabilistic Hough transform on an edge map: the longest segment, the tip is its deeper end.

    Parameters
    ----------
    picture : (height, width) uint8
    mask : (height, width) bool, where to look
    step_mm : width of a pixel

    Returns
    -------
    Found or None
        None when no segment is long enough.

    Notes
    -----
    Canny, IEEE PAMI 1986;8:679; Matas et al., Comput Vis Image Underst 2000;78:119; both as in OpenCV.
    """
    smooth = cv2.GaussianBlur(picture, (0, 0), EDGE_BLUR_MM / step_mm)
    across, down = (cv2.Sobel(smooth, cv2.CV_16S, dx, 1 - dx) for dx in (1, 0))
    slope = np.abs(across.astype(float)) + np.abs(down)
    high = float(np.percentile(slope[mask], EDGE_HIGH_PERCENTILE))
    edges = cv2.Canny(across, down, EDGE_LOW_SHARE * high, high)
    edges[~mask] = 0
    shortest_px = EDGE_SHORTEST_MM / step_mm
    segments = cv2.HoughLinesP(
        edges,
        1,
        np.pi / 180,
        round(EDGE_VOTES_PER_MM * EDGE_SHORTEST_MM),
        minLineLength=shortest_px,
        maxLineGap=EDGE_GAP_MM / step_mm,
    )
    if segments is None:
        return None
    ends = segments.reshape(-1, 2, 2).astype(float)
    run = ends[:, 1] - ends[:, 0]
    slope_deg = np.degrees(np.arctan2(np.abs(run[:, 1]), np.abs(run[:, 0])))
    length = np.where((slope_deg >= FLATTEST_DEG) & (slope_deg <= STEEPEST_DEG), np.hypot(*run.T), 0)
    best = int(np.argmax(length))
    if not length[best]:
        return None
    return Found(ends[best][np.argmax(ends[best][:, 1])], float(slope_deg[best]))


def ridge_and_drop(picture: GreyImage, mask: BoolImage, step_mm: float) -> Found | None:
    """Ridge strength, Hough vote, then the tip where the brightness along the line drops.

    Parameters and returns are those of `hough_on_edges`. Ridges and vote are the ones that the tracking
    starts from, here on the bare frame.

    Notes
    -----
    The drop is the place that splits the brightness along the line into a bright stretch from the picture's
    upper edge and a dark one after it with the least sum of squares within both (Otsu, IEEE SMC 1979;9:62,
    in one dimension along the line).
    """
    lines = find_lines(picture, step_mm=step_mm, mask=mask, count=1)
    if not lines or lines[0].support_mm < RIDGE_SHORTEST_MM:
        return None
    line = lines[0]
    way = _points_inside(np.array(line.first_px), line.direction, mask)
    if len(way) * step_mm < 2 * SHORTEST_SHAFT_MM:
        return None
    end = _drop(_brightness(picture, way, step_mm), round(SHORTEST_SHAFT_MM / step_mm))
    slope_deg = float(np.degrees(np.arctan2(line.direction[1], abs(line.direction[0]))))
    return Found(way[end], slope_deg)


def _points_inside(place: FloatArray, direction: FloatArray, mask: BoolImage) -> FloatArray:
    """Points one pixel apart on the line through a place, (n, 2), from where it comes in on; going down."""
    height, width = mask.shape
    reach = np.arange(-height - width, height + width)
    points = place + reach[:, None] * direction
    x, y = np.rint(points).astype(int).T
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    inside[inside] = mask[y[inside], x[inside]]
    return points[inside]


def _brightness(picture: GreyImage, way: FloatArray, step_mm: float) -> FloatArray:
    """Grey values at points of the line, smoothed along it, (n,)."""
    places = way[None].astype(np.float32)
    grey = cv2.remap(picture.astype(np.float32), places, None, cv2.INTER_LINEAR)
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), PROFILE_BLUR_MM / step_mm)[0], dtype=float)


def _drop(profile: FloatArray, shortest: int) -> int:
    """Last index of the bright stretch; `shortest` points are left to either side."""
    n = np.arange(1, len(profile))
    before = np.cumsum(profile)[:-1] / n
    after = (profile.sum() - np.cumsum(profile)[:-1]) / (len(profile) - n)
    between = np.where(before > after, n * (len(profile) - n) * (before - after) ** 2, 0)
    between[: shortest - 1] = between[len(between) - shortest + 1 :] = 0
    return int(np.argmax(between))


METHODS: dict[str, Method] = {"edges + Hough": hough_on_edges, "ridge + Hough + drop": ridge_and_drop}


def follow_plainly(path: Path, region: Region, scale: Scale) -> dict[str, pd.DataFrame]:
    """Run every plain method on every frame of a clip.

    Returns
    -------
    dict of str to DataFrame
        By method, the columns of track.csv that it can fill; a tip that is found counts as visible.
    """
    plane = Plane(region, scale)
    border = 2 * round(BORDER_MM / plane.step_mm) + 1
    room = np.pad(plane.mask.astype(np.uint8), border)
    mask = cv2.erode(room, np.ones((border, border), np.uint8))[border:-border, border:-border] > 0
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in METHODS}
    with open_clip(path) as reader:
        for frame in reader:
            picture = plane.resample(frame.pixels)
            for name, method in METHODS.items():
                found = method(picture, mask, plane.step_mm)
                rows[name].append(_row(frame.number, found, plane))
    return {name: pd.DataFrame(lines) for name, lines in rows.items()}


def _row(number: int, found: Found | None, plane: Plane) -> dict[str, Any]:
    x, y = (np.nan, np.nan) if found is None else plane.to_frame_px(found.tip)
    there = int(found is not None)
    return {
        "frame": number,
        "needle_present": there,
        "tip_x_px": x,
        "tip_y_px": y,
        "tip_visible": there,
        "angle_deg": np.nan if found is None else found.angle_deg,
    }


def region_of(truth: dict[str, Any]) -> Region:
    """Region as a truth file states it."""
    given = truth.get("region") or truth["image_region"]
    box = tuple(int(value) for value in given["box_px"])
    if given["kind"] != "sector":
        return Region("rectangle", box, source="given")
    apex = (float(given["apex_px"][0]), float(given["apex_px"][1]))
    radii = (float(given["r_min_px"]), float(given["r_max_px"]))
    return Region("sector", box, apex, *radii, float(given["half_angle_deg"]), source="given")


def scale_of(truth: dict[str, Any]) -> Scale:
    """Scale as a truth file states it."""
    return Scale.from_mm_per_px(truth["mm_per_px"]["x"], truth["mm_per_px"]["y"])
