"""A programme's criteria and what came of them in words, with figures said as in the tables of the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from needlecoach.model import Check, Figure
from needlecoach.reporting.wording import SIDES, exact_text, figure_text

_OPERATORS: Mapping[str, str] = MappingProxyType(
    {"<": "under", "<=": "at most", ">": "over", ">=": "at least", "is": "exactly"}
)
# A figure that rounds to the limit that it misses is said with up to so many decimals more.
_FINER = 3


def criterion_words(check: Check) -> str:
    """A criterion in the programme's words, or else such as "Blind advance: under 3 mm"."""
    figure, limit = check.figure, check.limit
    if check.words or figure is None or limit is None:
        return check.words
    asked = replace(figure, value=limit, sd=None)
    if isinstance(limit, (str, bool)):
        return f"{figure.title}: {figure_text(asked)}"
    if figure.name in SIDES:
        return f"{figure.title}: {_sided(limit, check.operator, asked)}"
    return f"{figure.title}: {_OPERATORS[check.operator]} {exact_text(asked)}"


def reason_words(check: Check) -> str:
    """Why nothing could be compared, or else what the figure was."""
    figure = check.figure
    if check.reason or figure is None:
        return check.reason
    if figure.name == "outcome":
        return f"the outcome was {figure.value}"
    if isinstance(figure.value, bool):
        return f"it was {'' if figure.value else 'not '}{figure.title.lower()}"
    near = ", too near to the limit to tell" if check.result == "can't tell" else ""
    return f"it was {_told_apart(figure, check)}{near}"


def _sided(limit: float, operator: str, asked: Figure) -> str:
    """A limit of a distance whose sign tells the side, with the words for the sides."""
    beyond, short = SIDES[asked.name]
    if limit == 0:
        side = beyond if operator[0] == ">" else short
        return side if operator in "<>" else f"{side}, or at 0 mm"
    own, other = (beyond, short) if limit > 0 else (short, beyond)
    size = exact_text(replace(asked, value=abs(limit)))
    if (operator[0] == ">") == (limit > 0):
        return f"{'at least' if '=' in operator else 'more than'} {size} {own}"
    return f"{'at most' if '=' in operator else 'less than'} {size} {own}, or {other}"


def _told_apart(figure: Figure, check: Check) -> str:
    """The figure as the tables say it; finer where it would be said as the limit that it is not."""
    text, limit = figure_text(figure), check.limit
    if check.result == "can't tell" or not isinstance(limit, (int, float)) or figure.value == limit:
        return text
    for finer in range(1, _FINER + 1):
        if text != figure_text(replace(figure, value=limit), finer=finer - 1):
            break
        text = figure_text(figure, finer=finer)
    return text
