"""Marks made on a camera's frames, carried over to the straight picture of the screen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from needlecoach.errors import MarksError
from needlecoach.model import FloatArray, Marks, Point, Scale, ScreenView, Target
from needlecoach.screen.rectify import Straight
from needlecoach.screen.register import mapped

# A mark may lie beyond the outline by so much of the screen's size: outlines and hands are that good.
BEYOND_SHARE = 0.03
# Both axes share one uncertainty: that of the shape weighs on one of them only.
SHAPE_WEIGHT = float(np.sqrt(0.5))


def straight_marks(marks: Marks, straight: Straight, view_of: Callable[[int], ScreenView]) -> Marks:
    """Marks in px of the straight picture, on which there is no screen left to mark.

    Parameters
    ----------
    marks : in px of the camera's frames: the target on its frame, scale points and region on the first
    view_of : the view of a frame by its number

    Raises
    ------
    MarksError
        When a mark does not lie on the screen.
    """
    first = view_of(0)
    return replace(
        marks,
        screen=None,
        target=None if marks.target is None else _target(marks.target, straight, view_of(marks.target.frame)),
        scale=None if marks.scale is None else _scale(marks.scale, straight, first),
        region_box_px=None if marks.region_box_px is None else _box(marks.region_box_px, straight, first),
    )


def _back(view: ScreenView, points_px: npt.ArrayLike) -> FloatArray:
    undone = np.asarray(np.linalg.inv(view.homography), dtype=float)
    return mapped(undone, points_px)


def _target(target: Target, straight: Straight, view: ScreenView) -> Target:
    outline = _back(view, target.outline_px)
    centre = _back(view, np.array(target.centre_px, dtype=float))
    _check_on_screen(centre[None, :], straight, "The target's centre does")
    grown = float(
        np.sqrt(np.ptp(outline, axis=0).prod() / max(np.ptp(target.outline_px, axis=0).prod(), 1e-9))
    )
    return replace(
        target,
        outline_px=outline,
        centre_px=(float(centre[0]), float(centre[1])),
        marking_sd_px=target.marking_sd_px * grown,
    )


def _scale(scale: Scale, straight: Straight, view: ScreenView) -> Scale:
    """Scale by the same two points, or by the stated size of a pixel in the middle of the screen."""
    if scale.points_px is not None and scale.points_mm is not None:
        ends = _back(view, np.array(scale.points_px))
        _check_on_screen(ends, straight, "The scale's points do")
        first, second = ends
        moved = Scale.from_points(_point(first), _point(second), mm=scale.points_mm)
    else:
        middle = mapped(view.homography, (np.array(straight.size_px, dtype=float) - 1) / 2)
        middle = np.asarray(middle, dtype=float)
        steps = np.array([[-0.5, 0], [0.5, 0], [0, -0.5], [0, 0.5]])
        left, right, upper, lower = _back(view, middle + steps)
        across, down = float(np.hypot(*(right - left))), float(np.hypot(*(lower - upper)))
        moved = replace(scale, x_mm_per_px=scale.x_mm_per_px / across, y_mm_per_px=scale.y_mm_per_px / down)
    return doubted_scale(moved, straight)


def doubted_scale(scale: Scale, straight: Straight) -> Scale:
    """Scale of the straight picture with the uncertainty of the screen's shape added to its own."""
    sd = float(np.hypot(scale.sd_share, SHAPE_WEIGHT * straight.shape_sd_share))
    return replace(scale, sd_share=min(sd, 0.99))


def _check_on_screen(points_px: FloatArray, straight: Straight, what: str) -> None:
    """Refuse points (n, 2) of the straight picture that lie beyond its edges."""
    size = np.array(straight.size_px, dtype=float)
    beyond = BEYOND_SHARE * size
    if ((points_px < -beyond) | (points_px > size - 1 + beyond)).any():
        raise MarksError(
            f"{what} not lie within the screen's outline. If that was found wrongly, give its four corners; "
            "leave --screen out if no camera filmed a screen."
        )


def _box(
    box_px: tuple[int, int, int, int], straight: Straight, view: ScreenView
) -> tuple[int, int, int, int]:
    """Rectangle through the middles of the four sides that the marked box becomes."""
    x, y, w, h = box_px
    corners = np.array([[x, y], [x + w - 1, y], [x + w - 1, y + h - 1], [x, y + h - 1]], dtype=float)
    moved = _back(view, corners)
    low = np.array([moved[[0, 3], 0].mean(), moved[[0, 1], 1].mean()])
    high = np.array([moved[[1, 2], 0].mean(), moved[[2, 3], 1].mean()])
    first = np.maximum(np.rint(low), 0).astype(int)
    last = np.minimum(np.rint(high), np.array(straight.size_px) - 1).astype(int)
    wide, high_px = (last - first + 1).tolist()
    if min(wide, high_px) < 8:
        raise MarksError(f"Region {x},{y},{w},{h} does not lie on the screen; give --region x,y,w,h again.")
    return int(first[0]), int(first[1]), wide, high_px


def _point(place: FloatArray) -> Point:
    return float(place[0]), float(place[1])
