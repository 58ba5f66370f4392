"""Ratings laid beside the tool's own values: which row is of which attempt of which result."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath

import numpy as np

from needlecoach.cohort.coefficient import IntArray
from needlecoach.cohort.quantities import FaultError, Quantity, Value, rating_of
from needlecoach.cohort.ratings import TOOL, Rating, Ratings, Subject
from needlecoach.errors import CohortError
from needlecoach.model import FloatArray


@dataclass(frozen=True, eq=False)
class ToolAttempt:
    """One attempt as the tool scored it; `values` are cells of attempts.csv by column, blank where not known.

    `written_s` orders results of the same recording (`sha256`): the one written last counts.
    """

    folder: str
    clip: str
    sha256: str
    attempt: int
    version: str
    values: Mapping[str, str]
    written_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Panel:
    """One quantity, attempts by raters, the tool first where it has values.

    `said` (n, r) holds numbers of categories from 0, -1 for blanks (all -1 for numbers); `values` (n, r)
    numbers, NaN for blanks (of grades the grades, of words NaN). `recording` (n,) numbers the recordings.
    """

    quantity: Quantity
    raters: tuple[str, ...]
    said: IntArray
    values: FloatArray
    recording: IntArray

    @property
    def has_tool(self) -> bool:
        return TOOL in self.raters


@dataclass(frozen=True, eq=False)
class Matched:
    """Panels, one a quantity, and what could not be laid together, in whole sentences.

    `places` tells of each row of the file which recording and attempt it is of.
    """

    panels: tuple[Panel, ...]
    places: Mapping[int, tuple[str, int]]
    notes: tuple[str, ...]


def match(ratings: Ratings, tool: Sequence[ToolAttempt]) -> Matched:
    """Lay ratings beside the tool's values.

    Raises
    ------
    CohortError
        When a clip's name means several recordings, two rows turn out to be of one attempt, or
        not one row has a result though results were given.
    """
    index = _Index(tool)
    places = {one.row: index.place(one.subject, one.row, ratings.file) for one in ratings.rows}
    _not_twice(ratings, places)
    notes = _unmatched(ratings.rows, places, index) if tool else []
    panels = tuple(_panel(one, ratings.rows, places, index) for one in ratings.quantities)
    return Matched(panels, places, tuple(notes))


class _Index:
    """Results by folder, by clip's file name and by its name without ending; one recording counts once."""

    def __init__(self, tool: Iterable[ToolAttempt]) -> None:
        latest: dict[str, ToolAttempt] = {}
        every = list(tool)
        for one in every:
            key = one.sha256 or one.folder
            if key not in latest or one.written_s > latest[key].written_s:
                latest[key] = one
        self._names: dict[str, set[str]] = defaultdict(set)
        self._folders: dict[str, set[str]] = defaultdict(set)
        self.attempts: dict[tuple[str, int], ToolAttempt] = {}
        self.recordings: set[str] = set()
        for one in every:
            key = one.sha256 or one.folder
            self._folders[one.folder].add(key)
            for name in {one.clip, PurePath(one.clip).stem}:
                self._names[name].add(key)
            self.recordings.add(key)
            if latest[key].folder == one.folder and one.attempt:
                self.attempts[key, one.attempt] = one

    def place(self, subject: Subject, row: int, file: str) -> tuple[str, int]:
        """Which recording and attempt a row is of; one without a result goes by its own words."""
        found = self._folders.get(subject.folder, set()) if subject.folder else set()
        if not found and subject.clip:
            found = self._names.get(subject.clip, set())
        if len(found) > 1:
            raise CohortError(
                f'{file}: row {row}: "{subject.folder or subject.clip}" is the name of {len(found)} '
                "different recordings among the results; tell them apart by a column folder, or give fewer "
                "results."
            )
        return next(iter(found), f"{subject.folder or subject.clip} "), subject.attempt


def _not_twice(ratings: Ratings, places: Mapping[int, tuple[str, int]]) -> None:
    seen: dict[tuple[tuple[str, int], str], int] = {}
    for one in ratings.rows:
        first = seen.setdefault((places[one.row], one.rater), one.row)
        if first != one.row:
            raise CohortError(
                f"{ratings.file}: rows {first} and {one.row} are of the same recording and attempt, both by "
                f"{one.rater}; "
                "keep one of them."
            )


def _unmatched(rows: Sequence[Rating], places: Mapping[int, tuple[str, int]], index: _Index) -> list[str]:
    """Sentences on rated attempts that have no result; an error when none has."""
    rated = {places[one.row]: one for one in rows}
    if not any(place in index.attempts for place in rated):
        first = next(iter(rated.values()))
        raise CohortError(
            f"None of the {len(rated)} rated attempts is among the results, the first being attempt "
            f"{first.subject.attempt} "
            f'of "{first.subject.folder or first.subject.clip}" (row {first.row}); give the folders '
            "of their results, or leave the results out to compare the raters alone."
        )
    unscored = [one for place, one in rated.items() if place[0] not in index.recordings]
    unseen = [
        one for place, one in rated.items() if place[0] in index.recordings and place not in index.attempts
    ]
    notes = []
    if unscored:
        notes.append(
            f"{_attempts(len(unscored))} of recordings without a result, so the tool has no values of them: "
            f"{_named(unscored)}."
        )
    if unseen:
        notes.append(
            f"{_attempts(len(unseen))} where the tool's result of the recording has no such attempt: "
            f"{_named(unseen)}. "
            "That the tool missed an attempt, or counted otherwise, is a disagreement that none of the "
            "statistics holds."
        )
    return notes


def _attempts(n: int) -> str:
    return "One rated attempt is" if n == 1 else f"{n} rated attempts are"


def _named(ratings: Sequence[Rating], most: int = 5) -> str:
    names = [f"{one.subject.folder or one.subject.clip} attempt {one.subject.attempt}" for one in ratings]
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _panel(
    quantity: Quantity, rows: Sequence[Rating], places: Mapping[int, tuple[str, int]], index: _Index
) -> Panel:
    cells: dict[tuple[str, int], dict[str, Value]] = defaultdict(dict)
    for one in rows:
        if quantity.name in one.values:
            cells[places[one.row]][one.rater] = one.values[quantity.name]
    for place in list(cells) if quantity.known else []:
        value = _tool_value(quantity, index.attempts.get(place))
        if value is not None:
            cells[place][TOOL] = value
    raters = sorted({rater for row in cells.values() for rater in row}, key=lambda one: (one != TOOL, one))
    order = sorted(cells)
    numbers = {name: number for number, name in enumerate(dict.fromkeys(place[0] for place in order))}
    said = np.full((len(order), len(raters)), -1)
    values = np.full(said.shape, np.nan)
    for i, place in enumerate(order):
        for rater, value in cells[place].items():
            j = raters.index(rater)
            if quantity.kind != "numbers":
                said[i, j] = quantity.categories.index(str(value))
            if quantity.kind in {"numbers", "grades"}:
                values[i, j] = float(value)
    recording = np.array([numbers[place[0]] for place in order], dtype=np.int64)
    return Panel(quantity, tuple(raters), said, values, recording)


def _tool_value(quantity: Quantity, attempt: ToolAttempt | None) -> Value | None:
    cell = "" if attempt is None else attempt.values.get(quantity.name, "").strip()
    if attempt is None or not cell:
        return None
    try:
        return rating_of(quantity, cell)
    except FaultError as fault:
        raise CohortError(
            f'{attempt.folder}: attempts.csv, attempt {attempt.attempt}, column "{quantity.name}": {fault}; '
            "score the clip again."
        ) from None
