"""The score card of one attempt: shown at once from what was followed live, then from its recording."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from needlecoach.reporting.record import plain

# "live": of what was followed while it happened; "checked": of its recording, with hindsight.
Kind = Literal["live", "checked"]
# "checking": its recording is being scored; "done": its results lie in `folder`; "live only": it was not
# recorded, or its recording could not be scored; "forgotten": the visitor's try was taken away.
Fate = Literal["checking", "done", "live only", "forgotten"]


@dataclass(frozen=True)
class CardLine:
    """One figure: its column of attempts.csv, value, uncertainty, unit, and how it is worded."""

    name: str
    title: str
    text: str
    value: float | int | str | bool | None = None
    sd: float | None = None
    unit: str = ""


@dataclass(frozen=True)
class Card:
    """One attempt's score.

    Attributes
    ----------
    number : of the attempt in this session, from 1
    name : of its recording and its results folder
    outcome : hit, miss, borderline or unscorable; `outcome_text` in words, with the reason if there is one
    lines : the figures that are shown, the most important first
    differences : what the recording tells otherwise than was shown live, in sentences; empty on a live card
    notes : sentences on what limits it
    folder : of its results, "" while there is none
    at : when it began by the clock on the wall, HH:MM
    learner : code; None in visitor mode
    """

    number: int
    name: str
    kind: Kind
    fate: Fate
    outcome: str
    outcome_text: str
    lines: tuple[CardLine, ...] = ()
    differences: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    folder: str = ""
    at: str = ""
    learner: str | None = None

    def line(self, name: str) -> CardLine | None:
        """Return the line of a column; None where the card has none."""
        return next((one for one in self.lines if one.name == name), None)

    def record(self) -> dict[str, Any]:
        """As values that JSON can hold, under the names of the attributes; `lines` is a list of objects."""
        record: dict[str, Any] = plain(self)
        return record
