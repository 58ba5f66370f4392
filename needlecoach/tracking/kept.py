"""Working pictures kept after a clip was followed, so that what a person says of it is taken in at once."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from functools import partial
from pathlib import Path

import numpy as np

from needlecoach.errors import OutputError
from needlecoach.model import FloatArray, GreyImage
from needlecoach.tracking.drift import Held
from needlecoach.tracking.known import Said
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.resting import hold_resting
from needlecoach.tracking.target import TargetPath
from needlecoach.tracking.track import Tracking, finished, window_rows
from needlecoach.tracking.windows import NeedleRows, Window, Windows

# Pictures are kept in files of so many, which the system holds in memory as far as there is room.
CHUNK = 256


class KeptPictures:
    """Steadied working pictures of a whole clip in temporary files, and what was made of them.

    A keeper for `track_clip`; after that, `track` follows the needle again in seconds: only windows of which
    something new was said are followed anew.
    """

    def __init__(self, plane: Plane, thrown_mm: float = 0.0) -> None:
        self._plane, self._thrown_mm = plane, thrown_mm
        self._folder = tempfile.TemporaryDirectory(prefix="needlecoach-")
        self._chunks: list[GreyImage] = []
        self._clock_s: list[float] = []
        self._held: list[tuple[float, FloatArray, float]] = []
        self._target = TargetPath.nowhere(0)
        self._known: dict[tuple[object, ...], NeedleRows] = {}

    def keep(self, held: Held, clock_s: float) -> None:
        """Take in the next picture; OutputError when the disk is full."""
        number = len(self._held)
        if number % CHUNK == 0:
            self._chunks.append(self._new_chunk(held.picture.shape))
        self._chunks[-1][number % CHUNK] = held.picture
        self._held.append((held.time_s, held.drift, held.likeness))
        self._clock_s.append(clock_s)

    def keep_target(self, target: TargetPath) -> None:
        """Take in where the target was."""
        self._target = target

    def follow(self, window: Window, said: Mapping[int, Said] | None = None) -> NeedleRows:
        """Follow the needle through one window, unless that was done with the same things said."""
        end = window.first + len(window.pictures)
        here = {number: one for number, one in (said or {}).items() if window.first <= number < end}
        key = (window.first, end, *sorted(here.items(), key=lambda item: item[0]))
        if key not in self._known:
            self._known[key] = window_rows(self._plane, here, window, thrown_mm=self._thrown_mm)
        rows = self._known[key].copy()
        return rows if window.last is None else hold_resting(rows, window, self._plane)

    def track(self, said: Mapping[int, Said]) -> Tracking:
        """Follow the needle again, given what was said of single frames."""
        with Windows(partial(self.follow, said=said)) as windows:
            for number, (_, drift, _) in enumerate(self._held):
                picture = self._chunks[number // CHUNK][number % CHUNK]
                windows.add(picture, self._clock_s[number], drift)
            needle = windows.rows()
        times_s = [time_s for time_s, _, _ in self._held]
        return finished(needle, self._target, times_s, np.array([likeness for _, _, likeness in self._held]))

    def close(self) -> None:
        """Let go of the files; safe to call twice."""
        self._chunks = []
        self._folder.cleanup()

    def _new_chunk(self, shape: tuple[int, ...]) -> GreyImage:
        path = Path(self._folder.name) / f"{len(self._chunks)}.raw"
        try:
            # Written in full at once: a disk that is full later would end the program without a word.
            path.write_bytes(bytes(CHUNK * shape[0] * shape[1]))
        except OSError as problem:
            raise OutputError(
                f"{self._folder.name}: the pictures can't be kept for correcting "
                f"({problem.strerror or problem}); make room on the disk of temporary files."
            ) from problem
        return np.memmap(path, dtype=np.uint8, mode="r+", shape=(CHUNK, *shape))
