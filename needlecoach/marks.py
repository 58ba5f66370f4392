"""What a user says of a clip (target, scale, region, learner, needle): read, check, write, merge."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, fields, replace
from datetime import date as day
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from needlecoach.errors import MarksError, OutputError
from needlecoach.marking import marking_sd_px
from needlecoach.model import (
    LIMITS_NEEDLE_MM,
    LIMITS_TARGET_MM,
    LIMITS_THROW_MM,
    LIMITS_TICK_MM,
    Clip,
    Corners,
    Marks,
    Medium,
    Point,
    Region,
    Scale,
    Target,
    check_length_mm,
)

SCHEMA = 1

# Wide enough for any screen, narrow enough that no sum of squares overflows.
_Coordinate = Annotated[float, Field(ge=-1e5, le=1e5)]
_Pixel = Annotated[int, Field(ge=-100_000, le=100_000)]
PointPx = tuple[_Coordinate, _Coordinate]
# A smaller outline is a slip of the hand, or millimetres given for px.
_SMALLEST_TARGET_PX = 4.0
_PHANTOM = re.compile(r"\w[\w.-]{0,15}")
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_CODE = re.compile(r"(?=.*\d)\w[\w.-]{0,15}")
_SMALLEST_SCREEN_PX = 50.0
# A corner may lie outside the frame where the camera cuts it off, but not far.
_SCREEN_BEYOND = 0.25
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


class StrictEntry(BaseModel):
    """Settings of every part of the file: unknown keys, NaN and values of another type are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


class EllipseEntry(StrictEntry):
    """An ellipse: centre, semi-axes, and the tilt of the first axis from +x towards +y."""

    centre_px: PointPx
    semi_axes_px: PointPx
    tilt_deg: Annotated[float, Field(ge=-360, le=360)] = 0.0


class OutlineEntry(StrictEntry):
    """An outline: an ellipse or a polygon."""

    ellipse: EllipseEntry | None = None
    polygon_px: list[PointPx] | None = None

    @model_validator(mode="after")
    def _one_outline(self) -> OutlineEntry:
        if (self.ellipse is None) == (self.polygon_px is None):
            raise ValueError('give one of "ellipse" and "polygon_px"')
        return self

    def outlined(self, frame: int) -> Target:
        """Target with this outline on a frame, checked by its own rules."""
        if self.ellipse is not None:
            centre_px, axes_px, tilt_deg = (
                self.ellipse.centre_px,
                self.ellipse.semi_axes_px,
                self.ellipse.tilt_deg,
            )
            return Target.from_ellipse(centre_px, axes_px, tilt_deg=tilt_deg, frame=frame)
        outline = np.array(self.polygon_px or [], dtype=float).reshape(-1, 2)
        if len(outline) >= 3 and _area_px2(outline) < 1:
            raise MarksError("The target's polygon encloses no area; mark its corners in order.")
        return Target(outline_px=outline, frame=frame)


class TargetEntry(OutlineEntry):
    """The target's outline on one frame; its name, its true size, and the same outline marked again."""

    frame: Annotated[int, Field(ge=0, le=10**9)] = 0
    name: Annotated[str, Field(max_length=60)] | None = None
    true_mm: float | None = None
    again: OutlineEntry | None = None

    def to_target(self) -> Target:
        """Target, checked by its own rules; marked twice, its uncertainty is what both differ by."""
        target = self.outlined(self.frame)
        if self.again is None:
            return target
        return replace(target, marking_sd_px=marking_sd_px(target, self.again.outlined(self.frame)))


class ScaleEntry(StrictEntry):
    """Ways to a scale: two points and the mm between them, or mm per px; ticks and target of a known size."""

    points_px: tuple[PointPx, PointPx] | None = None
    mm: float | None = None
    mm_per_px: float | tuple[float, float] | None = None
    tick_mm: float | None = None
    target_mm: float | None = None

    @model_validator(mode="after")
    def _ways(self) -> ScaleEntry:
        points = self.points_px is not None and self.mm is not None
        if (self.points_px is None) != (self.mm is None) or (points and self.mm_per_px is not None):
            raise ValueError('give either "points_px" with "mm", or "mm_per_px"')
        if not points and self.mm_per_px is None and self.tick_mm is None and self.target_mm is None:
            raise ValueError('give "points_px" with "mm", "mm_per_px", "tick_mm" or "target_mm"')
        return self

    def to_scale(self) -> Scale | None:
        """Scale, checked by its own rules; None when the picture must be looked at first."""
        if self.points_px is not None and self.mm is not None:
            return Scale.from_points(*self.points_px, mm=self.mm)
        if self.mm_per_px is None:
            return None
        stated = self.mm_per_px if isinstance(self.mm_per_px, tuple) else (self.mm_per_px,)
        return Scale.from_mm_per_px(*stated)


