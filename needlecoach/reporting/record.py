"""What goes into run.json: enough to repeat a result, and no path of anyone's machine."""

from __future__ import annotations

import math
import os
import platform
import re
from collections.abc import Mapping
from dataclasses import asdict, fields, is_dataclass
from functools import cache
from pathlib import PurePath
from typing import Any

import numpy as np

from needlecoach.model import BlockTarget, FilmedScreen, Marks, Medium, OfBlock, Scale, Scorecard, Target

SCHEMA = 1
# Of page.json: 2 since it holds advice, a standard's criteria, earlier attempts and core samples.
PAGE_SCHEMA = 2


def versions() -> dict[str, str]:
    """Versions of everything that bears on a result."""
    return dict(_versions())


@cache  # each takes milliseconds to look up, and they don't change while a program runs
def _versions() -> Mapping[str, str]:
    # Imported here: who only reads records, thousands of them in processes of their own, needs neither.
    from importlib.metadata import version

    import cv2

    return {
        "needlecoach": version("needlecoach"),
        "python": platform.python_version(),
        "numpy": np.__version__,
        "opencv": cv2.__version__,
        "pyav": version("av"),
        "pydicom": version("pydicom"),
        "pillow": version("pillow"),
    }


def run_record(
    card: Scorecard,
    *,
    place: str | None = None,
    first_scored_at: str | None = None,
    scored_at: str | None = None,
) -> dict[str, Any]:
    """Return everything needed to repeat a result, as values that JSON can hold; None is unknown.

    `place` is where the clip lies, seen from the results folder, `first_scored_at` when it was first
    scored and `scored_at` when it was last (UTC, ISO 8601); each is left out where None.
    """
    track = card.track
    given = card.marks if card.screen is None else card.screen.given
    straight_px = (card.clip.width_px, card.clip.height_px)
    width_px, height_px = straight_px if card.screen is None else card.screen.frame_size_px
    record: dict[str, Any] = {
        "schema": SCHEMA,
        **({"invented": True} if given.invented else {}),
        **({} if first_scored_at is None else {"first_scored_at": first_scored_at}),
        **({} if scored_at is None else {"scored_at": scored_at}),
        "versions": versions(),
        "clip": {
            "file": card.clip.path.name,
            **({} if place is None else {"place": place}),
            "sha256": card.clip_sha256,
            "kind": card.clip.kind,
            "width_px": width_px,
            "height_px": height_px,
            "nominal_fps": plain(card.clip.nominal_fps),
        },
        "timing": {
            "frames": len(track),
            "first_s": plain(track.time_s[0]) if len(track) else None,
            "last_s": plain(track.time_s[-1]) if len(track) else None,
            "usual_frame_s": plain(np.median(track.frame_durations_s)) if len(track) else None,
        },
        "marks": marks_record(given),
        "screen": None if card.screen is None else _screen_record(card.screen),
        "region": plain(asdict(card.region)),
        "scale": plain(asdict(card.scale)),
        "sound": None if card.sound is None else plain(asdict(card.sound)),
        **({} if card.size_check is None else {"size_check": plain(asdict(card.size_check))}),
        "corrections": plain([asdict(one) for one in card.corrections]),
        "options": plain(card.options),
        "result": {
            "attempts": len(card.attempts),
            "confidence": plain(card.confidence),
            "unscorable": card.unscorable,
            "quality_notes": list(card.quality_notes),
        },
    }
    record["result"]["target_size_mm"] = target_size_mm(record)
    return record


def target_size_mm(record: Mapping[str, Any]) -> list[float] | None:
    """Diameter of a circle of the target's area, and how deep its centre lies under the region's upper edge.

    None without a target, and in a camera's recording: its outline is of another picture than its scale.
    """
    target, scale, region = record["marks"].get("target"), record.get("scale"), record.get("region")
    if not target or not scale or not region or record.get("screen"):
        return None
    x, y = np.array(target["outline_px"], dtype=float).T
    x_mm, y_mm = float(scale["x_mm_per_px"]), float(scale["y_mm_per_px"])
    x0, y0 = x - x[0], y - y[0]  # far from the origin the products would lose digits
    area_px2 = abs(float(x0[:-1] @ y0[1:] - x0[1:] @ y0[:-1])) / 2
    depth_mm = (float(target["centre_px"][1]) - float(region["box_px"][1])) * y_mm
    return [2 * math.sqrt(area_px2 * x_mm * y_mm / math.pi), depth_mm]


