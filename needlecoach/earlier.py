"""A learner's own earlier attempts, looked up in the folder of reports; never those of other learners."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from needlecoach.errors import NeedlecoachError
from needlecoach.model import Earlier, EarlierAttempt, Marks, Scorecard
from needlecoach.reporting.reopen import first_scored, read_attempts, read_run

LAST = 5
# Higher is better for these, lower for the others.
HIGHER = frozenset({"notch_in_target_mm", "tip_visibility_share"})
# Compared among all attempts, the others among hits only: a miss is soon done, and little is lost from sight.
AMONG_ALL = frozenset({"notch_in_target_mm", "closest_centre_mm"})


def key_figures(task: str) -> tuple[str, ...]:
    """Names of the figures that are compared, as columns of attempts.csv."""
    aim = "notch_in_target_mm" if task == "core" else "closest_centre_mm"
    return aim, "blind_advance_mm", "passes", "duration_s", "tip_visibility_share"


def earlier_attempts(reports: Path, card: Scorecard) -> Earlier | None:
    """Look up what the learner of a clip did before.

    Parameters
    ----------
    reports : folder with one results folder per clip
    card : the clip just scored

    Returns
    -------
    Earlier or None
        Attempts of other recordings with the same learner code and task, and the same target name where both
        have one. A recording scored into two folders counts once, as it was scored last. None without a
        learner, or without earlier attempts.

    Notes
    -----
    Of two recordings with a date the one of the earlier date is earlier; on the same date, or where either
    has none, the one that was first scored earlier. A rescore or a correction does not change that. Folders
    that can't be read are left out, and a note says how many: whose they are is not known.
    """
    if card.marks.learner is None:
        return None
    results, broken = _results(reports)
    first = _first_times(results)
    # What was not scored yet comes after all that was, also where a clock went wrong.
    now = card.marks.date, first.get(card.clip_sha256, datetime.max.replace(tzinfo=UTC))
    own = [one for one in results if _comparable(one.marks, card.marks) and one.sha256 != card.clip_sha256]
    latest = {one.sha256: one for one in sorted(own, key=lambda one: one.written_s)}
    before = [one for one in latest.values() if _is_before((one.marks["date"], first[one.sha256]), now)]
    names = key_figures(card.marks.task)
    attempts = [
        attempt
        for one in _in_order(before, first)
        for attempt in one.attempts(names)
        if attempt.outcome != "unscorable"
    ]
    if not attempts:
        return None
    return Earlier(
        n=len(attempts),
        names=names,
        outcomes=dict(Counter(attempt.outcome for attempt in attempts)),
        best={name: _best(name, attempts) for name in names},
        last=tuple(attempts[-LAST:]),
        notes=() if not broken else (_left_out(broken),),
    )


@dataclass(frozen=True)
class _Result:
    """One results folder: whose, of what, when, and the rows of its attempts.csv."""

    folder: str
    clip: str
    sha256: str
    marks: Mapping[str, Any]
    first_scored: datetime
    written_s: float
    rows: tuple[Mapping[str, str], ...]

    def attempts(self, names: Sequence[str]) -> Iterator[EarlierAttempt]:
        """Attempts with the figures of these names."""
        for row in self.rows:
            figures = {name: _number(row.get(name)) for name in names}
            yield EarlierAttempt(
                self.folder, self.clip, self.marks["date"], int(row["attempt"]), row["outcome"], figures
            )


def _first_times(results: Sequence[_Result]) -> dict[str, datetime]:
    """When each recording, by its fingerprint, was first scored into any of its folders."""
    first: dict[str, datetime] = {}
    for one in results:
        first[one.sha256] = min(one.first_scored, first.get(one.sha256, one.first_scored))
    return first


def _is_before(one: tuple[str | None, datetime], other: tuple[str | None, datetime]) -> bool:
    """Whether a recording, by its date (or None) and its first scoring, is truly earlier than another."""
    if one[0] and other[0] and one[0] != other[0]:
        return one[0] < other[0]
    return one[1] < other[1]


def _in_order(results: Sequence[_Result], first: Mapping[str, datetime]) -> list[_Result]:
    """Oldest first: by first scoring, the dated ones among themselves by date.

    Dates and times of scoring can contradict each other in a ring; so that there is one order all the same,
    dated ones change places with dated ones only.
    """
    order = sorted(results, key=lambda one: first[one.sha256])
    dated = iter(sorted((one for one in order if one.marks["date"]), key=lambda one: one.marks["date"]))
    return [next(dated) if one.marks["date"] else one for one in order]


def _results(reports: Path) -> tuple[list[_Result], int]:
    """Every results folder that can be read, and how many can't."""
    found, broken = [], 0
    try:
        folders = sorted(path for path in reports.iterdir() if (path / "run.json").is_file())
    except OSError:
        return [], 0
    for folder in folders:
        try:
            found.append(_result(folder))
        except (NeedlecoachError, OSError, ValueError, KeyError, TypeError, csv.Error):
            broken += 1
    return found, broken


def _result(folder: Path) -> _Result:
    """Read a results folder, unless it was read as it is: of many clips each asks for all."""
    files = (folder / "run.json").stat(), (folder / "attempts.csv").stat()
    return _read(folder, tuple((one.st_ino, one.st_size, one.st_mtime_ns) for one in files))


@lru_cache(maxsize=20_000)
def _read(folder: Path, _: tuple[tuple[int, int, int], ...]) -> _Result:
    run = read_run(folder)
    rows = tuple(read_attempts(folder))
    marks, clip = dict(run["marks"]), run["clip"]
    if marks.get("date") is not None:
        date.fromisoformat(marks["date"])
    marks.setdefault("date", None)
    written_s = (folder / "run.json").stat().st_mtime
    name, sha256 = str(clip["file"]), str(clip["sha256"])
    found = _Result(folder.name, name, sha256, marks, first_scored(folder, run), written_s, rows)
    list(found.attempts(key_figures(marks.get("task", "aspirate"))))  # a cell that can't be read shows here
    return found


def _comparable(was: Mapping[str, Any], now: Marks) -> bool:
    """Whether a result is of the same learner and task, and of the same target where both name theirs."""
    name = was.get("target_name")
    return (
        was.get("learner") == now.learner
        and was.get("task", "aspirate") == now.task
        and (not name or not now.target_name or name == now.target_name)
    )


def _number(cell: str | None) -> float | int | None:
    if not cell:
        return None
    value = float(cell)
    return int(value) if value.is_integer() and "." not in cell else value


def _best(name: str, attempts: Sequence[EarlierAttempt]) -> float | int | None:
    counted = [one for one in attempts if name in AMONG_ALL or one.outcome == "hit"]
    values = [one.figures[name] for one in counted]
    known = [value for value in values if value is not None]
    return (max if name in HIGHER else min)(known, default=None)


def _left_out(broken: int) -> str:
    which = "One results folder" if broken == 1 else f"{broken} results folders"
    return f"{which} could not be read and {'is' if broken == 1 else 'are'} left out of this comparison."
