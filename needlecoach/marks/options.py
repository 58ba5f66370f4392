"""Marks given on the command line, read and put over those of the file."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Literal

from needlecoach.errors import MarksError
from needlecoach.marks.checks import (
    checked_box,
    checked_core,
    checked_screen,
    short,
)
from needlecoach.marks.file import marks_path, read_marks
from needlecoach.model import (
    Block,
    Corners,
    Marks,
    Medium,
    Point,
    Scale,
    Target,
)

# Sizes that only a core needle has.
CORE_SIZES = ("throw_mm", "notch_mm", "dead_space_mm")

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True)
class MarkOptions:
    """Marks given on the command line; None where nothing was given.

    `block` is put over the marks of each clip last of all, by `blockuse.with_block`.
    """

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
    throw_mm: float | None = None
    notch_mm: float | None = None
    dead_space_mm: float | None = None
    target_name: str | None = None
    block: Block | None = None


def marks_beside(clip: Path, options: MarkOptions) -> Marks:
    """Marks from the file beside a clip, if there is one, with those of the command line put over them.

    Raises
    ------
    MarksError
        As `read_marks`.
    """
    file = marks_path(clip)
    return merge_marks(read_marks(file) if os.path.lexists(file) else Marks(), options)


def merge_marks(marks: Marks, options: MarkOptions) -> Marks:
    """Marks of the file with those of the command line put over them; None in `options` keeps the file's.

    Raises
    ------
    MarksError
        When sizes of a core needle can't be, or are given on the command line for another task.
    """
    given = {item.name: getattr(options, item.name) for item in fields(options) if item.name != "block"}
    merged = replace(marks, **{name: value for name, value in given.items() if value is not None})
    checked_core(merged.throw_mm, merged.notch_mm, merged.dead_space_mm)
    sizes = [f"--{name.replace('_', '-')}" for name in CORE_SIZES if given[name] is not None]
    if sizes and merged.task != "core":
        raise MarksError(
            f"{' and '.join(sizes)} belong{'s' if len(sizes) == 1 else ''} to --task core; give that too."
        )
    return merged


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
        raise MarksError(f'{form} was expected, got "{short(text)}".')
    x1, y1, x2, y2 = _numbers(points, counts=(4,), form=form)
    first: Point = (x1, y1)
    return Scale.from_points(first, (x2, y2), mm=_numbers(distance[:-2], counts=(1,), form=form)[0])


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
        raise MarksError(f'{form} takes whole px, got "{short(text)}".')
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
        raise MarksError(f'{form} was expected, got "{short(text)}".')
    one, two, three, four = (_numbers(part, counts=(2,), form=form) for part in parts)
    corners = ((one[0], one[1]), (two[0], two[1]), (three[0], three[1]), (four[0], four[1]))
    return checked_screen(corners) or "auto"


def _numbers(text: str, *, counts: tuple[int, ...], form: str) -> list[float]:
    parts = [part.strip() for part in text.split(",")]
    if len(parts) not in counts or not all(_NUMBER.fullmatch(part) for part in parts):
        raise MarksError(f'{form} was expected, got "{short(text)}".')
    values = [float(part) for part in parts]
    if any(abs(value) > 1e5 for value in values):
        raise MarksError(f'{form}: a number is beyond 100000 in "{short(text)}".')
    return values
