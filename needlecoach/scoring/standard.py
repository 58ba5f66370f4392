"""A programme's own standard held against an attempt: each criterion met, not met, or can't tell."""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from needlecoach.model import Attempt, Check, Figure
from needlecoach.scoring.columns import COLUMNS, Column

Kind = Literal["words", "yes or no", "count", "measure"]
Operator = Literal["<", "<=", ">", ">=", "is"]
Limit = float | int | str | bool

OUTCOMES = ("hit", "miss", "borderline", "unscorable")
WORDS, YES_OR_NO = frozenset({"outcome", "scale_source"}), frozenset({"cut_off"})
COUNTS = frozenset({"attempt", "passes", "strokes", "redirections", "plane_losses"})
# Shares that are said in per cent.
SHARES = frozenset({"tip_visibility_share", "tip_visibility_advancing", "path_efficiency", "scale_sd_share"})
# Columns of attempts.csv that are no figure of the attempt.
NO_FIGURES = frozenset({"folder", "clip", "learner", "corrected"})

_COMPARE: Mapping[str, Callable[[float, float], bool]] = MappingProxyType(
    {"<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge, "is": operator.eq}
)
_IN_WORDS: Mapping[str, str] = MappingProxyType(
    {"<": "under", "<=": "at most", ">": "over", ">=": "at least", "is": "exactly"}
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


def column_of(name: str) -> Column | None:
    """The column that a name of attempts.csv belongs to, NAME_sd included; None when it is no figure."""
    if name in COLUMNS:
        return COLUMNS[name]
    base = COLUMNS.get(name.removesuffix("_sd"))
    return base if base is not None and name.endswith("_sd") and base.unit.startswith("mm") else None


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
    if column_of(name) is None:
        why = "is no figure of an attempt" if name in NO_FIGURES else "is no column of attempts.csv"
        return "column", f'"{name}" {why}; the README lists them.'
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
    return None


def held_against(standard: Standard, attempt: Attempt) -> tuple[Check, ...]:
    """Hold every criterion of a standard against one attempt, in the standard's order."""
    return tuple(_check(criterion, attempt) for criterion in standard.criteria)


def in_words(criterion: Criterion) -> str:
    """A criterion as a reader says it, such as "Blind advance under 3 mm"."""
    if criterion.words:
        return criterion.words
    column = column_of(criterion.column)
    assert column is not None
    title = column.title + (" (uncertainty)" if criterion.column not in COLUMNS else "")
    if kind_of(criterion.column) in ("words", "yes or no"):
        return f"{title}: {_said(criterion.column, criterion.limit)}"
    return f"{title}: {_IN_WORDS[criterion.operator]} {_said(criterion.column, criterion.limit)}"


def _said(name: str, value: Limit, sd: float | None = None, *, digits: int | None = None) -> str:
    """A value of a column with its unit; `digits` are its decimals, all that were written when None."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    column, share = column_of(name), name in SHARES
    unit = (
        " %" if share else "" if column is None else {"deg": "°"}.get(column.unit, f" {column.unit}").rstrip()
    )
    number = 100 * value if share else value
    text = f"{number:.6g}" if digits is None else f"{number:.{digits}f}"
    return f"{text}{'' if not sd else f' give or take {max(sd, 0.1):.{digits or 0}f}'}{unit}"


def _measured(criterion: Criterion, value: float, sd: float | None) -> str:
    """A figure as it is said: no finer than it is known, and fine enough to differ from a limit it misses."""
    name, limit = criterion.column, criterion.limit
    assert isinstance(limit, (int, float))
    digits = 0 if name in SHARES or kind_of(name) == "count" or (sd is not None and sd >= 1) else 1
    said = _said(name, value, sd, digits=digits)
    if not sd and value != limit and said == _said(name, limit, digits=digits):
        return _said(name, value, digits=digits + 2)
    return said


def _check(criterion: Criterion, attempt: Attempt) -> Check:
    words, figure = in_words(criterion), _figure(criterion.column, attempt)
    if figure.value is None:
        return Check(words, "can't tell", attempt.reason or "this figure is not known for this attempt")
    if isinstance(figure.value, (str, bool)) or isinstance(criterion.limit, (str, bool)):
        return _check_words(criterion, attempt, figure.value)
    said = _measured(criterion, figure.value, figure.sd)
    if figure.sd and abs(figure.value - criterion.limit) <= figure.sd:
        return Check(words, "can't tell", f"it was {said}, too near to the limit to tell")
    met = _COMPARE[criterion.operator](figure.value, criterion.limit)
    return Check(words, "met" if met else "not met", f"it was {said}")


def _check_words(criterion: Criterion, attempt: Attempt, value: Limit) -> Check:
    """An outcome within its own uncertainty, or none at all, tells neither a hit nor a miss."""
    words, outcome = in_words(criterion), criterion.column == "outcome"
    if outcome and value in ("borderline", "unscorable") and criterion.limit in ("hit", "miss"):
        return Check(words, "can't tell", attempt.reason or f"the outcome was {value}")
    said = f"the outcome was {value}" if outcome else f"it is {_said(criterion.column, value)}"
    return Check(words, "met" if value == criterion.limit else "not met", said)


def _figure(name: str, attempt: Attempt) -> Figure:
    """Figure of a column; for NAME_sd the uncertainty of NAME, which has none itself."""
    if name in attempt.figures:
        return attempt.figures[name]
    base = attempt.figures.get(name.removesuffix("_sd"))
    return Figure(name, None if base is None or name == base.name else base.sd)
