"""Which attempts of a scored clip the big screen shows, and what of each: nothing that tells of a person."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

OUTCOMES = ("hit", "miss", "borderline")


@dataclass(frozen=True)
class Try:
    """One attempt to be shown; frames are those of the clip.

    `kind` says what `mm`, with its uncertainty `sd_mm`, is of (see `words.distance_words`); `beside_mm` is by
    how much the tip stayed outside the target, None where it did not.
    """

    first: int
    last: int
    decisive: int
    is_core: bool
    target_name: str
    outcome: str
    kind: str
    mm: float | None
    sd_mm: float | None
    beside_mm: float | None


def tries_of(page: Mapping[str, Any], table: pd.DataFrame, target_name: str) -> tuple[list[Try], list[str]]:
    """Return the attempts of a result that can be shown, and why others, or all, can't.

    Parameters
    ----------
    page : what the review page draws from (page.json, `pagedata.page_data`)
    table : its figures (attempts.csv, `tables.attempts_table`)
    target_name : what was hidden; "" when it has no name
    """
    if page["unscorable"] or not page["attempts"]:
        return [], ["no attempt was found in it"]
    if page["target"] is None:
        return [], ["no target was marked in it"]
    rows = {int(row["attempt"]): row for row in table.to_dict("records")}
    shown, left = [], []
    for attempt in page["attempts"]:
        one = _try(attempt, rows.get(attempt["number"], {}), page, target_name)
        if one is None:
            left.append(f"attempt {attempt['number']} was not followed well enough to be shown")
        else:
            shown.append(one)
    return shown, left


def _try(
    attempt: Mapping[str, Any], row: Mapping[Any, Any], page: Mapping[str, Any], target_name: str
) -> Try | None:
    decisive = _decisive(attempt)
    if decisive is None or attempt["outcome"] not in OUTCOMES:
        return None
    is_core = attempt["core"] is not None
    kind, mm, sd_mm = _distance(row, attempt["outcome"], is_core=is_core)
    edge_mm = _number(row, "closest_edge_mm")
    return Try(
        first=attempt["first"],
        last=attempt["last"],
        decisive=decisive,
        is_core=is_core,
        target_name=target_name,
        outcome=attempt["outcome"],
        kind=kind,
        mm=mm,
        sd_mm=sd_mm,
        beside_mm=None if edge_mm is None or edge_mm <= 0 else edge_mm,
    )


def _decisive(attempt: Mapping[str, Any]) -> int | None:
    """Frame of the firing or sample of a core needle, else of the closest approach."""
    core = attempt["core"]
    frame = attempt["closest"]
    if core is not None:
        frame = core["frame"] if core["fired_frame"] is None else core["fired_frame"]
    return frame if isinstance(frame, int) and attempt["first"] <= frame <= attempt["last"] else None


def _distance(
    row: Mapping[Any, Any], outcome: str, *, is_core: bool
) -> tuple[str, float | None, float | None]:
    """What is told of an attempt: kind, millimetres, their standard uncertainty."""
    if is_core:
        mm = _number(row, "notch_in_target_mm")
        if mm is None or mm <= 0:
            return "no_sample", None, None
        return "sample", mm, _number(row, "notch_in_target_mm_sd")
    name, kind = {
        "hit": ("closest_centre_mm", "middle"),
        "miss": ("closest_edge_mm", "beside"),
        "borderline": ("closest_edge_mm", "on_edge"),
    }[outcome]
    mm = _number(row, name)
    return kind, None if mm is None else abs(mm), _number(row, f"{name}_sd")


def _number(row: Mapping[Any, Any], name: str) -> float | None:
    value = row.get(name)
    return float(value) if isinstance(value, (int, float)) and math.isfinite(value) else None
