"""A scorecard's attempt as the lines of a card."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from needlecoach.live.card import CardLine
from needlecoach.model import Attempt, Figure, Scorecard
from needlecoach.reporting.wording import figure_text, headline

# On the card in this order: what is seen from afar first.
SHOWN = (
    "closest_centre_mm",
    "closest_edge_mm",
    "passes",
    "blind_advance_mm",
    "tip_visibility_share",
    "time_to_target_s",
    "duration_s",
)
CORE_SHOWN = ("notch_in_target_mm", *SHOWN[2:5], "duration_s")
_NUMBERED = re.compile(r"Attempt (\d+): ")
OF_TARGETS = frozenset({"closest_centre_mm", "closest_edge_mm", "time_to_target_s", "notch_in_target_mm"})


@dataclass(frozen=True)
class Verdict:
    """What a scorecard tells of one attempt: the parts of a card that come from it."""

    outcome: str
    outcome_text: str
    lines: tuple[CardLine, ...]
    notes: tuple[str, ...]


def verdict_of(card: Scorecard, within_s: tuple[float, float] | None = None) -> Verdict:
    """Tell a card's parts from a scorecard.

    Parameters
    ----------
    within_s : when the attempt was, in the scorecard's time: of several attempts the one that shares most of
        it is meant, the longest where None is given
    """
    if card.unscorable:
        return Verdict("unscorable", f"Not scored: {card.unscorable}", (), ())
    if not card.attempts:
        return Verdict("unscorable", "Not scored: no needle was followed", (), ())
    attempt = max(card.attempts, key=lambda one: _shared_s(one, within_s))
    notes = [_bare(note) for note in card.quality_notes if _is_shown(note, attempt)]
    n_parts = sum(_shared_s(one, within_s) > 0 for one in card.attempts)
    if n_parts > 1:
        notes.insert(
            0,
            f"The needle was out for a moment: with hindsight these are {n_parts} attempts, of which this is "
            "the longest. The results, and a cohort, hold all of them.",
        )
    return Verdict(
        outcome=attempt.outcome,
        outcome_text=_bare(headline(attempt, with_target=card.marks.target is not None)),
        lines=lines_of(card, attempt),
        notes=tuple(notes),
    )


def lines_of(card: Scorecard, attempt: Attempt) -> tuple[CardLine, ...]:
    """The figures that a card shows, those that are known."""
    names = SHOWN if card.marks.core is None else CORE_SHOWN
    lines = []
    for name in names:
        figure = attempt.figures.get(name)
        if figure is None or figure.value is None or (name in OF_TARGETS and card.marks.target is None):
            continue
        lines.append(CardLine(name, figure.title, figure_text(figure), figure.value, figure.sd, figure.unit))
    return tuple(lines)


def _shared_s(attempt: Attempt, within_s: tuple[float, float] | None) -> float:
    """How long an attempt was within a time, or in all; 0 where it was not."""
    start_s, end_s = (_number(attempt.figures[name]) for name in ("start_s", "end_s"))
    if start_s is None or end_s is None:
        return 0.0
    first_s, last_s = within_s or (start_s, end_s)
    return max(min(end_s, last_s) - max(start_s, first_s), 0.0)


def _is_shown(note: str, attempt: Attempt) -> bool:
    """Tell whether a note is of this attempt, or of no one alone."""
    said = _NUMBERED.match(note)
    return said is None or int(said[1]) == attempt.number


def _bare(words: str) -> str:
    """Words without the attempt's number, which is that in its recording and not that of the day."""
    bare = _NUMBERED.sub("", words)
    return f"{bare[:1].upper()}{bare[1:]}"


def _number(figure: Figure) -> float | None:
    value = figure.value
    if isinstance(value, (int, float)) and math.isfinite(value):
        return float(value)
    return None
