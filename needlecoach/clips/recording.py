"""One recording in the making: files that stop for want of room, and begin anew when the size changes."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import av

from needlecoach.clips.coder import Coded, MatroskaPart
from needlecoach.errors import OutputError

LEAST_FREE_BYTES = 500_000_000
FreeBytes = Callable[[Path], int]
# Asked so often; at 10 MB a second, far more than is ever written, the disk loses 5 MB in between.
_CHECK_S = 0.5
# More room than was wanting before it goes on: else it would stop and begin all the time.
_MORE_SHARE = 1.1
# A write that failed is not tried again at once.
_AGAIN_S = 5.0

Trouble = Literal["", "full", "failed"]


def free_bytes_of(folder: Path) -> int:
    """Bytes free on the disk that holds a folder."""
    return shutil.disk_usage(folder).free


@dataclass(frozen=True)
class Room:
    """How much of the disk is left alone, and who tells what is free."""

    least_free_bytes: int = LEAST_FREE_BYTES
    free_bytes: FreeBytes = free_bytes_of


class PartsWriter:
    """Writes one recording's files, on the recorder's thread alone; others read what it tells.

    Attributes
    ----------
    parts : list of MatroskaPart
        Files written, the one at work last; a second begins when the size changes or after want of room.
    trouble : str
        Why nothing is being written: "full", "failed", or "" where all is well.
    words : str
        The same for a person.
    """

    def __init__(self, path: Path, room: Room) -> None:
        self.path, self._room = path, room
        self.parts: list[MatroskaPart] = []
        self.trouble: Trouble = ""
        self.words = ""
        self._open: MatroskaPart | None = None
        self._checked_s = self._failed_s = float("-inf")
        self._check_name()
        if not self._has_room():
            self._suffer("full", self._full_words())

    def take_all(self, coded: Iterable[Coded]) -> None:
        """Add several."""
        for one in coded:
            self.take(one)

    def take(self, coded: Coded) -> None:
        """Add a picture where there is room, else leave it out and say so."""
        try:
            self._follow_disk()
            if self._open is not None and self._open.coder is not coded.coder:
                self._finish_part()
            if self._open is None and not self._begin_part(coded):
                return
            assert self._open is not None
            self._open.write(coded)
        except (OSError, av.FFmpegError) as problem:
            self._finish_part()
            self._failed_s = time.monotonic()
            reason = getattr(problem, "strerror", None) or problem
            self._suffer("failed", f"{self.path.name} can't be written ({reason}): nothing is recorded now.")

    def finish(self) -> None:
        """End the file at work properly."""
        self._finish_part()

    def discard(self) -> None:
        """End it and remove its files."""
        self._finish_part()
        for part in self.parts:
            part.path.unlink(missing_ok=True)
        self.parts.clear()

    def _begin_part(self, coded: Coded) -> bool:
        if not coded.is_key:
            coded.coder.ask_for_key()
            return False
        if self.trouble == "full" or time.monotonic() - self._failed_s < _AGAIN_S:
            return False
        self._open = MatroskaPart(self._free_name(), coded)
        self.parts.append(self._open)
        self._suffer("", "")
        return True

    def _finish_part(self) -> None:
        part, self._open = self._open, None
        if part is not None:
            part.close()

    def _follow_disk(self) -> None:
        if time.monotonic() - self._checked_s < _CHECK_S:
            return
        if not self._has_room():
            self._finish_part()
            self._suffer("full", self._full_words())
        elif self.trouble == "full":
            self._suffer("", "")

    def _has_room(self) -> bool:
        self._checked_s = time.monotonic()
        least = self._room.least_free_bytes * (_MORE_SHARE if self.trouble == "full" else 1.0)
        return self._room.free_bytes(self.path.parent) >= least

    def _full_words(self) -> str:
        free = self._room.free_bytes(self.path.parent)
        return (
            f"The disk is nearly full ({free / 1e6:.0f} MB free in {self.path.parent}, "
            f"{self._room.least_free_bytes / 1e6:.0f} MB are left alone): "
            "nothing is recorded until there is room."
        )

    def _suffer(self, trouble: Trouble, words: str) -> None:
        self.trouble, self.words = trouble, words

    def _free_name(self) -> Path:
        if not self.parts:
            return self.path
        number = len(self.parts) + 1
        while (path := self.path.with_stem(f"{self.path.stem}-{number}")).exists():
            number += 1
        return path

    def _check_name(self) -> None:
        """Refuse what can't be written before anything is lost on it."""
        if not self.path.parent.is_dir():
            raise OutputError(f"{self.path.parent}: is no folder; make it, or record elsewhere.")
        if self.path.exists():
            raise OutputError(
                f"{self.path}: is there already, and recordings replace nothing; give another name."
            )
