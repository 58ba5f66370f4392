"""Tables of a scored clip: one row per attempt, one row per frame."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from needlecoach.model import Attempt, FloatArray, Scorecard

# What a spreadsheet takes for the start of a formula (common practice for CSV injection).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

# Decimals by the unit of a quantity: finer than the measurement, coarse enough to read.
_DECIMALS = {"px": 2, "mm": 3, "s": 4, "deg": 2, "°": 2, "mm/s": 2, "bits": 3}


def plain_text(text: str) -> str:
    """Return text that no spreadsheet runs as a formula: an apostrophe goes before a dangerous start."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def attempts_table(card: Scorecard) -> pd.DataFrame:
    """One row per attempt: clip, learner, then the attempt's figures in their order.

    Returns
    -------
    pd.DataFrame
        `NAME_sd` follows each figure `NAME` for which an uncertainty is known. Unknown values are None (blank
        in the file), yes/no values 0 and 1. Without attempts: no rows, columns clip and learner only.
    """
    names = _columns(card.attempts)
    rows = [_attempt_row(card, attempt, names) for attempt in card.attempts]
    return pd.DataFrame(rows, columns=["clip", "learner", *names], dtype=object)


def combined_table(cards: Iterable[Scorecard]) -> pd.DataFrame:
    """All attempts of several clips, one below the other; a column that one clip lacks is blank there."""
    cards = list(cards)
    names = _columns([attempt for card in cards for attempt in card.attempts])
    rows = [_attempt_row(card, attempt, names) for card in cards for attempt in card.attempts]
    return pd.DataFrame(rows, columns=["clip", "learner", *names], dtype=object)


def track_table(card: Scorecard) -> pd.DataFrame:
    """One row per frame: where the needle, its tip and the target were, and how far apart.

    Returns
    -------
    pd.DataFrame
        Columns as in `track.csv`; NaN where unknown, yes/no values 0 and 1.
    """
    track = card.track
    n = len(track)
    return pd.DataFrame(
        {
            "frame": np.arange(n),
            "time_s": track.time_s.round(4),
            "needle_present": track.needle_present.astype(int),
            "tip_x_px": track.tip_px[:, 0].round(2),
            "tip_y_px": track.tip_px[:, 1].round(2),
            "tip_visible": track.tip_visible.astype(int),
            "tip_sd_mm": track.tip_sd_mm.round(3),
            "entry_x_px": track.entry_px[:, 0].round(2),
            "entry_y_px": track.entry_px[:, 1].round(2),
            "angle_deg": track.angle_deg.round(2),
            "shaft_visible_share": track.shaft_visible_share.round(3),
            "target_x_px": track.target_px[:, 0].round(2),
            "target_y_px": track.target_px[:, 1].round(2),
            "centre_distance_mm": _distance(card, "centre_distance_mm", n),
            "edge_distance_mm": _distance(card, "edge_distance_mm", n),
            "advance_mm": _distance(card, "advance_mm", n),
        }
    )


def _distance(card: Scorecard, name: str, n_frames: int) -> FloatArray:
    """Per-frame distances in mm, NaN throughout when the clip has none of that name."""
    values = card.distances.get(name)
    return np.full(n_frames, np.nan) if values is None else np.asarray(values, dtype=float).round(3)


def _columns(attempts: Sequence[Attempt]) -> list[str]:
    """Names of the figures in the order of the table, `_sd` after those that have one in any attempt."""
    order: dict[str, bool] = {}
    for attempt in attempts:
        for name, figure in attempt.figures.items():
            order[name] = order.get(name, False) or figure.sd is not None
    return [
        column for name, has_sd in order.items() for column in ([name, f"{name}_sd"] if has_sd else [name])
    ]


def _attempt_row(card: Scorecard, attempt: Attempt, names: Sequence[str]) -> list[Any]:
    """Cells of one attempt: clip, learner, then one per name."""
    cells: dict[str, Any] = {}
    for name, figure in attempt.figures.items():
        cells[name] = _cell(figure.value, figure.unit)
        cells[f"{name}_sd"] = _cell(figure.sd, figure.unit)
    return [_cell(card.clip.path.name), _cell(card.marks.learner), *(cells.get(name) for name in names)]


def _cell(value: Any, unit: str = "") -> Any:
    """One value as it goes into a CSV cell."""
    if value is None:
        return None
    if isinstance(value, (bool, np.bool_)):
        return int(value)
    if isinstance(value, str):
        return plain_text(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    return round(float(value), _DECIMALS.get(unit, 4)) if np.isfinite(value) else None