class MediumEntry(StrictEntry):
    """What the sound runs through: water or gel and its temperature, or the speed itself."""

    kind: Literal["water", "gel", "custom"] = "custom"
    temperature_c: float | None = None
    speed_m_s: float | None = None


class MarksFile(StrictEntry):
    """The file `NAME.marks.json` beside a clip."""

    version: Literal[1] = Field(alias="schema")
    learner: Annotated[str, Field(max_length=200)] | None = None
    task: Literal["aspirate", "core"] = "aspirate"
    needle_gauge: Annotated[int, Field(ge=1, le=40)] | None = None
    needle_length_mm: float | None = None
    throw_mm: float | None = None
    notch_mm: float | None = None
    phantom: Annotated[str, Field(max_length=200)] | None = None
    date: Annotated[str, Field(max_length=200)] | None = None
    target: TargetEntry | None = None
    scale: ScaleEntry | None = None
    region_px: tuple[_Pixel, _Pixel, _Pixel, _Pixel] | None = None
    medium: MediumEntry | None = None
    screen_px: Literal["auto"] | tuple[PointPx, PointPx, PointPx, PointPx] | None = None
    notes: Annotated[str, Field(max_length=10_000)] = ""

    def to_marks(self) -> Marks:
        """Marks for scoring.

        Raises
        ------
        MarksError
            When a target, scale or region is impossible in itself.
        """
        medium, sizes = self.medium, self.scale or ScaleEntry.model_construct()
        throw_mm, notch_mm = _checked_core(self.throw_mm, self.notch_mm)
        return Marks(
            target=None if self.target is None else self.target.to_target(),
            scale=sizes.to_scale(),
            tick_mm=checked_tick_mm(sizes.tick_mm),
            target_mm=checked_target_mm(sizes.target_mm),
            medium=None if medium is None else Medium(**medium.model_dump()),
            region_box_px=None if self.region_px is None else checked_box(self.region_px),
            learner=parse_learner(self.learner) if self.learner else None,
            task=self.task,
            needle_gauge=self.needle_gauge,
            needle_length_mm=_checked_mm(self.needle_length_mm, LIMITS_NEEDLE_MM, "needle_length_mm"),
            throw_mm=throw_mm,
            notch_mm=notch_mm,
            target_name="" if self.target is None else _one_line(self.target.name or "", "target.name"),
            target_true_mm=None
            if self.target is None
            else _checked_mm(self.target.true_mm, LIMITS_TARGET_MM, "target.true_mm"),
            phantom=_checked_phantom(self.phantom),
            date=_checked_date(self.date),
            notes=self.notes,
            screen=_checked_screen(self.screen_px),
        )


@dataclass(frozen=True)
class MarkOptions:
    """Marks given on the command line; None where nothing was given."""

    target: Target | None = None
    scale: Scale | None = None
    region_box_px: tuple[int, int, int, int] | None = None
    tick_mm: float | None = None
    target_mm: float | None = None
    medium: Medium | None = None
    screen: Literal["auto"] | Corners | None = None
    learner: str | None = None
    task: Literal["aspirate", "core"] | None = None
    needle_gauge: int | None = None


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


def marks_beside(clip: Path, options: MarkOptions) -> Marks:
    """Marks from the file beside a clip, if there is one, with those of the command line put over them.

    Raises
    ------
    MarksError
        As `read_marks`.
    """
    file = marks_path(clip)
    return merge_marks(read_marks(file) if os.path.lexists(file) else Marks(), options)


def marks_path(clip: Path) -> Path:
    """Where a clip's marks lie: `NAME.marks.json` beside the video `NAME.mp4` or the folder `NAME`."""
    clip = Path(os.path.abspath(clip))
    return clip.with_name(f"{clip.name if clip.is_dir() else clip.stem}.marks.json")


