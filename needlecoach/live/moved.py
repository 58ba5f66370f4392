"""The day's marks as they hold for one attempt's recording, as the file beside it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from needlecoach.live.laid import Laid
from needlecoach.live.straight import to_frame_px
from needlecoach.marks import MarksFile, TargetEntry
from needlecoach.marks.file import MediumEntry, OutlineEntry, ScaleEntry
from needlecoach.model import FloatArray, Marks, Point, Scale, ScreenView

# Marks are made to a px at best.
_DECIMALS = 2


def moved_marks(
    laid: Laid,
    of_day: MarksFile | None,
    target_px: FloatArray | None,
    view: ScreenView | None,
    *,
    learner: str | None = None,
    visitor: bool = False,
    date: str | None = None,
) -> MarksFile:
    """Marks for a recording, in px of its first frame.

    Parameters
    ----------
    of_day : the setup's file, whose target stays the ellipse or polygon that it was; None without one
    target_px : (2,) where the target's centre lies in the first frame, in px of the followed picture; None
        or NaN leaves it where it was marked
    view : how the first frame shows the screen; None unless a camera films it
    learner, date : go before those of the day's marks, which may be of another day
    visitor : leave out who it was, the notes and the date
    """
    given = laid.given
    # A recording's own medium would go before that of the block's file, which may be measured anew.
    of_block = given.of_block is not None and given.of_block.medium
    known: dict[str, Any] = {
        "schema": 1,
        "learner": None if visitor else learner or given.learner,
        "task": given.task,
        "needle_gauge": given.needle_gauge,
        "needle_length_mm": given.needle_length_mm,
        "throw_mm": given.throw_mm,
        "notch_mm": given.notch_mm,
        "dead_space_mm": given.dead_space_mm,
        "phantom": given.phantom,
        "date": None if visitor else date or given.date,
        "target": _target(laid, of_day, target_px, view),
        "scale": _scale(laid, view),
        "region_px": _region(laid, view),
        "block": given.block,
        "medium": None if given.medium is None or of_block else _medium(given),
        "screen_px": None if view is None else _corners(laid, view),
        "notes": "" if visitor else given.notes,
    }
    return MarksFile(**known)


def _target(
    laid: Laid, of_day: MarksFile | None, target_px: FloatArray | None, view: ScreenView | None
) -> TargetEntry | None:
    """The target as an entry of the file, moved to where it lies."""
    given, followed = laid.given.target, laid.marks.target
    if given is None or followed is None:
        return None
    entry = None if of_day is None else of_day.target
    shift = np.zeros(2)
    if target_px is not None and np.isfinite(target_px).all():
        shift = np.asarray(target_px, float) - np.asarray(followed.centre_px)
    about: dict[str, Any] = {
        "name": laid.given.target_name or None,
        "kind": laid.given.target_kind,
        "true_mm": laid.given.target_true_mm,
    }
    if view is None and entry is not None and _is_same(entry, laid.given):
        again = None if entry.again is None else _shifted(entry.again, shift)
        outline = _shifted(entry, shift)
        return TargetEntry(ellipse=outline.ellipse, polygon_px=outline.polygon_px, again=again, **about)
    outline_px = to_frame_px(followed.outline_px + shift, view)
    return TargetEntry(polygon_px=_points(outline_px), **about)


def _is_same(entry: TargetEntry, marks: Marks) -> bool:
    """Tell whether the file's own target holds, and not one of the command line."""
    target = marks.target
    if target is None:
        return False
    of_file = entry.to_target()
    return of_file.outline_px.shape == target.outline_px.shape and bool(
        np.allclose(of_file.outline_px, target.outline_px)
    )


def _shifted(entry: OutlineEntry, shift: FloatArray) -> OutlineEntry:
    if entry.ellipse is not None:
        centre_px = _point(np.asarray(entry.ellipse.centre_px) + shift)
        return OutlineEntry(ellipse=entry.ellipse.model_copy(update={"centre_px": centre_px}))
    return OutlineEntry(polygon_px=_points(np.asarray(entry.polygon_px) + shift))


def _scale(laid: Laid, view: ScreenView | None) -> ScaleEntry | None:
    given = laid.given
    ways: dict[str, Any] = {"tick_mm": given.tick_mm, "target_mm": given.target_mm}
    if given.scale is not None:
        ways |= _stated(given.scale, laid.marks.scale, view)
    if all(value is None for value in ways.values()):
        return None
    return ScaleEntry(**ways)


def _stated(given: Scale, followed: Scale | None, view: ScreenView | None) -> dict[str, Any]:
    """A marked scale by its points, which move with the screen, else by the size of a px."""
    if given.points_px is None or given.points_mm is None:
        return {"mm_per_px": (given.x_mm_per_px, given.y_mm_per_px)}
    points = np.asarray(given.points_px, dtype=float)
    if view is not None and followed is not None and followed.points_px is not None:
        points = to_frame_px(np.asarray(followed.points_px, dtype=float), view)
    first, second = _points(points)
    return {"points_px": (first, second), "mm": given.points_mm}


def _region(laid: Laid, view: ScreenView | None) -> tuple[int, int, int, int] | None:
    """The marked region; with a camera the box round it where it lies in the first frame."""
    given, followed = laid.given.region_box_px, laid.marks.region_box_px
    if given is None or view is None or followed is None:
        return given
    x, y, wide, high = followed
    corners = np.array([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)], dtype=float)
    moved = to_frame_px(corners, view)
    low, high_px = np.maximum(np.rint(moved.min(axis=0)), 0), np.rint(moved.max(axis=0))
    return int(low[0]), int(low[1]), int(high_px[0] - low[0]), int(high_px[1] - low[1])


def _corners(laid: Laid, view: ScreenView) -> tuple[Point, Point, Point, Point]:
    """The screen's corners in the first frame, clockwise from the upper left."""
    assert laid.filmed is not None
    wide, high = laid.filmed.straight.size_px
    own = np.array([(0, 0), (wide - 1, 0), (wide - 1, high - 1), (0, high - 1)], dtype=float)
    one, two, three, four = _points(to_frame_px(own, view))
    return one, two, three, four


def _medium(marks: Marks) -> MediumEntry:
    medium = marks.medium
    assert medium is not None
    return MediumEntry(kind=medium.kind, temperature_c=medium.temperature_c, speed_m_s=medium.speed_m_s)


def _points(points_px: FloatArray | Sequence[Any]) -> list[Point]:
    return [_point(one) for one in np.asarray(points_px, dtype=float)]


def _point(point_px: FloatArray) -> Point:
    return round(float(point_px[0]), _DECIMALS), round(float(point_px[1]), _DECIMALS)
