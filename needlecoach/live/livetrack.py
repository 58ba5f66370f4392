"""The live rows of an attempt scored at once, and as a table like that of its recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from needlecoach.live.following import Followed
from needlecoach.live.laid import Laid
from needlecoach.live.rows import track_of
from needlecoach.model import Scorecard
from needlecoach.reporting.tables import track_table


def live_card(laid: Laid, rows: Sequence[Followed]) -> Scorecard:
    """Score followed frames on end by the marks that they were followed by."""
    card = laid.study.live_card(track_of([one.row for one in rows]))
    if laid.filmed is None or any(one.view is None for one in rows):
        return card
    views = [one.view for one in rows if one.view is not None]
    screen = laid.filmed.screen(laid.given)
    of_rows = replace(
        screen,
        homographies=np.array([view.homography for view in views]).reshape(-1, 3, 3),
        gains=np.array([view.gain for view in views]),
        offsets=np.array([view.offset for view in views]),
        found=np.array([view.found for view in views], dtype=bool),
    )
    return replace(card, screen=of_rows)


def live_table(card: Scorecard, rows: Sequence[Followed], first: tuple[int, float] | None) -> pd.DataFrame:
    """Columns of track.csv, one row per followed frame; frames that were not followed have none.

    `first` are number and session time of the recording's first frame, from which `frame` and `time_s` then
    count, as those of track.csv do; None counts from the first row.
    """
    table = track_table(card)
    if not len(table):
        return table
    number, time_s = first or (rows[0].row.number, rows[0].row.time_s)
    table["frame"] = [one.row.number - number for one in rows]
    table["time_s"] = [round(one.row.time_s - time_s, 4) for one in rows]
    return table


def write_live_table(table: pd.DataFrame, path: Path) -> None:
    """Write it whole or not at all; OSError when it can't be."""
    waiting = path.with_name(f".{path.name}.part")
    try:
        table.to_csv(waiting, index=False, lineterminator="\n")
        waiting.replace(path)
    finally:
        waiting.unlink(missing_ok=True)
