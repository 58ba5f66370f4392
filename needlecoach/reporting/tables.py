"""Tables of a scored clip: one row per attempt, one row per frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from needlecoach.model import Attempt, Figure, FilmedScreen, FloatArray, Scorecard
from needlecoach.reporting.cells import ATTEMPT_COLUMNS, CORRECTED, plain_text
from needlecoach.reporting.pagedata import raw_attempt
from needlecoach.reporting.rounding import in_table


def attempts_table(card: Scorecard) -> pd.DataFrame:
    """One row per attempt: clip, learner, the attempt's figures in the order of `ATTEMPT_COLUMNS`, what of
    them a person's corrections changed.

    Returns
    -------
    pd.DataFrame
        Every column of `ATTEMPT_COLUMNS`, also without attempts; `NAME_sd` is the uncertainty of `NAME`.
        Unknown values are None (blank in the file), yes/no values 0 and 1.
    """
    names = _columns(card.attempts)
    rows = [_attempt_row(card, attempt, names) for attempt in card.attempts]
    return pd.DataFrame(rows, columns=["clip", "learner", *names, CORRECTED], dtype=object)


def combined_table(cards: Mapping[str, Scorecard]) -> pd.DataFrame:
    """All attempts of several clips, keyed by results folder, one below the other.

    Returns
    -------
    pd.DataFrame
        First `folder`, which tells clips of the same name apart, then the columns of `attempts_table`.
    """
    names = _columns([attempt for card in cards.values() for attempt in card.attempts])
    rows = [
        [_cell(folder), *_attempt_row(card, attempt, names)]
        for folder, card in cards.items()
        for attempt in card.attempts
    ]
    return pd.DataFrame(rows, columns=["folder", "clip", "learner", *names, CORRECTED], dtype=object)


def track_table(card: Scorecard) -> pd.DataFrame:
    """One row per frame: where the needle, its tip and the target were, and how far apart.

    Returns
    -------
    pd.DataFrame
        Columns as in `track.csv`; NaN where unknown, yes/no values 0 and 1. Places are in px of the original
        frames, also of a camera's.
    """
    track = card.track
    tip_px, entry_px, target_px = (
        places if card.screen is None else card.screen.to_frame_px(places)
        for places in (track.tip_px, track.entry_px, track.target_px)
    )
    n = len(track)
    return pd.DataFrame(
        {
            "frame": np.arange(n),
            "time_s": track.time_s.round(4),
            "needle_present": track.needle_present.astype(int),
            "tip_x_px": tip_px[:, 0].round(2),
            "tip_y_px": tip_px[:, 1].round(2),
            "tip_visible": track.tip_visible.astype(int),
            "tip_sd_mm": track.tip_sd_mm.round(3),
            "entry_x_px": entry_px[:, 0].round(2),
            "entry_y_px": entry_px[:, 1].round(2),
            "angle_deg": card.measured_track.angle_deg.round(2),
            "shaft_visible_share": track.shaft_visible_share.round(3),
            "target_x_px": target_px[:, 0].round(2),
            "target_y_px": target_px[:, 1].round(2),
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
    """Names of the columns; a figure or an uncertainty that the header does not know comes last."""
    names = dict.fromkeys(ATTEMPT_COLUMNS)
    for attempt in attempts:
        for name, figure in attempt.figures.items():
            names.update(dict.fromkeys([name] if figure.sd is None else [name, f"{name}_sd"]))
    return list(names)


def _attempt_row(card: Scorecard, attempt: Attempt, names: Sequence[str]) -> list[Any]:
    """Cells of one attempt: clip, learner, then one per name."""
    cells: dict[str, Any] = {}
    for name, figure in attempt.figures.items():
        cells[name] = _cell(figure.value, figure.unit)
        cells[f"{name}_sd"] = _cell(figure.sd, figure.unit)
    if card.scale.sd_share == 0:  # not stated, which is not the same as exact
        cells["scale_sd_share"] = None
    clip, learner = _cell(card.clip.path.name), _cell(card.marks.learner)
    return [clip, learner, *(cells.get(name) for name in names), _corrected(card, attempt)]


def _corrected(card: Scorecard, attempt: Attempt) -> str | None:
    """Names of the figures that differ from the raw result by the table's digits; all of a new attempt."""
    if card.raw is None:
        return None
    former = raw_attempt(card, attempt)
    was = {} if former is None else former.figures
    changed = [
        name
        for name, figure in attempt.figures.items()
        if name != "attempt" and _figure_cell(figure) != _figure_cell(was.get(name))
    ]
    return " ".join(changed) or None


def _figure_cell(figure: Figure | None) -> Any:
    return None if figure is None else _cell(figure.value, figure.unit)


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
    return in_table(value, unit) if np.isfinite(value) else None


def screen_table(screen: FilmedScreen) -> pd.DataFrame:
    """One row per frame of a camera's recording: the screen's corners in px of the original frame.

    Returns
    -------
    pd.DataFrame
        `found` is 0 where the screen could not be made out and its last place is held; corners 1 to 4 run
        clockwise from the upper left.
    """
    columns: dict[str, Any] = {"frame": np.arange(len(screen.found)), "found": screen.found.astype(int)}
    for number, corner in enumerate(np.moveaxis(screen.outlines_px(), 1, 0), start=1):
        columns[f"corner{number}_x_px"] = corner[:, 0].round(2)
        columns[f"corner{number}_y_px"] = corner[:, 1].round(2)
    return pd.DataFrame(columns)
