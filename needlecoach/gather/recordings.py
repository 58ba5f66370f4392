"""Results folders -> recordings, as little of each as a cohort needs."""

from __future__ import annotations

import gc
import math
import os
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from needlecoach.apart import Apart
from needlecoach.cohort.recording import KINDS, TASKS, AttemptRow, Recording, number_columns
from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.cells import ATTEMPT_COLUMNS, MOST, bare, figure
from needlecoach.reporting.folders import FolderResult, read_result
from needlecoach.reporting.record import target_size_mm
from needlecoach.reporting.reopen import read_run
from needlecoach.scoring.standard import OUTCOMES

NUMBERS = number_columns(ATTEMPT_COLUMNS)
# Folders in a batch; fewer batches than the second number are read before another process has started.
_AT_A_TIME = 250
_WORTH_A_PROCESS = 8
_MOST_PROCESSES = 4
# Batches that each other process is given while folders are still looked for, enough until this one has time
# for more; and those that it is given ahead while this one reads too.
_HANDED_ON = 40
_UNDER_WAY = 4
# How wide or deep a target can be.
_MOST_MM = 1000.0


class Unread(NamedTuple):
    """A folder or file that could not be read, and why in one line that names it."""

    place: Path
    why: str


@contextmanager
def no_collection() -> Iterator[None]:
    """Spare looking for rings among a million values that hold none: up to a third of the time it takes."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


class Reading:
    """Results folders being read, many of them on all cores while more are found; a context manager.

    `others` are the processes that read beside this one; they end with the context.
    """

    def __init__(self) -> None:
        self.others: list[Apart] = []
        self._waiting: list[Path] = []
        self._kept: deque[list[Path]] = deque()
        self._begun: list[tuple[list[Path], Future[list[Recording | Unread]]]] = []

    def __enter__(self) -> Reading:
        return self

    def __exit__(self, *problem: object) -> None:
        for other in self.others:
            other.end()

    def add(self, folder: Path) -> None:
        """Have a folder read; returns at once."""
        self._waiting.append(folder)
        if len(self._waiting) == _AT_A_TIME:
            self._kept.append(self._waiting)
            self._waiting = []
            if not self.others and len(self._kept) == _WORTH_A_PROCESS:
                self.others = [Apart() for _ in range(min(os.cpu_count() or 1, _MOST_PROCESSES) - 1)]
            self._hand_on(_HANDED_ON)

    def result(self) -> tuple[list[Recording], list[Unread]]:
        """Read too, from the end, while others do from the beginning, and wait for them.

        Returns
        -------
        tuple
            The recordings that could be read, in the order in which their folders were added, and what was
            wrong with the others.
        """
        here = deque([_read_some(self._waiting)])
        while self._kept:
            self._hand_on(_UNDER_WAY)
            if self._kept:
                here.appendleft(_read_some(self._kept.pop()))
        return _parted([*(_read_after_all(*one) for one in self._begun), *here])

    def _hand_on(self, most: int) -> None:
        """Give the other processes, if there are any, batches that are kept, until each has `most` to do."""
        under_way = sum(not reading.done() for _, reading in self._begun)
        for _ in range(min(most * len(self.others) - under_way, len(self._kept))):
            some, other = self._kept.popleft(), self.others[len(self._begun) % len(self.others)]
            try:
                reading = other.submit(_read_some, some)
            except BrokenExecutor as problem:
                reading = Future()
                reading.set_exception(problem)
            self._begun.append((some, reading))


def recording_of(result: FolderResult, place: Path) -> Recording:
    """What a cohort needs of a results folder.

    Raises
    ------
    NeedlecoachError, KeyError, TypeError, ValueError, OverflowError
        When something in it is not what it should be.
    """
    marks, run = result.marks, result.run
    width_mm, depth_mm = _target_size_mm(result, place)
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
        if not sum(map(abs, filter(None, numbers))) < MOST:  # one of them may be to blame
            for cell in [line[place] for place in at.numbers if place is not None]:
                figure(cell or "0")
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


def size_mm(told: str | float) -> float:
    """Return a target's width or depth; ValueError or OverflowError says that none can have it."""
    size = float(told)
    if not abs(size) < _MOST_MM:
        raise ValueError(f"a target is {str(told)[:20]} mm wide or deep")
    return size


def _target_size_mm(result: FolderResult, place: Path) -> Sequence[float]:
    """Width and depth of the target, NaN each where unknown; older results hold only what they come from."""
    told = result.run.get("result") or {}
    size = told["target_size_mm"] if "target_size_mm" in told else target_size_mm(read_run(place))
    return (math.nan, math.nan) if size is None else [size_mm(one) for one in size]


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


def _read_after_all(
    folders: Sequence[Path], reading: Future[list[Recording | Unread]]
) -> list[Recording | Unread]:
    """What another process read, or this one should that have ended early."""
    try:
        return reading.result()
    except BrokenExecutor:
        return _read_some(folders)


def _read_one(folder: Path) -> Recording | Unread:
    try:
        return recording_of(read_result(folder), folder)
    except NeedlecoachError as problem:
        return Unread(folder, str(problem))
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError, IndexError) as problem:
        why = " ".join(str(problem).split())[:120]
        words = f"{folder}: is spoilt ({type(problem).__name__}: {why}); score the clip again."
        return Unread(folder, words)
