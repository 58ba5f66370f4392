"""What a learner is told beside the figures: advice, a programme's standard, one's own earlier attempts."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol

from needlecoach.model import Attempt, Figure, Scorecard
from needlecoach.reporting import wording
from needlecoach.reporting.rounding import in_words

LAST = 5
# Of these the least is best, of those the most. Of others, such as the angle, nobody knows which.
LEAST_IS_BEST = (
    "time_to_target_s",
    "closest_centre_mm",
    "passes",
    "redirections",
    "blind_advance_mm",
    "plane_losses",
)
MOST_IS_BEST = ("notch_in_target_mm", "tip_visibility_share")
BEST_WORDS = (
    "Best means the least time to the target, distance, passes, redirections, blind advance and losses "
    "of the tip, "
    "and the most of the notch in the target and of the time with the tip in sight."
)
_OUTCOMES = ("hit", "borderline", "miss")
_COMPARED = (
    "time_to_target_s",
    "closest_centre_mm",
    "passes",
    "redirections",
    "blind_advance_mm",
    "plane_losses",
    "tip_visibility_share",
)
_CORE_COMPARED = (
    "notch_in_target_mm",
    "passes",
    "redirections",
    "blind_advance_mm",
    "plane_losses",
    "tip_visibility_share",
)


class EarlierAttempt(Protocol):
    """One attempt made before, as it is read from a reports folder."""

    @property
    def outcome(self) -> str: ...

    @property
    def figures(self) -> Mapping[str, Figure]: ...


def advice_data(attempt: Attempt) -> list[dict[str, Any]]:
    """Advice on an attempt, each with the frame and the words of its moment."""
    return [
        {
            "frame": one.frame,
            "moment": f"at {moment_words(one.time_s)}",
            "happened": one.happened,
            "why": one.why,
            "try_next": one.try_next,
        }
        for one in attempt.advice
    ]


def moment_words(time_s: float) -> str:
    """A moment in the clip to a tenth of a second."""
    return f"{in_words(time_s, 's', decimals=1)}\u00a0s"


def checks_data(attempt: Attempt) -> list[dict[str, str]]:
    """A programme's criteria held against an attempt."""
    return [{"words": one.words, "result": one.result, "reason": one.reason} for one in attempt.checks]


def earlier_data(card: Scorecard, attempt: Attempt) -> dict[str, Any] | None:
    """Key figures of an attempt beside the best and the last five of one's own earlier ones; else None.

    Returns
    -------
    dict
        `n` earlier attempts; of each figure `this`, `best` and `last`, oldest first, in words.
    """
    earlier = getattr(card, "earlier", None)
    former: Sequence[EarlierAttempt] = () if earlier is None else earlier.attempts
    if not former:
        return None
    rows = [_outcome_row(attempt, former)] if card.marks.target is not None else []
    names = _CORE_COMPARED if card.marks.task == "core" else _COMPARED
    shown = {figure.name for figure in wording.shown_figures(card, attempt)}
    rows += [_row(attempt.figures[name], former) for name in names if name in shown]
    rows = [row for row in rows if row["best"] != "–"]
    return {"n": len(former), "rows": rows} if rows else None


def _outcome_row(attempt: Attempt, former: Sequence[EarlierAttempt]) -> dict[str, Any]:
    said = [one.outcome for one in former]
    best = min((one for one in said if one in _OUTCOMES), key=_OUTCOMES.index, default="–")
    return {"title": "Outcome", "this": attempt.outcome, "best": best, "last": said[-LAST:]}


def _row(figure: Figure, former: Sequence[EarlierAttempt]) -> dict[str, Any]:
    """One figure now and then, each with its own uncertainty."""
    found = [_as(figure, one.figures.get(figure.name)) for one in former]
    known = [one for one in found if isinstance(one.value, (int, float)) and math.isfinite(one.value)]
    pick: Callable[..., Figure | None] = min if figure.name in LEAST_IS_BEST else max
    best = pick(known, key=lambda one: one.value, default=None)
    return {
        "title": figure.title or figure.name.replace("_", " "),
        "this": wording.figure_text(figure),
        "best": "–" if best is None else wording.figure_text(best),
        "last": [wording.figure_text(one) for one in found[-LAST:]],
    }


def _as(figure: Figure, other: Figure | None) -> Figure:
    """The same figure with another attempt's value; a count read from a table as a number is a count "
    "again."""
    if other is None:
        return replace(figure, value=None, sd=None)
    value = other.value
    if isinstance(figure.value, int) and isinstance(value, float) and value.is_integer():
        value = int(value)
    return replace(figure, value=value, sd=other.sd)
