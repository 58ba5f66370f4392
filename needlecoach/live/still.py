"""A still of the live picture as a short clip, to be marked on; the marks that hold now lie beside it."""

from __future__ import annotations

import contextlib
from datetime import datetime
from pathlib import Path

from needlecoach.errors import ClipError, MarksError, OutputError
from needlecoach.live.kept import Place
from needlecoach.live.laid import Laid
from needlecoach.live.moved import moved_marks
from needlecoach.live.saving import ENDING, STILL, Recorder, recordings_folder, unused_name
from needlecoach.marks import MarksFile, marks_path, write_marks

# Long enough to see the speckle live, and for the frames beside the marked one.
STILL_S = 1.5


def still_of(recorder: Recorder, out: Path, wall: datetime, now_s: float) -> Path:
    """Record the last moment of the live picture as a clip of its own.

    Raises
    ------
    ClipError
        When there is no picture to be had.
    OutputError
        When it can't be written.
    """
    path = recordings_folder(out) / f"{unused_name(out, STILL, wall)}{ENDING}"
    made = recorder.begin(path, max(now_s - STILL_S, 0.0)).end(now_s)
    if made is None:
        path.unlink(missing_ok=True)
        raise ClipError(
            "There is no live picture to mark on, or no room for it on the disk; see to it first."
        )
    return made


def prefilled(still: Path, laid: Laid | None, of_day: MarksFile | None, place: Place | None) -> None:
    """Put the marks that hold now beside a still, so that only what changed is to be marked."""
    if laid is None:
        return
    target_px, view = (None, None) if place is None else (place.target_px, place.view)
    with contextlib.suppress(MarksError, OutputError):  # the page then begins with none
        write_marks(marks_path(still), moved_marks(laid, of_day, target_px, view))
