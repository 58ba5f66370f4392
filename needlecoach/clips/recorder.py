"""Every picture of a camera recorded: coded once, kept for some seconds, written to any number of files."""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, TypeVar

import av
import cv2

from needlecoach.clips.capture import Captured
from needlecoach.clips.coder import Coded, Coder
from needlecoach.clips.recording import LEAST_FREE_BYTES, FreeBytes, PartsWriter, Room, free_bytes_of

BEFORE_S = 8.0
# Pictures that wait to be coded: about three seconds of 1280x720 at 30/s, in which a busy machine recovers.
_MOST_WAITING_BYTES = 256_000_000
# A recording asked to end in the future waits for it, but not for ever.
_LONGEST_WAIT_S = 10.0

Result = TypeVar("Result")
StateKind = Literal["idle", "recording", "full", "failed"]


@dataclass(frozen=True)
class RecorderState:
    """How recording goes.

    `kind` is "idle" (nothing asked for), "recording", "full" (the disk; goes on when there is room) or
    "failed" (writing; tried again); `words` say so for a person, "" where all is well. `lost` counts pictures
    that the machine was too slow for, `cost_ms` is what one took to code and write, on average of late.
    """

    kind: StateKind
    words: str
    n_frames: int
    lost: int
    cost_ms: float


class Recording:
    """One recording in the making; made by `Recorder.begin`."""

    def __init__(self, recorder: Recorder, writer: PartsWriter) -> None:
        self._recorder, self.writer = recorder, writer

    @property
    def path(self) -> Path:
        """File of its first part."""
        return self.writer.path

    @property
    def paths(self) -> tuple[Path, ...]:
        """Files written so far; more than one where the size changed, or room was wanting for a while."""
        return tuple(part.path for part in list(self.writer.parts))

    @property
    def first_s(self) -> float:
        """Session time of its first picture, NaN before it has one."""
        return self.writer.parts[0].first_ms / 1000 if self.writer.parts else float("nan")

    @property
    def last_s(self) -> float:
        """Session time of its last picture so far, NaN before it has one."""
        return self.writer.parts[-1].last_ms / 1000 if self.writer.parts else float("nan")

    @property
    def n_frames(self) -> int:
        """Pictures written so far, in all parts."""
        return sum(part.n_frames for part in list(self.writer.parts))

    def end(self, at_s: float) -> Path | None:
        """End it; all that was captured until session time `at_s` is in it. A time to come is waited for.

        Returns
        -------
        Path or None
            Its first file; None when nothing could be written (no room, or no picture came).
        """
        self._recorder.end(self, at_s)
        return self.paths[0] if self.paths else None


