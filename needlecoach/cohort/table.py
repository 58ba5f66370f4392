"""The table of attempts: one row per attempt of a cohort."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from needlecoach.cohort.recording import WORDS, Recording, number_columns
from needlecoach.errors import CohortError
from needlecoach.scoring.standard import COUNTS, OUTCOMES

if TYPE_CHECKING:
    import pandas as pd

# In front of the columns of attempts.csv; `attempt` is one of those, moved to the front.
LEADING = (
    "learner",
    "order",
    "date",
    "at",
    "folder",
    "clip",
    "clip_sha256",
    "attempt",
    "version",
    "task",
    "target",
    "target_kind",
    "target_width_mm",
    "target_depth_mm",
    "phantom",
    "block",
    "invented",
    "success",
)
# Numbers that are written without a point.
WHOLE = ("success", *sorted(COUNTS - {"attempt"}))
# What any work on a cohort needs.
NEEDED = ("learner", "order", "date", "clip", "attempt", "task", "target", "outcome", "success")


def table_of(recordings: Sequence[Recording], columns: Sequence[str]) -> pd.DataFrame:
    """Make the table of attempts.

    Parameters
    ----------
    recordings
        Sorted by learner, each learner's in order of time; the numbers of their attempts are those of
        `number_columns(columns)`.
    columns
        Columns of attempts.csv in their order, without clip, learner and `corrected`.

    Returns
    -------
    pd.DataFrame
        `LEADING`, then the other columns, then `corrected`. `order` counts a learner's attempts from 1 (0
        without a learner), `at` is the marked date, else the first scoring (UTC, NaT where neither is known),
        `success` 1 for a hit, 0 for a miss or borderline, NaN for what can't be scored.
    """
    # Imported here: results are read in other processes before this takes its half second.
    import pandas as pd

    pairs = [(one, row) for one in recordings for row in one.attempts]
    names = number_columns(columns)
    numbers = np.array([row.numbers for _, row in pairs], dtype=float).reshape(len(pairs), len(names))
    told: dict[str, Any] = {
        "learner": [one.learner for one, _ in pairs],
        "order": _orders([one.learner for one, _ in pairs]),
        "date": [one.day for one, _ in pairs],
        "at": pd.to_datetime([_moment(one) for one, _ in pairs], utc=True, format="ISO8601"),
        "clip_sha256": [one.sha256 for one, _ in pairs],
        "success": [success_of(row.outcome) for _, row in pairs],
    }
    for name in ("attempt", *WORDS):
        told[name] = [getattr(row, name) for _, row in pairs]
    for name in LEADING:
        if name not in told:
            told[name] = [getattr(one, name) for one, _ in pairs]
    told |= dict(zip(names, numbers.T, strict=True))
    order = [*LEADING, *(name for name in columns if name != "attempt"), "corrected"]
    return pd.DataFrame({name: told[name] for name in order}).astype(_types(order))


def success_of(outcome: str) -> float:
    """1 for a hit, 0 for a miss or borderline, NaN for what can't be scored."""
    return {"hit": 1.0, "miss": 0.0, "borderline": 0.0}.get(outcome, np.nan)


def targets_by_block(table: pd.DataFrame) -> pd.DataFrame:
    """Table in which two blocks' targets of one name are two targets: `target` tells the block as well.

    Rows without a block, or without a target's name, stay as they are.
    """
    if "block" not in table.columns:
        return table
    both = (table["block"] != "") & (table["target"] != "")
    if not both.any():
        return table
    name = table["target"].astype(str) + " (block " + table["block"].astype(str) + ")"
    return table.assign(target=table["target"].where(~both, name))


def check_table(table: pd.DataFrame) -> None:
    """Refuse what is no table of attempts.

    Raises
    ------
    CohortError
        When a column is missing, or an outcome is none.
    """
    missing = [name for name in NEEDED if name not in table.columns]
    if missing:
        raise CohortError(f"The table of attempts has no column {missing[0]!r}; make it with gather.")
    unknown = sorted(set(table["outcome"]) - set(OUTCOMES))
    if unknown:
        raise CohortError(f"{str(unknown[0])[:40]!r} is no outcome; it must be one of {', '.join(OUTCOMES)}.")


def _types(order: Sequence[str]) -> dict[str, str]:
    """Kinds of the columns that would not come out right by themselves, without rows above all."""
    flags, whole = {"invented", "cut_off"}, {"order", "attempt"}
    text = {*LEADING, *WORDS} - flags - whole - {"at", "target_width_mm", "target_depth_mm", "success"}
    kinds = dict.fromkeys(text, "object") | dict.fromkeys(flags, "bool") | dict.fromkeys(whole, "int64")
    return {name: kinds[name] for name in order if name in kinds}


def _orders(learners: Sequence[str]) -> list[int]:
    counts: dict[str, int] = {}
    numbers = []
    for code in learners:
        counts[code] = counts.get(code, 0) + 1
        numbers.append(counts[code] if code else 0)
    return numbers


def _moment(one: Recording) -> str | None:
    return one.date or (None if one.first_scored is None else one.first_scored.isoformat())
