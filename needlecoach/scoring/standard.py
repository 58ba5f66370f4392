"""A programme's own standard held against an attempt: each criterion met, not met, or can't tell."""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from needlecoach.model import Attempt, Check, Figure
from needlecoach.scoring.columns import COLUMNS

Kind = Literal["words", "yes or no", "count", "measure"]
Operator = Literal["<", "<=", ">", ">=", "is"]
Limit = float | int | str | bool
Result = Literal["met", "not met", "can't tell"]

OUTCOMES = ("hit", "miss", "borderline", "unscorable")
WORDS, YES_OR_NO = frozenset({"outcome", "scale_source"}), frozenset({"cut_off"})
COUNTS = frozenset({"attempt", "passes", "strokes", "redirections", "plane_losses"})
# Shares, from 0 to 1.
SHARES = frozenset(
    {
        "tip_visibility_share",
        "tip_visibility_advancing",
        "path_efficiency",
        "scale_sd_share",
        "confidence",
    }
)
# Columns of attempts.csv that are no figure of the attempt.
NO_FIGURES = frozenset({"folder", "clip", "learner", "corrected"})

_COMPARE: Mapping[str, Callable[[float, float], bool]] = MappingProxyType(
    {"<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge, "is": operator.eq}
)


@dataclass(frozen=True)
class Criterion:
    """One demand: a column of attempts.csv, how it is held against the limit, and the limit.

    `words` replace the words made from these three; empty for those.
    """

    column: str
    operator: Operator
    limit: Limit
    words: str = ""


@dataclass(frozen=True)
class Standard:
    """What a programme asks of an attempt; `file` is the name of the file it came from, without a path."""

    name: str
    criteria: tuple[Criterion, ...]
    source: str = ""
    note: str = ""
    file: str = ""


def kind_of(name: str) -> Kind:
    """What a column holds."""
    if name in WORDS:
        return "words"
    if name in YES_OR_NO:
        return "yes or no"
    return "count" if name in COUNTS else "measure"


def fault_of(criterion: Criterion) -> tuple[str, str] | None:
    """What is wrong with a criterion: the key, and a sentence; None when it can be held against attempts."""
    name, kind = criterion.column, kind_of(criterion.column)
    if (why := _not_asked(name)) is not None:
        return "column", why
    is_number = isinstance(criterion.limit, (int, float)) and not isinstance(criterion.limit, bool)
    if kind in ("words", "yes or no") and criterion.operator != "is":
        return (
            "operator",
            f'"{name}" holds {kind}, so only "is" can be asked of it, not "{criterion.operator}".',
        )
    if kind == "measure" and criterion.operator == "is":
        return "operator", f'"{name}" is measured and never exactly a number; use "<=" or ">=", not "is".'
    if kind == "words" and not isinstance(criterion.limit, str):
        return "limit", f'"{name}" holds words, so its limit must be text, such as "hit".'
    if name == "outcome" and criterion.limit not in OUTCOMES:
        return "limit", f"an outcome is one of {', '.join(OUTCOMES)}; write one of these."
    if kind == "yes or no" and not isinstance(criterion.limit, bool):
        return "limit", f'"{name}" is yes or no, so its limit must be true or false.'
    if kind in ("count", "measure") and not is_number:
        return "limit", f'"{name}" is a number, so its limit must be a number without quotation marks.'
    if kind in ("count", "measure"):
        return _never_met(criterion)
    return None


def _not_asked(name: str) -> str | None:
    """Why a name is none that a standard can ask for."""
    if name == "scale_source":
        return '"scale_source" says where millimetres come from, in words of each clip; take it out.'
    if name in COLUMNS:
        return None
    if name.removesuffix("_sd") in COLUMNS:
        base = name.removesuffix("_sd")
        return f'"{name}" is an uncertainty, which every criterion reckons with; ask for "{base}" itself.'
    why = "is no figure of an attempt" if name in NO_FIGURES else "is no column of attempts.csv"
    return f'"{name}" {why}; the README lists them.'


def _never_met(criterion: Criterion) -> tuple[str, str] | None:
    """Refuse a number that a share or a count never has."""
    name, asked, limit = criterion.column, criterion.operator, criterion.limit
    assert isinstance(limit, (int, float))
    if name in SHARES and not 0 <= limit <= 1:
        return "limit", f"shares run from 0 to 1; 80 % is 0.8, got {limit:g}."
    if name in COUNTS and (limit < 0 or limit != int(limit)):
        return "limit", f'"{name}" is a count, so its limit must be a whole number from 0 on, got {limit:g}.'
    if name in SHARES | COUNTS and asked == "<" and limit == 0:
        return "operator", f'"{name}" is never below 0; use "<=".'
    if name in SHARES and asked == ">" and limit == 1:
        return "operator", f'"{name}" is never above 1; use ">=".'
    return None


def held_against(standard: Standard, attempt: Attempt) -> tuple[Check, ...]:
    """Hold every criterion of a standard against one attempt, in the standard's order."""
    return tuple(_check(criterion, attempt) for criterion in standard.criteria)


def _check(criterion: Criterion, attempt: Attempt) -> Check:
    name, limit = criterion.column, criterion.limit
    known = attempt.figures.get(name)
    figure = COLUMNS[name].figure(None) if known is None else COLUMNS[name].figure(known.value, known.sd)
    if isinstance(limit, (int, float)) and not isinstance(limit, bool):
        limit = int(limit) if name in COUNTS else float(limit)
    result, reason = _result(criterion, attempt, figure)
    return Check(criterion.words, result, reason, figure, criterion.operator, limit)


def _result(criterion: Criterion, attempt: Attempt, figure: Figure) -> tuple[Result, str]:
    """Whether a criterion is met, and why nothing could be compared.

    An outcome within its own uncertainty, or none at all, tells neither a hit nor a miss.
    """
    value, limit = figure.value, criterion.limit
    if value is None:
        return "can't tell", attempt.reason or "this figure is not known for this attempt"
    if isinstance(value, (str, bool)) or isinstance(limit, (str, bool)):
        if figure.name == "outcome" and value in ("borderline", "unscorable") and limit in ("hit", "miss"):
            return "can't tell", attempt.reason
        return "met" if value == limit else "not met", ""
    if figure.sd and abs(value - limit) <= figure.sd:
        return "can't tell", ""
    return "met" if _COMPARE[criterion.operator](value, limit) else "not met", ""
