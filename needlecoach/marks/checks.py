"""Whether what a user says can be: values by themselves, and marks against the recording."""

from __future__ import annotations

import re
from datetime import date as day
from typing import Literal

import numpy as np

from needlecoach.errors import BlockError, MarksError
from needlecoach.model import (
    LIMITS_DEAD_SPACE_MM,
    LIMITS_TARGET_MM,
    LIMITS_THROW_MM,
    LIMITS_TICK_MM,
    Clip,
    Corners,
    Marks,
    Region,
    check_block_code,
    check_length_mm,
)

# A smaller outline is a slip of the hand, or millimetres given for px.
_SMALLEST_TARGET_PX = 4.0
_PHANTOM = re.compile(r"\w[\w.-]{0,15}")
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_CODE = re.compile(r"(?=.*\d)\w[\w.-]{0,15}")
_SMALLEST_SCREEN_PX = 50.0
# A corner may lie outside the frame where the camera cuts it off, but not far.
_SCREEN_BEYOND = 0.25


def parse_learner(text: str) -> str:
    """Check that a learner is called by a code: up to 16 letters, digits, - _ or ., a digit among them.

    Raises
    ------
    MarksError
        When it could be a name; the text is not repeated, so that a name ends up in no log.
    """
    if not _CODE.fullmatch(text):
        raise MarksError(
            "A learner is called by a code, not by name: up to 16 letters, digits, - _ or . without spaces, "
            "a digit among them, such as L01; keep the list of names elsewhere."
        )
    return text


def check_marks(marks: Marks, clip: Clip, *, region: Region | None = None) -> None:
    """Check marks against the recording (and the picture in it, when known).

    Raises
    ------
    MarksError
        When the region leaves the frame, or the target lies outside the picture, is larger than
        it, too small or on no frame of the clip.
    """
    size = f"{clip.width_px} x {clip.height_px} px"
    if marks.region_box_px is not None:
        x, y, w, h = marks.region_box_px
        if x < 0 or y < 0 or x + w > clip.width_px or y + h > clip.height_px:
            raise MarksError(
                f"{clip.path.name}: region {x},{y},{w},{h} is not within the frame of {size}; give it again."
            )
    if isinstance(marks.screen, tuple):
        beyond_px = _SCREEN_BEYOND * max(clip.width_px, clip.height_px)
        for x_px, y_px in marks.screen:
            if max(-x_px, -y_px, x_px - clip.width_px, y_px - clip.height_px) > beyond_px:
                raise MarksError(
                    f"{clip.path.name}: the screen's corner {x_px:g},{y_px:g} lies far outside the frame "
                    f"of {size}; give --screen in px of the original frame."
                )
    if marks.target is None:
        return
    x_px, y_px = marks.target.centre_px
    if not (-0.5 <= x_px < clip.width_px - 0.5 and -0.5 <= y_px < clip.height_px - 0.5):
        raise MarksError(
            f"{clip.path.name}: the target's centre ({x_px:g}, {y_px:g}) lies outside the frame of {size}; "
            "mark it in px of the original frame."
        )
    outline_px = marks.target.outline_px
    wide_px, high_px = np.ptp(outline_px, axis=0)
    box_px = (clip.width_px, clip.height_px) if region is None else region.box_px[2:]
    if wide_px > box_px[0] or high_px > box_px[1]:
        raise MarksError(
            f"{clip.path.name}: the target's outline is {wide_px:.0f} x {high_px:.0f} px, more than the "
            f"picture of {box_px[0]} x {box_px[1]} px; mark it again."
        )
    if min(wide_px, high_px) < _SMALLEST_TARGET_PX:
        raise MarksError(
            f"{clip.path.name}: the target's outline is {wide_px:.2g} x {high_px:.2g} px, too small for a "
            "target; give its radii in px."
        )
    if region is not None and not region.contains((x_px, y_px)):
        raise MarksError(
            f"{clip.path.name}: the target's centre ({x_px:g}, {y_px:g}) lies outside the ultrasound picture "
            f"at {','.join(map(str, region.box_px))} (x,y,w,h); mark the target again or give --region."
        )
    if 0 < clip.n_frames <= marks.target.frame:
        raise MarksError(
            f"{clip.path.name}: the target is marked on frame {marks.target.frame}, the clip has "
            f"{clip.n_frames} frames counted from 0; give --target-frame again."
        )


def checked_tick_mm(value_mm: float | None) -> float | None:
    """Return the distance of a ruler's ticks when it can be one; MarksError otherwise. None is not given."""
    if value_mm is None:
        return None
    return check_length_mm(value_mm, LIMITS_TICK_MM, "The distance of neighbouring ticks (tick-mm)")


