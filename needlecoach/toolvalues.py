"""What the tool itself said of each attempt, read from folders of results."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

from needlecoach.cohort.matching import ToolAttempt
from needlecoach.errors import CohortError, NeedlecoachError
from needlecoach.gather.walk import DEEPEST, find
from needlecoach.reporting.reopen import last_scored_s, read_run, rows_of

_TABLE, _RAW, _RECORD = "attempts.csv", "attempts.raw.csv", "run.json"


@dataclass
class _Found:
    """What was read so far: attempts, folders that can't be read, attempts where a person's word took the
    tool's place."""

    attempts: list[ToolAttempt] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    uncorrected: int = 0
    replaced: int = 0
    invented: list[ToolAttempt] = field(default_factory=list)


def tool_attempts(reports: Sequence[Path]) -> tuple[list[ToolAttempt], list[str]]:
    """Read the tool's own values from results folders, and folders of them.

    Returns
    -------
    The attempts, and sentences on what was left out. Where a person corrected a result, the raw one counts:
    it is the tool that is asked about. Invented results (those of a demonstration) are left out where there
    are others. Where attempts were parted otherwise by hand, no raw one is of the
    same number, and figures that were corrected are left out.

    Raises
    ------
    CohortError
        When a folder given is not there, or holds no results.
    """
    found = _Found()
    for given in map(Path, reports):
        if not given.is_dir():
            raise CohortError(f"{given}: there is no such folder; give folders of results, such as reports.")
        if not find([given]).folders:
            raise CohortError(f"{given}: holds no results (no {_RECORD} in it or {DEEPEST} folders deep).")
    places = find([Path(given) for given in reports])
    found.broken += map(str, places.barred)
    for folder in places.folders:
        _read(folder, found)
    n_invented = len({one.folder for one in found.invented})
    if not found.attempts:
        found.attempts = found.invented
    if not found.attempts and reports:
        raise CohortError(f"{found.broken[0]}: can't be read as a result; score the clip again.")
    return found.attempts, [
        *_notes(found),
        *_invented(n_invented, left_out=found.attempts is not found.invented),
    ]


def _read(folder: Path, found: _Found) -> None:
    try:
        run = read_run(folder)
        rows = _rows(folder / _TABLE)
        raw = _rows(folder / _RAW) if (folder / _RAW).is_file() else None
        clip, sha256 = str(run["clip"]["file"]), str(run["clip"]["sha256"])
        version = str(run["versions"]["needlecoach"])
        written_s = last_scored_s(folder, run)
        own = [_own(row, raw, len(rows), found) for row in rows]
        attempts = [
            ToolAttempt(folder.resolve().name, clip, sha256, int(row["attempt"]), version, row, written_s)
            for row in own
        ]
    except (NeedlecoachError, OSError, ValueError, KeyError, TypeError, csv.Error):
        found.broken.append(str(folder))
        return
    nothing: Mapping[str, str] = MappingProxyType({})
    into = found.invented if run.get("invented") is True else found.attempts
    into += attempts or [ToolAttempt(folder.resolve().name, clip, sha256, 0, version, nothing, written_s)]


def _rows(path: Path) -> list[dict[str, str]]:
    return [{name: value or "" for name, value in row.items() if name} for row in rows_of(path)]


def _own(row: dict[str, str], raw: list[dict[str, str]] | None, count: int, found: _Found) -> dict[str, str]:
    """A row as the tool found it, without a person's corrections."""
    corrected = row.get("corrected", "").split()
    if raw is not None and len(raw) == count:
        found.uncorrected += bool(corrected)
        return next(one for one in raw if one["attempt"] == row["attempt"])
    found.replaced += bool(corrected)
    return {name: "" if name in corrected and name != "attempt" else value for name, value in row.items()}


def _notes(found: _Found) -> list[str]:
    notes = []
    if found.broken:
        which = "One results folder" if len(found.broken) == 1 else f"{len(found.broken)} results folders"
        names = ", ".join(Path(one).name for one in found.broken[:5])
        notes.append(
            f"{which} could not be read and {'is' if len(found.broken) == 1 else 'are'} left out: {names}."
        )
    if found.uncorrected:
        notes.append(
            f"{_attempts(found.uncorrected)} corrected by a person: here the tool's own result counts, "
            "without the "
            "corrections."
        )
    if found.replaced:
        notes.append(
            f"{_attempts(found.replaced)} parted otherwise by a person's corrections, so the tool's own "
            "result has no "
            "attempt of the same number: corrected figures are left out there. Where the tool erred is then "
            "missing, "
            "which flatters it."
        )
    return notes


def _invented(n: int, *, left_out: bool) -> list[str]:
    """Say that a demonstration's results were found: they tell nothing of the tool."""
    if not n:
        return []
    if left_out:
        return [f"{n} invented result{'s' if n > 1 else ''}, as a demonstration writes them, left out."]
    return [
        "The tool's values are invented, as a demonstration writes them: nothing here tells how it measures."
    ]


def _attempts(n: int) -> str:
    return "One attempt was" if n == 1 else f"{n} attempts were"
