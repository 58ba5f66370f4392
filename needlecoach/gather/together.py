"""Everything that was found, put together: each recording once, in order, with notes on what is odd."""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from needlecoach.apart import Apart
from needlecoach.cohort.recording import AttemptRow, Recording
from needlecoach.cohort.table import table_of
from needlecoach.errors import CohortError, MarksError
from needlecoach.gather.recordings import Reading, Unread
from needlecoach.gather.tables import read_table
from needlecoach.gather.walk import DEEPEST, find
from needlecoach.marks import parse_learner
from needlecoach.reporting.cells import ATTEMPT_COLUMNS
from needlecoach.reporting.folders import NEVER, in_order

if TYPE_CHECKING:
    import pandas as pd

# As many faults are told by name; the others are counted.
_MOST_NAMED = 5


@dataclass(frozen=True, eq=False)
class Gathered:
    """A cohort's attempts, and what is to be known of how they were found.

    `table` is as `cohort.table.table_of` makes it. `faults` are what could not be read, one line each with
    its place, `faulty` the names of those folders and files; `notes` are whole sentences that name no file,
    folder or learner.
    """

    table: pd.DataFrame
    faults: tuple[str, ...]
    notes: tuple[str, ...]
    faulty: tuple[str, ...] = ()

    @property
    def named_notes(self) -> tuple[str, ...]:
        """The notes, and by name what could not be read; for those who know the learners' codes."""
        if not self.faulty:
            return self.notes
        more = len(self.faulty) - _MOST_NAMED
        names = [*self.faulty[:_MOST_NAMED], *([f"{more} more"] if more > 0 else [])]
        return (f"Not read: {', '.join(names)}.", *self.notes)


class Gathering:
    """Results folders and tables of attempts on their way into one table; a context manager.

    Folders are read as soon as they are found, by other processes where they are many; `read` waits for them.

    Parameters
    ----------
    reports
        Results folders, folders of them down to a depth of 4, or tables of attempts.

    Raises
    ------
    CohortError
        When something named is not there.
    """

    def __init__(self, reports: Sequence[Path]) -> None:
        self._reports = reports
        self._reading = Reading()

    def __enter__(self) -> Gathering:
        try:
            self._places = find(self._reports, self._reading.add)
        except BaseException:
            self._reading.__exit__()
            raise
        return self

    def __exit__(self, *problem: object) -> None:
        self._reading.__exit__(*problem)

    @property
    def another(self) -> Apart | None:
        """A process that reads folders too, None where they are few; it lasts as long as this."""
        return next(iter(self._reading.others), None)

    def read(self) -> int:
        """Wait for the folders, read the tables; return how many attempts they hold, some perhaps twice."""
        self._read, self._problems = self._reading.result()
        for path in self._places.tables:
            try:
                self._read += read_table(path)
            except CohortError as problem:
                self._problems.append(Unread(path, str(problem)))
        self._problems += [Unread(path, f"{path}: can't be looked into.") for path in self._places.barred]
        return sum(len(one.attempts) for one in self._read)

    def result(self) -> Gathered:
        """Put together what was `read`.

        Returns
        -------
        Gathered
            A recording that was scored into several folders counts once, as it was scored last. Invented
            results (those of a demonstration) are left out where there are others. What comes from tables has
            no fingerprint: there attempts are the same when clip, learner, number and all figures are.

        Raises
        ------
        CohortError
            When nothing could be read.
        """
        read, problems = self._read, self._problems
        if not read:
            raise _nothing(self._reports, problems)
        real = [one for one in read if not one.invented] or read
        coded, unnamed = _coded(real)
        once, doubled = _once(coded)
        first = _first_times(coded)
        table = table_of(list(_in_order(once, first)), ATTEMPT_COLUMNS)
        notes = (
            *_notes(coded, once, table, len(problems), doubled, unnamed),
            *_invented_notes(len(read) - len(real)),
        )
        faulty = tuple(Path(os.path.abspath(one.place)).name for one in problems)
        return Gathered(table, tuple(one.why for one in problems), notes, faulty)


def gather(reports: Sequence[Path]) -> Gathered:
    """Read results folders and tables of attempts into one table; see `Gathering`."""
    with Gathering(reports) as begun:
        begun.read()
    return begun.result()


def fault_lines(faults: Sequence[str]) -> list[str]:
    """What could not be read, the first few by name, the others counted."""
    more = len(faults) - _MOST_NAMED
    return [*faults[:_MOST_NAMED], *([f"and {more} more that could not be read."] if more > 0 else [])]


def _nothing(reports: Sequence[Path], problems: Sequence[Unread]) -> CohortError:
    if problems:
        more = f" (and {len(problems) - 1} more that can't be read)" if len(problems) > 1 else ""
        return CohortError(f"Nothing could be read: {problems[0].why}{more}")
    named = ", ".join(str(path) for path in reports[:3])
    return CohortError(
        f"{named}: holds no results folders (none with a run.json down to {DEEPEST} folders deep); give "
        "folders that needlecoach score wrote, or its attempts.csv."
    )


def _coded(read: Sequence[Recording]) -> tuple[list[Recording], int]:
    """Recordings without what could be a learner's name, and how many of those there were."""
    fit: dict[str, bool] = {"": True}
    for code in {one.learner for one in read} - {""}:
        try:
            fit[code] = parse_learner(code) == code
        except MarksError:
            fit[code] = False
    unnamed = sum(not fit[one.learner] for one in read)
    return [one if fit[one.learner] else replace(one, learner="") for one in read], unnamed