def checked_target_mm(value_mm: float | None) -> float | None:
    """Return a target's mean diameter when it can be one; MarksError otherwise. None is not given."""
    if value_mm is None:
        return None
    return check_length_mm(value_mm, LIMITS_TARGET_MM, "The target's mean diameter (target-mm)")


def checked_mm(value_mm: float | None, limits_mm: tuple[float, float], key: str) -> float | None:
    return None if value_mm is None else check_length_mm(value_mm, limits_mm, f'Key "{key}"')


def checked_core(
    throw_mm: float | None, notch_mm: float | None, dead_space_mm: float | None
) -> tuple[float | None, float | None, float | None]:
    """Return the three of a core needle; the throw is what lays the notch open, so it is no shorter.

    Raises
    ------
    MarksError
        When one of them can't be, or the notch is longer than the throw.
    """
    throw_mm = checked_mm(throw_mm, LIMITS_THROW_MM, "throw_mm")
    notch_mm = checked_mm(notch_mm, LIMITS_THROW_MM, "notch_mm")
    dead_space_mm = checked_mm(dead_space_mm, LIMITS_DEAD_SPACE_MM, "dead_space_mm")
    if throw_mm is not None and notch_mm is not None and notch_mm > throw_mm:
        raise MarksError(
            f"The notch (notch_mm) of {notch_mm:g} mm is longer than the throw (throw_mm) of {throw_mm:g} "
            "mm; look at both again."
        )
    return throw_mm, notch_mm, dead_space_mm


def checked_phantom(code: str | None) -> str | None:
    if code is not None and not _PHANTOM.fullmatch(code):
        raise MarksError(
            f"The phantom (phantom) is called by a code of up to 16 letters, digits, - _ or . without "
            f'spaces, such as G3, got "{short(code)}"; correct it.'
        )
    return code


def checked_block(code: str | None) -> str | None:
    try:
        return None if code is None else check_block_code(code)
    except BlockError as problem:
        raise MarksError(f'Key "block": {problem}') from problem


def checked_date(text: str | None) -> str | None:
    """Return a day of the calendar as YYYY-MM-DD."""
    try:
        if text is not None and (not _DATE.fullmatch(text) or not day.fromisoformat(text)):
            raise ValueError
    except ValueError as problem:
        raise MarksError(
            "The date must be a day as YYYY-MM-DD, such as 2026-11-26, "
            f'got "{short(text or "")}"; correct it.'
        ) from problem
    return text


def one_line(text: str, key: str) -> str:
    if not text.isprintable():
        raise MarksError(f'Key "{key}" must be one line of text, got "{short(text)}"; correct it.')
    return text.strip()


def checked_screen(screen: Literal["auto"] | Corners | None) -> Literal["auto"] | Corners | None:
    """Return the corners in their order round the screen when they can be those of a screen."""
    if screen is None or screen == "auto":
        return screen
    corners = np.array(screen, dtype=float)
    off = corners - corners.mean(axis=0)
    corners = corners[np.argsort(np.arctan2(off[:, 1], off[:, 0]))]
    sides = np.roll(corners, -1, axis=0) - corners
    following = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * following[:, 1] - sides[:, 1] * following[:, 0]
    lengths = np.hypot(*sides.T)
    # A corner that hardly turns is a point on a side, or a corner given twice.
    if lengths.min() < _SMALLEST_SCREEN_PX or (turns < 0.17 * lengths * np.roll(lengths, -1)).any():
        raise MarksError(
            f"The screen's corners {' '.join(f'{x:g},{y:g}' for x, y in screen)} make no outline of a screen "
            f"(four corners, sides of {_SMALLEST_SCREEN_PX:g} px or more); give --screen again."
        )
    one, two, three, four = ((float(x), float(y)) for x, y in corners)
    return one, two, three, four


def checked_box(box_px: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
    """Return the box (x, y, width, height) when a region can be made of it; MarksError otherwise."""
    if box_px[0] < 0 or box_px[1] < 0:
        raise MarksError(
            f"Region must lie within the frame, got {','.join(map(str, box_px))}; give it again."
        )
    return Region(kind="rectangle", box_px=box_px, source="given").box_px


def area_px2(outline: np.ndarray) -> float:
    following = np.roll(outline, -1, axis=0)
    return abs(float((outline[:, 0] * following[:, 1] - following[:, 0] * outline[:, 1]).sum())) / 2


def short(text: str) -> str:
    """Text fit for one line."""
    line = "".join(letter if letter.isprintable() else "?" for letter in text)
    return line if len(line) <= 60 else line[:57] + "..."
