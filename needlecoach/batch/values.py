"""What travels between the command and the processes that score for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from needlecoach.model import Marks, Scorecard
from needlecoach.scored import Wish

if TYPE_CHECKING:
    from needlecoach.reporting.page import Media

# Takes the share of a clip that is done, 0 to 1.
Report = Callable[[float], None]


@dataclass(frozen=True)
class Job:
    """One clip to be scored.

    Attributes
    ----------
    name : of its results folder in `out`
    again : score it also where it was scored before with the same marks, options and versions
    versions : of what bears on a result, as the command has them; a process with others refuses. Empty asks
        nothing: for processes of this machine
    """

    clip: Path
    name: str
    out: Path
    marks: Marks
    wish: Wish
    again: bool = False
    versions: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Scored:
    """A clip scored, its pictures made; nothing is written yet. `notes` are lines for the user."""

    card: Scorecard
    media: Media
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Before:
    """A clip that needs no scoring: its results are there. `unscorable` is the reason that they give."""

    unscorable: str = ""


@dataclass(frozen=True)
class Failed:
    """A clip that gave no result, and why; `defect` is the traceback where that is our own fault."""

    reason: str
    unscorable: bool = False
    defect: str = ""


Result = Scored | Before | Failed
# Places of jobs in their list, each with what came of it, in the order in which they end.
Results = Iterator[tuple[int, Result]]


@dataclass(frozen=True)
class Written:
    """A clip whose results folder is written; `lines` tell of it, `unscorable` is the reason for none."""

    folder: Path
    lines: tuple[str, ...]
    unscorable: str = ""
    notes: tuple[str, ...] = ()


Outcome = Written | Before | Failed