def _once(read: Sequence[Recording]) -> tuple[list[Recording], int]:
    """Each recording once, and how many were left out for it."""
    last: dict[str, Recording] = {}
    for one in sorted((one for one in read if one.sha256), key=lambda one: one.written_s):
        last[one.sha256] = one
    known = {(one.clip, one.learner, row) for one in last.values() for row in one.attempts}
    loose: list[Recording] = []
    doubled = sum(bool(one.sha256) for one in read) - len(last)
    for one in read:
        if one.sha256:
            continue
        rows: list[AttemptRow] = []
        for row in one.attempts:
            if (one.clip, one.learner, row) not in known:
                known.add((one.clip, one.learner, row))
                rows.append(row)
        doubled += not rows
        if len(rows) == len(one.attempts):
            loose.append(one)
        elif rows:
            loose.append(replace(one, attempts=tuple(rows)))
    return [*last.values(), *loose], doubled


def _first_times(read: Iterable[Recording]) -> dict[str, datetime]:
    """When each recording with a fingerprint was first scored into any of its folders."""
    first: dict[str, datetime] = {}
    for one in read:
        if one.sha256 and one.first_scored is not None:
            first[one.sha256] = min(one.first_scored, first.get(one.sha256, NEVER))
    return first


def _in_order(once: Iterable[Recording], first: dict[str, datetime]) -> Iterator[Recording]:
    """Recordings by learner, each learner's oldest first as for one's own earlier attempts."""
    told = [_first_scored(one, first.get(one.sha256, one.first_scored)) for one in once]
    # What carries no time keeps its place in its table.
    by_name = sorted(told, key=lambda one: (one.learner, "" if one.first_scored is None else one.clip))
    for _, group in groupby(by_name, key=lambda one: one.learner):
        own = list(group)
        yield from (own[place] for place in in_order([(one.date, one.first_scored or NEVER) for one in own]))


def _first_scored(one: Recording, first: datetime | None) -> Recording:
    return one if one.first_scored == first else replace(one, first_scored=first)


def _notes(
    read: Sequence[Recording],
    once: Sequence[Recording],
    table: pd.DataFrame,
    faults: int,
    doubled: int,
    unnamed: int,
) -> Iterator[str]:
    """What is odd about a cohort's results, in whole sentences that name nobody."""
    if faults:
        yield f"{_n(faults, 'result')} could not be read and {_are(faults)} left out."
    if doubled:
        yield f"{_n(doubled, 'result')} of recordings that were there already {_are(doubled)} left out."
    if unnamed:
        yield (
            f"{_n(unnamed, 'recording')} {_are(unnamed)} given under what may be a name, not a code, and "
            "counted as without a learner."
        )
    two = _under_two_learners(read)
    if two:
        yield (
            f"{_n(two, 'recording')} {_are(two)} there under more than one learner's code; the one scored "
            "last counts."
        )
    twice = _with_other_figures(once)
    if twice:
        yield (
            f"{_n(twice, 'attempt')} of tables {_have(twice)} the clip, learner and number of one that is "
            "there with other figures: each counts, so the same may count twice; leave out what is out of "
            "date."
        )
    without = int((table["learner"] == "").sum())
    if without:
        yield f"{_n(without, 'attempt')} without a learner's code {_are(without)} in no learner's figures."
    undated = int((table["at"].isna() & (table["learner"] != "")).sum())
    if undated:
        yield (
            f"{_n(undated, 'attempt')} {_are(undated)} from tables without dates, in the order of their "
            "rows; give the results folders to have them dated."
        )
    versions = Counter(one.version for one in once if one.version)
    if len(versions) > 1:
        told = ", ".join(f"{name} ({count})" for name, count in sorted(versions.items()))
        yield f"Recordings were scored by different versions of the tool: {told}; figures may differ by it."


def _invented_notes(left_out: int) -> tuple[str, ...]:
    """Say that a demonstration's results lay among real ones."""
    if not left_out:
        return ()
    return (f"{_n(left_out, 'invented result')}, as a demonstration writes them, {_are(left_out)} left out.",)


def _under_two_learners(read: Iterable[Recording]) -> int:
    """How many recordings, by fingerprint or else by all their figures, carry more than one code."""
    learners: defaultdict[object, set[str]] = defaultdict(set)
    for one in read:
        if one.learner and (one.sha256 or one.attempts):
            learners[one.sha256 or (one.clip, one.attempts)].add(one.learner)
    return sum(len(codes) > 1 for codes in learners.values())


def _with_other_figures(once: Iterable[Recording]) -> int:
    """How many attempts of tables have clip, learner and number of another one; two days are two attempts."""
    days: defaultdict[tuple[str, str, int], list[str]] = defaultdict(list)
    count = 0
    for one in sorted(once, key=lambda one: not one.sha256):
        for row in one.attempts:
            before = days[one.clip, one.learner, row.attempt]
            count += not one.sha256 and any(not one.day or day in ("", one.day) for day in before)
            before.append(one.day)
    return count


def _n(count: int, word: str) -> str:
    return f"One {word}" if count == 1 else f"{count} {word}s"


def _have(count: int) -> str:
    return "has" if count == 1 else "have"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"
