"""What is kept of the followed frames: rows since the needle came in, and where the target lay of late."""

from __future__ import annotations

import bisect
from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from needlecoach.live.following import Followed
from needlecoach.live.state import RowNow
from needlecoach.model import FloatArray, ScreenView

# Scoring sees the picture without needle for so long before an attempt.
BEFORE_S = 1.0
# As far back as a recording begins before its attempt, and what its first key frame adds.
PLACES_S = 15.0
# Rows handed to a page at once; those before are drawn when it asks again.
MOST_ROWS = 3000


@dataclass(frozen=True, eq=False)
class Place:
    """Where the target lay at one moment, in px of the followed picture, and how the screen was seen."""

    time_s: float
    target_px: FloatArray
    view: ScreenView | None


class KeptRows:
    """Rows of the attempt that runs, or of the last second while none does."""

    def __init__(self) -> None:
        self._rows: list[Followed] = []
        self._numbers: list[int] = []
        self._drawn: list[RowNow] = []
        self._places: deque[Place] = deque()
        self._came: deque[tuple[int, float]] = deque()

    def note(self, number: int, time_s: float) -> None:
        """Note when a picture came, whether or not it can be followed."""
        self._came.append((number, time_s))
        while self._came[0][1] < time_s - PLACES_S:
            self._came.popleft()

    def number_at(self, time_s: float) -> int | None:
        """Number of the picture that came at a moment, also of one that was passed over; None if unknown."""
        came = tuple(self._came)
        nearest = min(came, key=lambda one: abs(one[1] - time_s), default=None)
        if nearest is None:
            return None
        steps = (came[-1][1] - came[0][1]) / max(came[-1][0] - came[0][0], 1)
        return nearest[0] + (round((time_s - nearest[1]) / steps) if steps > 0 else 0)

    def add(self, followed: Followed, *, running: bool) -> None:
        """Take in the next followed frame; old ones go unless an attempt runs."""
        row = followed.row
        # Only the newest frame's outline is drawn; thousands of them would be most of what is kept.
        followed = replace(followed, now=replace(followed.now, target_outline_px=()))
        self._rows.append(followed)
        self._places.append(Place(row.time_s, np.array(row.target_px, float), followed.view))
        while self._places[0].time_s < row.time_s - PLACES_S:
            self._places.popleft()
        if running:
            self._numbers.append(row.number)
            self._drawn.append(followed.now)
        else:
            self._trim(row.time_s - BEFORE_S)

    def begin(self, at_s: float) -> None:
        """An attempt runs since `at_s`: what is drawn begins there."""
        drawn = [one.now for one in self._rows if one.row.time_s >= at_s]
        self._numbers, self._drawn = [one.number for one in drawn], drawn

    def take(self, until_s: float | None = None) -> tuple[Followed, ...]:
        """Hand over the rows of an attempt that has ended, up to a moment; the last second stays."""
        rows = self._rows
        if rows:
            self._trim(rows[-1].row.time_s - BEFORE_S)
        return tuple(one for one in rows if until_s is None or one.row.time_s <= until_s)

    def drawn_since(self, number: int) -> tuple[RowNow, ...]:
        """Rows of the attempt that runs, or of the last one, of frames after a number; the newest of many."""
        numbers, drawn = self._numbers, self._drawn
        start = max(bisect.bisect_right(numbers, number, 0, len(drawn)), len(drawn) - MOST_ROWS)
        return tuple(drawn[start:])

    def clear_drawn(self) -> None:
        """Show no rows of an attempt any more; for a visitor's try that is to be forgotten."""
        self._numbers, self._drawn = [], []

    def place_at(self, time_s: float) -> Place | None:
        """Where the target lay nearest to a moment; None while nothing was followed."""
        return min(tuple(self._places), key=lambda one: abs(one.time_s - time_s), default=None)

    def _trim(self, from_s: float) -> None:
        self._rows = [one for one in self._rows if one.row.time_s >= from_s]
