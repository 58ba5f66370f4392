"""Results folders -> recordings, as little of each as a cohort needs."""

from __future__ import annotations

import gc
import math
import multiprocessing
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import lru_cache
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from needlecoach.cohort.recording import KINDS, TASKS, AttemptRow, Recording, number_columns
from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.cells import ATTEMPT_COLUMNS, bare
from needlecoach.reporting.folders import FolderResult, read_result
from needlecoach.scoring.standard import OUTCOMES

NUMBERS = number_columns(ATTEMPT_COLUMNS)
# Fewer folders are read before another process has started.
_WORTH_A_PROCESS = 2000
_MOST_PROCESSES = 4
_AT_A_TIME = 250


class Unread(NamedTuple):
    """A folder or file that could not be read, and why in one line that names it."""

    place: Path
    why: str


@contextmanager
def no_collection() -> Iterator[None]:
    """Spare looking for rings among a million values that hold none: up to a third of the time of reading."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def read_folders(folders: Sequence[Path]) -> tuple[list[Recording], list[Unread]]:
    """Read results folders, many of them on all cores.

    Returns
    -------
    tuple
        The recordings that could be read, in the order given, and what was wrong with the others.
    """
    processes = min(os.cpu_count() or 1, _MOST_PROCESSES)
    if len(folders) < _WORTH_A_PROCESS or processes < 2:
        return _parted([_read_some(folders)])
    some = [folders[start : start + _AT_A_TIME] for start in range(0, len(folders), _AT_A_TIME)]
    # Started anew: a forked process could inherit locks of threads that run already.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        return _parted(list(pool.map(_read_some, some)))


def recording_of(result: FolderResult, place: Path) -> Recording:
    """What a cohort needs of a results folder.

    Raises
    ------
    NeedlecoachError, KeyError, TypeError, ValueError
        When something in it is not what it should be.
    """
    marks, run = result.marks, result.run
    width_mm, depth_mm = _target_mm(run)
    return Recording(
        place=str(place),
        folder=result.folder,
        clip=result.clip,
        sha256=result.sha256,
        learner=str(marks.get("learner") or ""),
        date=marks["date"],
        first_scored=result.first_scored,
        written_s=result.written_s,
        attempts=tuple(attempt_rows(result.header, result.cells)),
        version=str(run["versions"]["needlecoach"]) if "versions" in run else "",
        task=one_of(TASKS, marks.get("task") or TASKS[0], "task"),
        target=str(marks.get("target_name") or ""),
        target_kind=one_of(("", *KINDS), marks.get("target_kind") or "", "target_kind"),
        target_width_mm=width_mm,
        target_depth_mm=depth_mm,
        phantom=str(marks.get("phantom") or ""),
        block=str(marks.get("block") or ""),
        invented=run.get("invented") is True,
    )


def attempt_rows(header: Sequence[str], lines: Sequence[Sequence[str]]) -> Iterator[AttemptRow]:
    """Attempts from the cells of a table; a figure that has no column is unknown.

    Raises
    ------
    ValueError
        When a cell holds something else than its column does.
    """
    at = _places(tuple(header))
    for line in lines:
        numbers = [None if place is None or not line[place] else float(line[place]) for place in at.numbers]
        if not math.isfinite(sum(filter(None, numbers))):
            raise ValueError("a figure is no finite number")
        yield AttemptRow(
            int(line[at.attempt]),
            one_of(OUTCOMES, line[at.outcome], "outcome"),
            at.cut_off is not None and line[at.cut_off] in ("1", "True", "1.0"),
            "" if at.source is None else bare(line[at.source]),
            "" if at.corrected is None else bare(line[at.corrected]),
            tuple(numbers),
        )


class _Places(NamedTuple):
    """Where in a row the cells stand; None for a column that is not there."""

    attempt: int
    outcome: int
    cut_off: int | None
    source: int | None
    corrected: int | None
    numbers: tuple[int | None, ...]


@lru_cache(maxsize=8)
def _places(header: tuple[str, ...]) -> _Places:
    at = {name: place for place, name in enumerate(header)}
    return _Places(
        at["attempt"],
        at["outcome"],
        at.get("cut_off"),
        at.get("scale_source"),
        at.get("corrected"),
        tuple(at.get(name) for name in NUMBERS),
    )


def one_of(allowed: Sequence[str], value: object, name: str) -> str:
    """Return a word that is one of those allowed; ValueError says which it is not."""
    if value not in allowed:
        raise ValueError(f"{name} must be one of {', '.join(filter(None, allowed))}, got {str(value)[:40]!r}")
    return str(value)


def _target_mm(run: Mapping[str, Any]) -> tuple[float, float]:
    """Diameter of a circle of the outline's area, and how deep its centre lies under the region's upper edge.

    NaN without a target, and in a camera's recording: its outline is of another picture than its scale.
    """
    target, scale, region = run["marks"].get("target"), run.get("scale"), run.get("region")
    if not target or not scale or not region or run.get("screen"):
        return math.nan, math.nan
    x, y = np.fromiter(chain.from_iterable(target["outline_px"]), float).reshape(-1, 2).T
    x_mm, y_mm = float(scale["x_mm_per_px"]), float(scale["y_mm_per_px"])
    x0, y0 = x - x[0], y - y[0]  # far from the origin the products would lose digits
    area_px2 = abs(float(x0[:-1] @ y0[1:] - x0[1:] @ y0[:-1])) / 2
    depth_mm = (float(target["centre_px"][1]) - float(region["box_px"][1])) * y_mm
    return 2 * math.sqrt(area_px2 * x_mm * y_mm / math.pi), depth_mm


def _parted(
    read: Sequence[Sequence[Recording | Unread]],
) -> tuple[list[Recording], list[Unread]]:
    every = [one for some in read for one in some]
    return (
        [one for one in every if isinstance(one, Recording)],
        [one for one in every if not isinstance(one, Recording)],
    )


@no_collection()
def _read_some(folders: Sequence[Path]) -> list[Recording | Unread]:
    return [_read_one(folder) for folder in folders]


def _read_one(folder: Path) -> Recording | Unread:
    try:
        return recording_of(read_result(folder), folder)
    except NeedlecoachError as problem:
        return Unread(folder, str(problem))
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as problem:
        why = " ".join(str(problem).split())[:120]
        words = f"{folder}: is spoilt ({type(problem).__name__}: {why}); score the clip again."
        return Unread(folder, words)
