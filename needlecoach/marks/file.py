"""The file of marks beside a clip: read, check, write."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from needlecoach.errors import MarksError, OutputError
from needlecoach.marking import marking_sd_px
from needlecoach.marks.checks import (
    area_px2,
    checked_block,
    checked_box,
    checked_core,
    checked_date,
    checked_mm,
    checked_phantom,
    checked_screen,
    checked_target_mm,
    checked_tick_mm,
    one_line,
    parse_learner,
    short,
)
from needlecoach.model import (
    LIMITS_NEEDLE_MM,
    LIMITS_TARGET_MM,
    Marks,
    Medium,
    Scale,
    Target,
)

SCHEMA = 1


_Coordinate = Annotated[float, Field(ge=-1e5, le=1e5)]
_Pixel = Annotated[int, Field(ge=-100_000, le=100_000)]
PointPx = tuple[_Coordinate, _Coordinate]


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
        if len(outline) >= 3 and area_px2(outline) < 1:
            raise MarksError("The target's polygon encloses no area; mark its corners in order.")
        return Target(outline_px=outline, frame=frame)


class TargetEntry(OutlineEntry):
    """The target's outline on one frame; its name, kind and true size, and the same outline marked again."""

    frame: Annotated[int, Field(ge=0, le=10**9)] = 0
    name: Annotated[str, Field(max_length=60)] | None = None
    kind: Literal["fluid", "solid"] | None = None
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
    dead_space_mm: float | None = None
    phantom: Annotated[str, Field(max_length=200)] | None = None
    block: Annotated[str, Field(max_length=200)] | None = None
    date: Annotated[str, Field(max_length=200)] | None = None
    target: TargetEntry | None = None
    scale: ScaleEntry | None = None
    region_px: tuple[_Pixel, _Pixel, _Pixel, _Pixel] | None = None
    medium: MediumEntry | None = None
    screen_px: Literal["auto"] | tuple[PointPx, PointPx, PointPx, PointPx] | None = None
    notes: Annotated[str, Field(max_length=10_000)] = ""
    # None, not False, so that it is written only where it was given.
    invented: bool | None = None

    def to_marks(self) -> Marks:
        """Marks for scoring.

        Raises
        ------
        MarksError
            When a target, scale or region is impossible in itself.
        """
        medium, sizes = self.medium, self.scale or ScaleEntry.model_construct()
        throw_mm, notch_mm, dead_space_mm = checked_core(self.throw_mm, self.notch_mm, self.dead_space_mm)
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
            needle_length_mm=checked_mm(self.needle_length_mm, LIMITS_NEEDLE_MM, "needle_length_mm"),
            throw_mm=throw_mm,
            notch_mm=notch_mm,
            dead_space_mm=dead_space_mm,
            target_name="" if self.target is None else one_line(self.target.name or "", "target.name"),
            target_kind=None if self.target is None else self.target.kind,
            target_true_mm=None
            if self.target is None
            else checked_mm(self.target.true_mm, LIMITS_TARGET_MM, "target.true_mm"),
            phantom=checked_phantom(self.phantom),
            block=checked_block(self.block),
            date=checked_date(self.date),
            notes=self.notes,
            screen=checked_screen(self.screen_px),
            invented=bool(self.invented),
        )


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


def first_fault(problem: ValidationError) -> str:
    """First fault of a marks file in one line: key, what is wrong, what to do."""
    fault = problem.errors(include_url=False)[0]
    key = ".".join(str(step) for step in fault["loc"])
    message = fault["msg"].removeprefix("Value error, ")
    if fault["type"] == "json_invalid":
        return f"is not valid JSON ({message.removeprefix('Invalid JSON: ')}); mend the file."
    if fault["type"] == "extra_forbidden":
        return f'unknown key "{short(key)}"; take it out or correct its spelling.'
    if fault["type"] == "missing":
        return f'key "{key}" is missing; add it' + (f", as {SCHEMA}." if key == "schema" else ".")
    if key == "schema":
        return f'key "schema" is {short(repr(fault["input"]))}; this version reads schema {SCHEMA}.'
    if key.startswith("screen_px"):
        return 'key "screen_px": expected is "auto", or four corners [[x, y], [x, y], [x, y], [x, y]].'
    where = f'key "{key}": ' if key else ""
    return f"{where}{message[0].lower()}{message[1:]}, got {short(repr(fault['input']))}; correct it."
