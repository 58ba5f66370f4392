"""A learner's own earlier attempts, looked up in the folder of reports; never those of other learners."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from needlecoach.errors import NeedlecoachError
from needlecoach.model import Earlier, EarlierAttempt, Marks, Scorecard
from needlecoach.reporting.reopen import read_run

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
        have one; not those dated later than this clip. A recording scored into two folders counts once. None
        without a learner, or without earlier attempts.

    Notes
    -----
    In order of the date in the marks, or of the day of scoring where there is none, then of scoring. Folders
    that can't be read are left out, and a note says how many: whose they are is not known.
    """
    if card.marks.learner is None:
        return None
    results, broken = _results(reports)
    own = [one for one in results if _comparable(one.marks, card.marks) and one.sha256 != card.clip_sha256]
    latest = {one.sha256: one for one in sorted(own, key=lambda one: one.when)}
    names = key_figures(card.marks.task)
    attempts = [
        attempt
        for one in sorted(latest.values(), key=lambda one: one.when)
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
    scored_s: float
    rows: tuple[Mapping[str, str], ...]

    @property
    def when(self) -> tuple[str, float]:
        """What results are put in order by."""
        return self.marks["date"] or date.fromtimestamp(self.scored_s).isoformat(), self.scored_s

    def attempts(self, names: Sequence[str]) -> Iterator[EarlierAttempt]:
        """Attempts with the figures of these names."""
        for row in self.rows:
            figures = {name: _number(row.get(name)) for name in names}
            yield EarlierAttempt(
                self.folder, self.clip, self.marks["date"], int(row["attempt"]), row["outcome"], figures
            )


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
    run = read_run(folder)
    with (folder / "attempts.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = tuple(csv.DictReader(file))
    marks, clip = dict(run["marks"]), run["clip"]
    if marks.get("date") is not None:
        date.fromisoformat(marks["date"])
    marks.setdefault("date", None)
    scored_s = (folder / "run.json").stat().st_mtime
    found = _Result(folder.name, str(clip["file"]), str(clip["sha256"]), marks, scored_s, rows)
    list(found.attempts(key_figures(marks.get("task", "aspirate"))))  # a cell that can't be read shows here
    return found


def _comparable(was: Mapping[str, Any], now: Marks) -> bool:
    """Whether a result is of the same learner and task, and of the same target where both name theirs."""
    name = was.get("target_name")
    return (
        was.get("learner") == now.learner
        and was.get("task", "aspirate") == now.task
        and (not name or not now.target_name or name == now.target_name)
        and not (was["date"] and now.date and was["date"] > now.date)
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
