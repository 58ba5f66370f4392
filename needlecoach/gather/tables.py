"""Tables of attempts (attempts.csv of several clips, or cohort.csv) -> recordings."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from itertools import groupby
from pathlib import Path

from needlecoach.cohort.recording import KINDS, TASKS, Recording
from needlecoach.cohort.table import LEADING
from needlecoach.errors import CohortError
from needlecoach.gather.recordings import attempt_rows, one_of, size_mm
from needlecoach.reporting.cells import bare

NEEDED = ("clip", "learner", "attempt", "outcome")
# What is taken over of a recording's first row.
_TOLD = frozenset(LEADING)
# What tells one recording's rows from the next one's.
_RECORDING = ("folder", "clip", "clip_sha256", "learner", "date", "at", "task", "target", "block")


def read_table(path: Path) -> list[Recording]:
    """Read a table of attempts.

    Parameters
    ----------
    path
        attempts.csv of one or several clips, or cohort.csv, whose columns on date, target and recording are
        taken over.

    Raises
    ------
    CohortError
        When it can't be read or is no table of attempts: one line with the file, the line and what to do.
    """
    number = 1
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            lines = csv.reader(file, strict=True)
            header = _heading(path, next(lines, []))
            rows = []
            for line in lines:
                number = lines.line_num
                if line:
                    rows.append((number, _filled(line, header)))
        recordings = []
        places = [header.index(name) for name in _RECORDING if name in header]
        for _, group in groupby(rows, key=lambda row: [row[1][place] for place in places]):
            several = list(group)
            number = several[0][0]
            recordings.append(_recording(path, header, [line for _, line in several]))
        return recordings
    except OSError as problem:
        raise CohortError(
            f"{path}: can't be read ({problem.strerror or problem}); check the name."
        ) from problem
    except UnicodeDecodeError as problem:
        raise CohortError(
            f"{path}: is not UTF-8 text; give a table of attempts as it was written."
        ) from problem
    except (ValueError, OverflowError, csv.Error) as problem:
        why = " ".join(str(problem).split())[:120]
        raise CohortError(f"{path}: from line {number}: {why}; mend the table or take it out.") from problem


def _heading(path: Path, header: Sequence[str]) -> list[str]:
    missing = [name for name in NEEDED if name not in header]
    if missing:
        raise CohortError(
            f"{path}: is no table of attempts, its heading has no {missing[0]!r}; give results folders or "
            "the attempts.csv of several clips."
        )
    return list(header)


def _filled(line: Sequence[str], header: Sequence[str]) -> list[str]:
    if len(line) > len(header):
        raise ValueError(f"{len(line)} cells where the heading has {len(header)}")
    return [*line, *[""] * (len(header) - len(line))]


def _recording(path: Path, header: Sequence[str], lines: Sequence[Sequence[str]]) -> Recording:
    told = {name: bare(lines[0][place]) for place, name in enumerate(header) if name in _TOLD}
    day = told.get("date") or None
    if day is not None:
        date.fromisoformat(day)
    return Recording(
        place=str(path),
        folder=told.get("folder", ""),
        clip=told["clip"],
        sha256=told.get("clip_sha256", ""),
        learner=told["learner"],
        date=day,
        first_scored=_time(told.get("at", "")),
        written_s=0.0,
        attempts=tuple(attempt_rows(header, lines)),
        version=told.get("version", ""),
        task=one_of(TASKS, told.get("task") or TASKS[0], "task"),
        target=told.get("target", ""),
        target_kind=one_of(("", *KINDS), told.get("target_kind", ""), "target_kind"),
        target_width_mm=_size(told, "target_width_mm"),
        target_depth_mm=_size(told, "target_depth_mm"),
        phantom=told.get("phantom", ""),
        block=told.get("block", ""),
        invented=told.get("invented", "") in ("1", "True"),
    )


def _time(cell: str) -> datetime | None:
    if not cell:
        return None
    said = datetime.fromisoformat(cell)
    return (said if said.tzinfo is not None else said.replace(tzinfo=UTC)).astimezone(UTC)


def _size(told: Mapping[str, str], name: str) -> float:
    cell = told.get(name, "")
    return size_mm(cell) if cell else math.nan
