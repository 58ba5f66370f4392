"""One attempt on disk: its marks first, then its recording, both under one name that was never used."""

from __future__ import annotations

import contextlib
import math
import os
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from needlecoach.block.file import read_block, write_block
from needlecoach.blockuse import ENDING as BLOCK_ENDING
from needlecoach.errors import OutputError
from needlecoach.marks import MarksFile, marks_path, write_marks
from needlecoach.model import Block

RECORDINGS = "recordings"
ENDING, STILL = ".mkv", "setup"
LIVE_TRACK = "live_track.csv"
# A target moves by no px in less.
_SAME_MOMENT_S = 0.02
# Recordings stop where there is no room; one that ends so long before its attempt does holds only a part.
_CUT_S = 0.5

MarksAt = Callable[[float], MarksFile]


class Recording(Protocol):
    """A recording in the making, as `clips.recorder` makes it; times are the session's."""

    @property
    def first_s(self) -> float: ...

    @property
    def last_s(self) -> float: ...

    def end(self, at_s: float) -> Path | None: ...


class Recorder(Protocol):
    """What makes recordings of the live picture."""

    def begin(self, path: Path, from_s: float) -> Recording: ...

    def drop(self, recording: Any) -> None: ...


class Saving:
    """An attempt's recording and the marks beside it.

    Parameters
    ----------
    marks_at : marks for a recording that begins at a session time

    Raises
    ------
    OutputError
        When either can't be written; nothing is left behind then.
    """

    def __init__(self, recorder: Recorder, path: Path, marks_at: MarksAt, from_s: float) -> None:
        self.path, self.marks = path, marks_path(path)
        self._recorder, self._marks_at, self._marked_s = recorder, marks_at, from_s
        write_marks(self.marks, marks_at(from_s))
        try:
            self._recording = recorder.begin(path, from_s)
        except BaseException:
            self.marks.unlink(missing_ok=True)
            raise
        self._mark_again()

    @property
    def first_s(self) -> float:
        """Session time of the recording's first frame, NaN while it has none."""
        return self._recording.first_s

    def end(self, at_s: float) -> Path | None:
        """End the recording; None when nothing of it could be written, and then no marks are left either."""
        path = self._recording.end(at_s)
        if path is None:
            self.marks.unlink(missing_ok=True)
            return None
        self._mark_again()
        return path

    def holds(self, until_s: float) -> bool:
        """Tell whether all up to a session time is in it: a disk that was full leaves a part."""
        return self._recording.last_s >= until_s - _CUT_S

    def drop(self) -> None:
        """End it and take away what was written."""
        self._recorder.drop(self._recording)
        self.discard()

    def discard(self) -> None:
        """Take away the files of a recording that has ended."""
        for path in (self.path, self.marks):
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)

    def _mark_again(self) -> None:
        """Put the target where it lies in the first frame, once it is known which one that is."""
        first_s = self.first_s
        if math.isfinite(first_s) and abs(first_s - self._marked_s) > _SAME_MOMENT_S:
            write_marks(self.marks, self._marks_at(first_s))
            self._marked_s = first_s


def recordings_folder(out: Path) -> Path:
    """Folder for recordings beside the results, made if needed; OutputError when it can't be."""
    folder = out / RECORDINGS
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError(
            f"{folder}: can't be made ({problem.strerror or problem}); choose another --out."
        ) from problem
    return folder


def keep_block(out: Path, block: Block) -> Path:
    """Put the block's file where recordings of it are scored by it; return its place.

    Raises
    ------
    OutputError
        When another file of this block's code lies there, or it can't be written.
    """
    place = recordings_folder(out) / f"{block.code}{BLOCK_ENDING}"
    if os.path.lexists(place):
        if read_block(place) != block:
            raise OutputError(
                f"{place}: tells otherwise of block {block.code} than the file that was given; recordings "
                "there are scored by it, so bring it up to date, or put it elsewhere."
            )
        return place
    write_block(place, block)
    return place


def unused_name(out: Path, stem: str, wall: datetime) -> str:
    """Name by the date and time on the wall for a recording and its results, such as L01-20261126-104500."""
    name, number = f"{stem}-{wall:%Y%m%d-%H%M%S}", 1
    folder, tried = out / RECORDINGS, name
    while (out / tried).exists() or any(folder.glob(f"{tried}.*")):
        number += 1
        tried = f"{name}-{number}"
    return tried


def without_results(out: Path) -> list[Path]:
    """Recordings of attempts that have marks and no results, as a program that was killed leaves them."""
    found = sorted((out / RECORDINGS).glob(f"*{ENDING}"))
    return [
        path
        for path in found
        if not path.stem.startswith(f"{STILL}-")
        and marks_path(path).is_file()
        and not (out / path.stem / "run.json").is_file()
    ]


def remove_results(out: Path, name: str) -> None:
    """Take away the results folder of an attempt that is to be forgotten."""
    folder = out / name
    if (folder / "run.json").is_file():
        shutil.rmtree(folder, ignore_errors=True)
