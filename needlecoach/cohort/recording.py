"""Recordings with their attempts, as read: what the table of attempts is made from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

TASKS, KINDS = ("aspirate", "core"), ("fluid", "solid")
# Columns of attempts.csv that hold no number.
WORDS = ("outcome", "cut_off", "scale_source", "corrected")


class AttemptRow(NamedTuple):
    """One attempt as read; `numbers` in the order of the names that go with them, None where blank."""

    attempt: int
    outcome: str
    cut_off: bool
    scale_source: str
    corrected: str
    numbers: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Recording:
    """One recording with its attempts, as far as a cohort needs to know.

    `place` is where it was read, for messages. `date` is that of the marks, None without one; `first_scored`
    (UTC) and `written_s` are None and 0 where a table does not tell. Text is "" and sizes NaN where unknown.
    """

    place: str
    folder: str
    clip: str
    sha256: str
    learner: str
    date: str | None
    first_scored: datetime | None
    written_s: float
    attempts: tuple[AttemptRow, ...]
    version: str = ""
    task: str = "aspirate"
    target: str = ""
    target_kind: str = ""
    target_width_mm: float = math.nan
    target_depth_mm: float = math.nan
    phantom: str = ""
    block: str = ""
    invented: bool = False

    @property
    def day(self) -> str:
        """YYYY-MM-DD as marked, else of the first scoring, else nothing."""
        return self.date or ("" if self.first_scored is None else self.first_scored.date().isoformat())


def number_columns(columns: Sequence[str]) -> tuple[str, ...]:
    """Those columns of attempts.csv that hold numbers, but the attempt's own."""
    return tuple(name for name in columns if name != "attempt" and name not in WORDS)
