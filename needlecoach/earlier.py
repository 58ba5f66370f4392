"""A learner's own earlier attempts, looked up in the folder of reports; never those of other learners."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from needlecoach.errors import NeedlecoachError
from needlecoach.model import Earlier, EarlierAttempt, Marks, Scorecard
from needlecoach.reporting.cells import figure
from needlecoach.reporting.folders import (
    NEVER,
    FolderResult,
    first_times,
    folders_in,
    in_order,
    is_before,
    read_result,
)

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
    first = first_times(results)
    # What was not scored yet comes after all that was, also where a clock went wrong.
    now = card.marks.date, first.get(card.clip_sha256, NEVER)
    own = [one for one in results if _comparable(one.marks, card.marks) and one.sha256 != card.clip_sha256]
    latest = {one.sha256: one for one in sorted(own, key=lambda one: one.written_s)}
    times = {one.sha256: (one.marks["date"], first[one.sha256]) for one in latest.values()}
    before = [one for one in latest.values() if is_before(times[one.sha256], now)]
    names = key_figures(card.marks.task)
    attempts = [
        attempt
        for place in in_order([times[one.sha256] for one in before])
        for attempt in _attempts(before[place], names)
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


def _attempts(one: FolderResult, names: Sequence[str]) -> list[EarlierAttempt]:
    """Attempts of a result with the figures of these names; ValueError where a cell is no number."""
    return [
        EarlierAttempt(
            one.folder,
            one.clip,
            one.marks["date"],
            int(row["attempt"]),
            row["outcome"],
            {name: _number(row.get(name)) for name in names},
        )
        for row in one.rows
    ]


def _results(reports: Path) -> tuple[list[FolderResult], int]:
    """Every results folder that can be read, and how many can't."""
    found, broken = [], 0
    for folder in folders_in(reports):
        try:
            one = _read(folder)
            _attempts(
                one, key_figures(one.marks.get("task", "aspirate"))
            )  # a cell that is no number shows here
            found.append(one)
        except (NeedlecoachError, OSError, ValueError):
            broken += 1
    return found, broken


def _read(folder: Path) -> FolderResult:
    """Read a results folder, unless it was read as it is: of many clips each asks for all."""
    files = (folder / "run.json").stat(), (folder / "attempts.csv").stat()
    return _as_it_was(folder, tuple((one.st_ino, one.st_size, one.st_mtime_ns) for one in files))


@lru_cache(maxsize=20_000)
def _as_it_was(folder: Path, _: tuple[tuple[int, int, int], ...]) -> FolderResult:
    return read_result(folder)


def _comparable(was: Mapping[str, Any], now: Marks) -> bool:
    """Whether a result is of the same learner and task, and of the same target and block where both name
    theirs."""
    name, block = was.get("target_name"), was.get("block")
    return (
        was.get("learner") == now.learner
        and was.get("task", "aspirate") == now.task
        and (not name or not now.target_name or name == now.target_name)
        and (not block or not now.block or block == now.block)
    )


def _number(cell: str | None) -> float | int | None:
    if not cell:
        return None
    value = figure(cell)
    return int(value) if value.is_integer() and "." not in cell else value


def _best(name: str, attempts: Sequence[EarlierAttempt]) -> float | int | None:
    counted = [one for one in attempts if name in AMONG_ALL or one.outcome == "hit"]
    values = [one.figures[name] for one in counted]
    known = [value for value in values if value is not None]
    return (max if name in HIGHER else min)(known, default=None)


def _left_out(broken: int) -> str:
    which = "One results folder" if broken == 1 else f"{broken} results folders"
    return f"{which} could not be read and {'is' if broken == 1 else 'are'} left out of this comparison."