class Recorder:
    """Codes what it `see`s on a thread of its own; use `with`, or `close` it.

    Parameters
    ----------
    before_s : float
        So much is kept in memory, so that a recording can begin in the past.
    least_free_bytes : int
        Room on the disk that is left alone.
    free_bytes : callable
        Tells the bytes free on the disk of a folder.
    """

    def __init__(
        self,
        *,
        before_s: float = BEFORE_S,
        least_free_bytes: int = LEAST_FREE_BYTES,
        free_bytes: FreeBytes = free_bytes_of,
    ) -> None:
        self._before_ms = round(1000 * before_s)
        self._room = Room(least_free_bytes, free_bytes)
        self._waiting: queue.SimpleQueue[Captured | Callable[[], None] | None] = queue.SimpleQueue()
        self._waiting_bytes = self._lost = self._n_frames = 0
        self._counting = threading.Lock()
        self._clock_zero_s = time.monotonic()
        self._cost_ms, self._fault = 0.0, ""
        self._coder: Coder | None = None
        self._kept: deque[Coded] = deque()
        self._writers: list[PartsWriter] = []
        self._closed = False
        self._worker = threading.Thread(target=self._work, name="needlecoach-record", daemon=True)
        self._worker.start()

    def __enter__(self) -> Recorder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def see(self, captured: Captured) -> None:
        """Take a picture in; returns at once. To be handed to `Source.subscribe`."""
        size = captured.pixels.nbytes
        with self._counting:
            self._clock_zero_s = time.monotonic() - captured.time_s
            if self._closed:
                return
            if self._waiting_bytes + size > _MOST_WAITING_BYTES:
                self._lost += 1
                return
            self._waiting_bytes += size
        self._waiting.put(captured)

    @property
    def state(self) -> RecorderState:
        """How recording goes just now."""
        writers = list(self._writers)
        troubled = next((writer for writer in writers if writer.trouble), None)
        words = [self._fault] if self._fault else [] if troubled is None else [troubled.words]
        if self._lost:
            words.append(f"{self._lost} pictures were not recorded: this machine is too slow for them.")
        return RecorderState(self._kind(writers), " ".join(words), self._n_frames, self._lost, self._cost_ms)

    def _kind(self, writers: list[PartsWriter]) -> StateKind:
        if self._fault:
            return "failed"
        troubles = [writer.trouble for writer in writers if writer.trouble]
        return (troubles[0] or "recording") if troubles else ("recording" if writers else "idle")

    def begin(self, path: Path, from_s: float) -> Recording:
        """Begin a file at the key picture at or before session time `from_s`, as far back as is kept.

        Without room it waits for it, and `state` says so.

        Raises
        ------
        OutputError
            When the folder is missing or the name is taken.
        """
        return Recording(self, self._asked(lambda: self._begin(Path(path), from_s)))

    def end(self, recording: Recording, at_s: float) -> None:
        """End a recording, see `Recording.end`."""
        wait_s = at_s - (time.monotonic() - self._clock_zero_s)
        if wait_s > 0 and not self._closed:
            time.sleep(min(wait_s, _LONGEST_WAIT_S))
        self._asked(lambda: self._take_off(recording.writer).finish())

    def drop(self, recording: Recording) -> None:
        """End a recording and remove what was written of it."""
        self._asked(lambda: self._take_off(recording.writer).discard())

    def close(self) -> None:
        """End all recordings properly, once what was captured before is in them; safe to call twice."""
        with self._counting:
            if self._closed:
                return
            self._closed = True
        self._waiting.put(None)
        self._worker.join()

    def _asked(self, act: Callable[[], Result]) -> Result:
        """Have the recorder's thread do something after the pictures that wait; return what came of it."""
        done = threading.Event()
        came: list[Any] = []

        def run() -> None:
            try:
                came.extend((act(), None))
            except Exception as problem:  # raised by the one who asked
                came.extend((None, problem))
            done.set()

        if self._closed and not self._worker.is_alive():
            return act()
        self._waiting.put(run)
        while not done.wait(0.2):
            if not self._worker.is_alive():
                run()
        if came[1] is not None:
            raise came[1]
        result: Result = came[0]
        return result

    def _work(self) -> None:
        while (item := self._waiting.get()) is not None:
            if isinstance(item, Captured):
                self._record(item)
                with self._counting:
                    self._waiting_bytes -= item.pixels.nbytes
            else:
                item()
        for writer in self._writers:
            writer.finish()
        self._writers.clear()

    def _record(self, captured: Captured) -> None:
        began_s = time.perf_counter()
        try:
            self._code(captured)
            self._fault = ""
        except (av.FFmpegError, cv2.error, ValueError) as problem:
            self._coder = None
            high, wide = captured.pixels.shape[:2]
            self._fault = f"Pictures of {wide}x{high} can't be coded ({problem}): nothing is recorded now."
        self._n_frames += 1
        took_ms = 1000 * (time.perf_counter() - began_s)
        self._cost_ms = took_ms if self._n_frames == 1 else 0.98 * self._cost_ms + 0.02 * took_ms

    def _code(self, captured: Captured) -> None:
        high, wide = captured.pixels.shape[:2]
        if self._coder is None or self._coder.size_px != (wide, high):
            self._coder = Coder((wide, high))
        for coded in self._coder.encode(captured.pixels, round(1000 * captured.time_s)):
            self._keep(coded)
            for writer in self._writers:
                writer.take(coded)

    def _keep(self, coded: Coded) -> None:
        """Keep the last seconds, from a key picture on."""
        self._kept.append(coded)
        oldest_ms = coded.time_ms - self._before_ms
        keys = [place for place, one in enumerate(self._kept) if one.is_key and one.time_ms <= oldest_ms]
        for _ in range(keys[-1] if keys else 0):
            self._kept.popleft()

    def _begin(self, path: Path, from_s: float) -> PartsWriter:
        writer = PartsWriter(path, self._room)
        kept = [coded for coded in self._kept if coded.coder is self._coder]
        keys = [place for place, coded in enumerate(kept) if coded.is_key]
        start = max((place for place in keys if kept[place].time_s <= from_s), default=min(keys, default=0))
        writer.take_all(kept[start:])
        self._writers.append(writer)
        return writer

    def _take_off(self, writer: PartsWriter) -> PartsWriter:
        if writer in self._writers:
            self._writers.remove(writer)
        return writer