def marks_record(marks: Marks) -> dict[str, Any]:
    """Return what the user said of a clip as values that JSON can hold."""
    return {
        "target": None if marks.target is None else _target_record(marks.target),
        "scale": None if marks.scale is None else plain(asdict(marks.scale)),
        "tick_mm": plain(marks.tick_mm),
        "target_mm": plain(marks.target_mm),
        "medium": None if marks.medium is None else plain(asdict(marks.medium)),
        "region_box_px": plain(marks.region_box_px),
        "screen": plain(marks.screen),
        "learner": marks.learner,
        "task": marks.task,
        "needle_gauge": marks.needle_gauge,
        "needle_length_mm": plain(marks.needle_length_mm),
        "throw_mm": plain(marks.throw_mm),
        "notch_mm": plain(marks.notch_mm),
        "dead_space_mm": plain(marks.dead_space_mm),
        "target_name": marks.target_name,
        "target_kind": marks.target_kind,
        "target_true_mm": plain(marks.target_true_mm),
        "phantom": marks.phantom,
        "date": marks.date,
        "notes": marks.notes,
        # Left out where there is none: results of before these keys were known are still of the same marks.
        **({"invented": True} if marks.invented else {}),
        **({} if marks.block is None else {"block": marks.block}),
        **({} if marks.of_block is None else {"of_block": plain(asdict(marks.of_block))}),
    }


def marks_of_record(record: Mapping[str, Any]) -> Marks:
    """Marks as `marks_record` wrote them, the outline to a thousandth of a px.

    Raises
    ------
    KeyError, TypeError, ValueError, MarksError
        When the record is not one of those.
    """
    told = {item.name: _tuples(record[item.name]) for item in fields(Marks) if item.name in record}
    if told["scale"] is not None:
        told["scale"] = Scale(**told["scale"])
    if told["medium"] is not None:
        told["medium"] = Medium(**told["medium"])
    if told["target"] is not None:
        outline_px = np.array(told["target"]["outline_px"], dtype=float)
        told["target"] = Target(**{**told["target"], "outline_px": outline_px})
    if told.get("of_block") is not None:
        told["of_block"] = _of_block(told["of_block"])
    return Marks(**told)


def _of_block(record: Mapping[str, Any]) -> OfBlock:
    target = record["target"]
    return OfBlock(**{**record, "target": None if target is None else BlockTarget(**target)})


def _tuples(value: Any) -> Any:
    """Lists of JSON as the tuples that they were."""
    if isinstance(value, Mapping):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value


def _screen_record(screen: FilmedScreen) -> dict[str, Any]:
    """How a camera's recording was set straight; region and scale are then of the straight picture."""
    return {
        "frame_size_px": plain(screen.frame_size_px),
        "straight_size_px": plain(screen.size_px),
        "corners_px": plain(screen.corners_px.round(2)),
        "frames_without_screen": int((~screen.found).sum()),
    }


def _target_record(target: Target) -> dict[str, Any]:
    """Outline to a thousandth of a pixel, far below what anyone can mark."""
    return {
        "outline_px": plain(target.outline_px.round(3)),
        "frame": target.frame,
        "marking_sd_px": plain(target.marking_sd_px),
        "centre_px": plain(target.centre_px),
    }


def plain(value: Any) -> Any:
    """Turn a value into what JSON can hold: NaN becomes None, an absolute path its last part."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return plain({name: getattr(value, name) for name in value.__dataclass_fields__})
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in value]
    if isinstance(value, PurePath):
        return value.name
    if isinstance(value, str):
        return re.split(r"[\\/]", value.rstrip("\\/"))[-1] if _is_absolute(value) else value
    if value is None or isinstance(value, (bool, int)):
        return value
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return str(value)


def _is_absolute(text: str) -> bool:
    """Tell whether text is an absolute path, here or on Windows."""
    return os.path.isabs(text) or re.match(r"[A-Za-z]:[\\/]", text) is not None
