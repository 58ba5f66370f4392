"""A folder into which recordings are saved: each is told once, when its file has stopped growing."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from needlecoach.errors import NeedlecoachError

# How long a file must not have changed to count as saved. Recorders flush several times a second (common
# practice, no source); one that pauses longer is told again when it changes.
SETTLED_S = 1.5
# What lies beside recordings, and what browsers and copying programs call a file that is not whole yet.
_OTHERS = frozenset({".json", ".toml", ".csv", ".txt", ".html", ".part", ".partial", ".tmp", ".crdownload"})

State = tuple[int, int]


@dataclass
class _Seen:
    state: State
    since_s: float


class WatchedFolder:
    """Tells the files of a folder that were saved since it was first looked at.

    Parameters
    ----------
    clock : seconds that never go back
    settled_s : see `SETTLED_S`

    Raises
    ------
    NeedlecoachError
        When there is no such folder, or it can't be read.
    """

    def __init__(
        self, folder: Path, *, clock: Callable[[], float] = time.monotonic, settled_s: float = SETTLED_S
    ) -> None:
        self._folder = folder
        self._clock = clock
        self._settled_s = settled_s
        self._growing: dict[Path, _Seen] = {}
        if not folder.is_dir():
            raise NeedlecoachError(f"--watch {folder}: there is no such folder; make it first.")
        try:
            self._told = self._look()
        except OSError as problem:
            raise NeedlecoachError(
                f"--watch {folder}: can't be read ({problem.strerror or problem}); check its permissions."
            ) from problem

    @property
    def n_before(self) -> int:
        """How many files were told, or were there before."""
        return len(self._told)

    def saved(self) -> list[Path]:
        """Return files that have stopped growing since the last call; a changed one is told again.

        A folder that is away for a while, as one on the network may be, counts as unchanged.
        """
        try:
            found = self._look()
        except OSError:
            return []
        now_s = self._clock()
        ready = []
        for path, state in found.items():
            if self._told.get(path) == state:
                continue
            seen = self._growing.get(path)
            if seen is None or seen.state != state:
                self._growing[path] = _Seen(state, now_s)
            elif state[0] > 0 and now_s - seen.since_s >= self._settled_s:
                self._told[path] = state
                ready.append(path)
        self._growing = {
            path: seen for path, seen in self._growing.items() if path in found and path not in ready
        }
        return ready

    def _look(self) -> dict[Path, State]:
        """Size and time of change of every file that may be a recording, in the order of their names."""
        found = {}
        with os.scandir(self._folder) as entries:
            for entry in sorted(entries, key=lambda one: one.name):
                path = Path(entry.path)
                if entry.name[0] in ".~" or path.suffix.lower() in _OTHERS or not entry.is_file():
                    continue
                told = entry.stat()
                found[path] = told.st_size, told.st_mtime_ns
        return found
