"""What a learner is told beside the figures: advice, a programme's standard, one's own earlier attempts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from needlecoach.model import Attempt, Earlier, Figure, Scorecard
from needlecoach.reporting import wording
from needlecoach.reporting.checkwords import criterion_words, reason_words
from needlecoach.reporting.rounding import in_words

BEST_WORDS = (
    "Best is the least distance, time, passes and blind advance, and the most of the notch in the target "
    "and of "
    "the tip in sight; all but distance and notch are compared among hits only, as a miss is soon done. "
    "Earlier "
    "values are shown without their uncertainty."
)
_OUTCOMES = (("hit", "hits"), ("borderline", "borderline"), ("miss", "misses"))


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
    return [
        {"words": criterion_words(one), "result": one.result, "reason": reason_words(one)}
        for one in attempt.checks
    ]


def standard_data(card: Scorecard) -> list[str]:
    """What stands above the criteria: the standard's name, source and note; nothing without a standard."""
    told = card.options.get("standard")
    if not isinstance(told, Mapping):
        return []
    source, note = told.get("source"), told.get("note")
    return [str(told["name"]), *([f"Source: {source}"] if source else []), *([str(note)] if note else [])]


def earlier_data(card: Scorecard, attempt: Attempt) -> dict[str, Any] | None:
    """Key figures of an attempt beside the best and the last of one's own earlier ones; else None.

    Returns
    -------
    dict
        `words` says how many earlier attempts there are and how they ended; each of `rows` has `this`, `best`
        and `last`, oldest first, in words; `last_words` heads those; `notes` are sentences for the reader.
    """
    earlier = card.earlier
    if earlier is None or not earlier.n:
        return None
    shown = {figure.name: figure for figure in wording.shown_figures(card, attempt)}
    rows = [_row(shown[name], earlier) for name in earlier.names if name in shown]
    rows = [row for row in rows if {row["best"], *row["last"]} != {"–"}]
    if "outcome" in shown:
        rows.insert(0, _outcome_row(attempt, earlier))
    if not rows:
        return None
    return {
        "words": _earlier_words(earlier),
        "last_words": _last_words(len(earlier.last)),
        "rows": rows,
        "notes": list(earlier.notes),
    }


def _last_words(n: int) -> str:
    """What the last n attempts before are called; one alone is in no order."""
    return "The one before" if n == 1 else f"Last {n}, oldest first"


def _earlier_words(earlier: Earlier) -> str:
    """How many attempts came before, and how they ended."""
    counts = [
        f"{n} {one if n == 1 else many}" for one, many in _OUTCOMES if (n := earlier.outcomes.get(one, 0))
    ]
    before = "One earlier attempt" if earlier.n == 1 else f"{earlier.n} earlier attempts"
    return f"{before} at this task under the same learner’s code{': ' if counts else ''}{', '.join(counts)}."


def _outcome_row(attempt: Attempt, earlier: Earlier) -> dict[str, Any]:
    best = next((one for one, _ in _OUTCOMES if earlier.outcomes.get(one)), "–")
    last = [one.outcome for one in earlier.last]
    return {"title": "Outcome", "this": attempt.outcome, "best": best, "last": last}


def _row(figure: Figure, earlier: Earlier) -> dict[str, Any]:
    """One figure now and then."""
    return {
        "title": figure.title or figure.name.replace("_", " "),
        "this": wording.figure_text(figure),
        "best": _then(figure, earlier.best.get(figure.name)),
        "last": [_then(figure, one.figures.get(figure.name)) for one in earlier.last],
    }


def _then(figure: Figure, value: float | int | None) -> str:
    """The same figure with an earlier value; a count read from a table as a number is a count again."""
    if isinstance(value, float) and isinstance(figure.value, int) and value.is_integer():
        value = int(value)
    return wording.figure_text(replace(figure, value=value, sd=None))