def read_marks(path: Path) -> Marks:
    """Read a marks file.

    Raises
    ------
    MarksError
        When the file can't be read, is not JSON, has an unknown key or schema, or holds an impossible value:
        one line with the file, the key and what to do.
    """
    path = Path(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as problem:
        raise MarksError(f"{path}: can't be read ({problem.strerror or problem}).") from problem
    except UnicodeDecodeError as problem:
        raise MarksError(f"{path}: is not UTF-8 text; save the marks as UTF-8 JSON.") from problem
    try:
        return marks_from_json(text).to_marks()
    except MarksError as problem:
        raise MarksError(f"{path}: {problem}") from problem


def marks_from_json(text: str) -> MarksFile:
    """Content of a marks file.

    Raises
    ------
    MarksError
        When it is not JSON, has an unknown key or schema, or a value of another kind: the key and what to do.
        Whether a target, scale or region can be one, `MarksFile.to_marks` tells.
    """
    try:
        return MarksFile.model_validate_json(text)
    except ValidationError as problem:
        raise MarksError(first_fault(problem)) from problem


def write_marks(path: Path, marks: MarksFile) -> None:
    """Write a marks file; the old one stays until the new one is whole.

    Raises
    ------
    OutputError
        When the file can't be written.
    """
    write_json(Path(path), marks)


def write_json(path: Path, content: BaseModel) -> None:
    """Write a file of ours as JSON, whole or not at all; OutputError when it can't be written."""
    waiting = path.with_name(path.name + ".part")
    try:
        text = content.model_dump_json(by_alias=True, indent=2, exclude_none=True)
        waiting.write_text(text + "\n", encoding="utf-8")
        os.replace(waiting, path)
    except OSError as problem:
        waiting.unlink(missing_ok=True)
        raise OutputError(f"{path}: can't be written ({problem.strerror or problem}).") from problem


def merge_marks(marks: Marks, options: MarkOptions) -> Marks:
    """Marks of the file with those of the command line put over them; None in `options` keeps the file's."""
    given = {item.name: getattr(options, item.name) for item in fields(options)}
    return replace(marks, **{name: value for name, value in given.items() if value is not None})


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


def parse_target(text: str, *, frame: int = 0) -> Target:
    """Read "cx,cy,rx,ry[,tilt_deg]" in px.

    Raises
    ------
    MarksError
        When the text is anything else, or a radius is not above 0.
    """
    values = _numbers(text, counts=(4, 5), form='--target "cx,cy,rx,ry[,tilt_deg]"')
    tilt_deg = values[4] if len(values) == 5 else 0.0
    return Target.from_ellipse((values[0], values[1]), (values[2], values[3]), tilt_deg=tilt_deg, frame=frame)


def parse_scale(text: str) -> Scale:
    """Read "x1,y1,x2,y2=40mm": two points in px and the distance between them.

    Raises
    ------
    MarksError
        When the text is anything else, or the scale is impossible.
    """
    form = '--scale "x1,y1,x2,y2=40mm"'
    points, equals, distance = text.partition("=")
    distance = distance.strip().lower()
    if not equals or not distance.endswith("mm"):
        raise MarksError(f'{form} was expected, got "{_short(text)}".')
    x1, y1, x2, y2 = _numbers(points, counts=(4,), form=form)
    first: Point = (x1, y1)
    return Scale.from_points(first, (x2, y2), mm=_numbers(distance[:-2], counts=(1,), form=form)[0])


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


def _checked_mm(value_mm: float | None, limits_mm: tuple[float, float], key: str) -> float | None:
    return None if value_mm is None else check_length_mm(value_mm, limits_mm, f'Key "{key}"')


def _checked_core(throw_mm: float | None, notch_mm: float | None) -> tuple[float | None, float | None]:
    """Return throw and notch of a core needle; the throw is what lays the notch open, so it is no shorter."""
    throw_mm = _checked_mm(throw_mm, LIMITS_THROW_MM, "throw_mm")
    notch_mm = _checked_mm(notch_mm, LIMITS_THROW_MM, "notch_mm")
    if throw_mm is not None and notch_mm is not None and notch_mm > throw_mm:
        raise MarksError(
            f"The notch (notch_mm) of {notch_mm:g} mm is longer than the throw (throw_mm) of {throw_mm:g} "
            "mm; look at both again."
        )
    return throw_mm, notch_mm


def _checked_phantom(code: str | None) -> str | None:
    if code is not None and not _PHANTOM.fullmatch(code):
        raise MarksError(
            f"The phantom (phantom) is called by a code of up to 16 letters, digits, - _ or . without "
            f'spaces, such as G3, got "{_short(code)}"; correct it.'
        )
    return code


def _checked_date(text: str | None) -> str | None:
    """Return a day of the calendar as YYYY-MM-DD."""
    try:
        if text is not None and (not _DATE.fullmatch(text) or not day.fromisoformat(text)):
            raise ValueError
    except ValueError as problem:
        raise MarksError(
            "The date must be a day as YYYY-MM-DD, such as 2026-11-26, "
            f'got "{_short(text or "")}"; correct it.'
        ) from problem
    return text


def _one_line(text: str, key: str) -> str:
    if not text.isprintable():
        raise MarksError(f'Key "{key}" must be one line of text, got "{_short(text)}"; correct it.')
    return text.strip()


def parse_medium(
    kind: Literal["water", "gel", "custom"] | None, temperature_c: float | None, speed_m_s: float | None
) -> Medium | None:
    """Medium of the options; None when none of them was given, which corrects nothing.

    Raises
    ------
    MarksError
        When they contradict each other, one is missing, or a value is out of range.
    """
    if kind is None and speed_m_s is None:
        if temperature_c is not None:
            raise MarksError("--temperature says nothing without --medium water or gel; give that too.")
        return None
    return Medium(kind or "custom", temperature_c=temperature_c, speed_m_s=speed_m_s)


def parse_region(text: str) -> tuple[int, int, int, int]:
    """Read "x,y,w,h" in whole px.

    Raises
    ------
    MarksError
        When the text is anything else, or the box is too small.
    """
    form = '--region "x,y,w,h"'
    values = _numbers(text, counts=(4,), form=form)
    if any(value != int(value) for value in values):
        raise MarksError(f'{form} takes whole px, got "{_short(text)}".')
    x, y, w, h = (int(value) for value in values)
    return checked_box((x, y, w, h))


def parse_screen(text: str) -> Literal["auto"] | Corners:
    """Read "auto", or "x,y x,y x,y x,y": the four corners of a filmed screen in px, in any order.

    Raises
    ------
    MarksError
        When the text is anything else, or the corners make no quadrilateral that bulges everywhere.
    """
    form = '--screen auto or "x,y x,y x,y x,y"'
    if text.strip().lower() == "auto":
        return "auto"
    parts = text.split()
    if len(parts) != 4:
        raise MarksError(f'{form} was expected, got "{_short(text)}".')
    one, two, three, four = (_numbers(part, counts=(2,), form=form) for part in parts)
    corners = ((one[0], one[1]), (two[0], two[1]), (three[0], three[1]), (four[0], four[1]))
    return _checked_screen(corners) or "auto"


def _checked_screen(screen: Literal["auto"] | Corners | None) -> Literal["auto"] | Corners | None:
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


def _numbers(text: str, *, counts: tuple[int, ...], form: str) -> list[float]:
    parts = [part.strip() for part in text.split(",")]
    if len(parts) not in counts or not all(_NUMBER.fullmatch(part) for part in parts):
        raise MarksError(f'{form} was expected, got "{_short(text)}".')
    values = [float(part) for part in parts]
    if any(abs(value) > 1e5 for value in values):
        raise MarksError(f'{form}: a number is beyond 100000 in "{_short(text)}".')
    return values


def _area_px2(outline: np.ndarray) -> float:
    following = np.roll(outline, -1, axis=0)
    return abs(float((outline[:, 0] * following[:, 1] - following[:, 0] * outline[:, 1]).sum())) / 2


def first_fault(problem: ValidationError) -> str:
    """First fault of a marks file in one line: key, what is wrong, what to do."""
    fault = problem.errors(include_url=False)[0]
    key = ".".join(str(step) for step in fault["loc"])
    message = fault["msg"].removeprefix("Value error, ")
    if fault["type"] == "json_invalid":
        return f"is not valid JSON ({message.removeprefix('Invalid JSON: ')}); mend the file."
    if fault["type"] == "extra_forbidden":
        return f'unknown key "{_short(key)}"; take it out or correct its spelling.'
    if fault["type"] == "missing":
        return f'key "{key}" is missing; add it' + (f", as {SCHEMA}." if key == "schema" else ".")
    if key == "schema":
        return f'key "schema" is {_short(repr(fault["input"]))}; this version reads schema {SCHEMA}.'
    if key.startswith("screen_px"):
        return 'key "screen_px": expected is "auto", or four corners [[x, y], [x, y], [x, y], [x, y]].'
    where = f'key "{key}": ' if key else ""
    return f"{where}{message[0].lower()}{message[1:]}, got {_short(repr(fault['input']))}; correct it."


def _short(text: str) -> str:
    """Text fit for one line."""
    line = "".join(letter if letter.isprintable() else "?" for letter in text)
    return line if len(line) <= 60 else line[:57] + "..."
