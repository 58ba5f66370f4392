"""What the tool proposes before anything is marked: region, ruler, scale, a filmed screen's outline."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np

from needlecoach.errors import MarksError, UnscorableError
from needlecoach.inspection import inspect_clip
from needlecoach.model import Corners, FloatArray, Inspection, Marks
from needlecoach.reporting.record import plain

Screen = Literal["auto"] | Corners


def propose(clip: Path, marks: Marks, *, screen: Screen | None, fps: float | None) -> dict[str, Any]:
    """Look at a clip and tell what was found, in px of its first frame.

    Parameters
    ----------
    marks : as saved; region, scale and target are left out, so that what is proposed is the tool's own
    screen : "auto" or corners, for a camera's recording of a screen
    """
    known = replace(
        marks, region_box_px=None, scale=None, tick_mm=None, target=None, target_mm=None, screen=screen
    )
    try:
        try:
            found, _, _ = inspect_clip(clip, known, fps=fps)
        except MarksError:  # a mark does not fit this clip; without it there is still something to see
            found, _, _ = inspect_clip(clip, Marks(screen=screen), fps=fps)
    except UnscorableError as problem:
        return _nothing(str(problem))
    return {
        "region": _region(found),
        "region_problem": found.region_problem.rstrip("."),  # the page puts it into a sentence
        "ruler": {"words": found.ruler, "ticks_px": plain(_in_frame(found, found.ticks_px).round(2))},
        "scale": _scale(found),
        "screen_corners_px": None
        if found.screen_corners_px is None
        else plain(found.screen_corners_px.round(2)),
        "from_file": found.region is not None and found.region.source not in ("found", "given"),
    }


def _nothing(problem: str) -> dict[str, Any]:
    return {
        "region": None,
        "region_problem": problem.rstrip("."),
        "ruler": {"words": "not looked for without a picture", "ticks_px": []},
        "scale": None,
        "screen_corners_px": None,
        "from_file": False,
    }


def _region(found: Inspection) -> dict[str, Any] | None:
    region = found.region
    if region is None:
        return None
    outline_px = _in_frame(found, region.outline_px)
    if found.screen_corners_px is None:
        box_px = [int(side) for side in region.box_px]
    else:
        low, high = np.floor(outline_px.min(axis=0)), np.ceil(outline_px.max(axis=0))
        box_px = [int(side) for side in (*low, *(high - low))]
    return {"kind": region.kind, "box_px": box_px, "outline_px": plain(outline_px.round(2))}


def _scale(found: Inspection) -> dict[str, Any] | None:
    scale = found.scale
    if scale is None:
        return None
    return {
        "x_mm_per_px": scale.x_mm_per_px,
        "y_mm_per_px": scale.y_mm_per_px,
        "source": scale.source,
        "sd_share": scale.sd_share,
    }


def _in_frame(found: Inspection, points_px: FloatArray) -> FloatArray:
    """Points of the picture that was looked at, in px of the first frame as recorded."""
    if found.screen_corners_px is None or not len(points_px):
        return points_px
    width, height = found.clip.width_px - 1, found.clip.height_px - 1
    own = np.array([(0, 0), (width, 0), (width, height), (0, height)], dtype=np.float32)
    turned = cv2.getPerspectiveTransform(own, found.screen_corners_px.astype(np.float32))
    return np.asarray(cv2.perspectiveTransform(points_px.reshape(-1, 1, 2), turned).reshape(-1, 2))
