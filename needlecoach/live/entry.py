"""One attempt on its way from the first sight of the needle to the score of its recording."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pandas as pd

from needlecoach.live.attempts import Ended
from needlecoach.live.card import Card
from needlecoach.live.differences import difference_words
from needlecoach.live.figures import Verdict
from needlecoach.live.following import Followed
from needlecoach.live.laid import Laid
from needlecoach.live.saving import Saving
from needlecoach.marks import MarksFile


@dataclass
class Entry:
    """One attempt on its way: what the day book's own threads know of it."""

    number: int
    name: str
    at: str
    laid: Laid
    of_day: MarksFile | None
    began_s: float
    learner: str | None
    saving: Saving | None = None
    trouble: str = ""
    ended: Ended | None = None
    rows: tuple[Followed, ...] = ()
    finish_s: float = math.inf
    table: pd.DataFrame | None = None
    forgotten: bool = False
    finishing: bool = False


def checked_card(card: Card, verdict: Verdict | None, notes: tuple[str, ...]) -> Card:
    """The live card with the recording's score in its place, or with notes that say why there is none."""
    if verdict is None:
        told = tuple(note for note in notes if note not in card.notes)
        return replace(card, fate="live only", notes=(*card.notes, *told))
    return replace(
        card,
        kind="checked",
        fate="done",
        outcome=verdict.outcome,
        outcome_text=verdict.outcome_text,
        lines=verdict.lines,
        notes=verdict.notes,
        differences=difference_words(card, verdict),
        folder=card.name,
    )


def why_words(entry: Entry) -> tuple[str, ...]:
    """Say why an attempt ended otherwise than by the needle's leaving."""
    words = {
        "interrupted": "The picture was gone for long: what came before that is scored.",
        "ended by hand": "It was ended by hand.",
        "too long": "It went on for ten minutes and was parted there.",
        "closed": "The program was ended during it.",
    }
    why = "left" if entry.ended is None else entry.ended.why
    return (words[why],) if why in words else ()
