"""Exact frames of the open clip, decoded ahead of the person who steps through them."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import cv2

from needlecoach.clips import ClipReader, open_clip
from needlecoach.errors import ClipError, NeedlecoachError, OutputError
from needlecoach.model import Clip, GreyImage

# Frames are decoded and thrown away so many at a time.
CHUNK = 24
MOST_BYTES = 256_000_000
# Decoded beyond the frame asked for, in either direction.
AHEAD_CHUNKS = 4
# Stored, not squeezed: a page on the same machine has it a twentieth sooner.
_PNG = [cv2.IMWRITE_PNG_COMPRESSION, 0, cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_NONE]


class Shelf:
    """Keeps the frames around the one asked for last; a thread of its own decodes.

    A video is read through once first: only then its frames can be entered by number and be sure to be those
    that scoring counts. What is read is kept as long as there is room.

    Parameters
    ----------
    path : clip
    fps : frames per second, for what carries no times
    most_bytes : size of the frames kept, about

    Raises
    ------
    ClipError
        When the clip can't be read.
    """

    def __init__(self, path: Path, *, fps: float | None = None, most_bytes: int = MOST_BYTES) -> None:
        self._reader: ClipReader = open_clip(path, fps=fps)
        self._changed = threading.Condition()
        self._frames: dict[int, GreyImage] = {}
        self._wanted, self._read_upto, self._n = 0, 0, 0
        self._problem: NeedlecoachError | None = None
        self._closed = False
        clip = self._reader.clip
        most = most_bytes // (clip.width_px * clip.height_px * CHUNK)
        self._most_chunks = max(int(most), 2)
        self._told_s = self._reader.times_s()
        self._met_s: list[float] = []
        self._worker = threading.Thread(target=self._work, name="needlecoach-shelf", daemon=True)
        self._worker.start()

    @property
    def clip(self) -> Clip:
        return self._reader.clip

    @property
    def times_s(self) -> list[float]:
        """Times of the frames: as the file tells them, once it was read through as they were met."""
        return self._met_s if self._n else self._told_s

    def png(self, number: int) -> bytes:
        """Return a frame as a PNG file, grey, of the original size; waits until it is decoded.

        Raises
        ------
        ClipError
            When there is no such frame, or it can't be decoded.
        """
        done, data = cv2.imencode(".png", self.frame(number), _PNG)
        if not done:
            raise OutputError(
                "A frame could not be turned into PNG; check the installation of opencv-python."
            )
        return data.tobytes()

    def frame(self, number: int) -> GreyImage:
        """Return a frame's greys, uint8 (h, w), as `png`."""
        with self._changed:
            self._wanted = number
            self._changed.notify_all()
            while number not in self._frames:
                if self._problem is not None:
                    raise self._problem
                if self._closed:
                    raise ClipError("The server is closing; start the command again.")
                if number < 0 or (self._n and number >= self._n):
                    raise ClipError(f"There is no frame {number}; the clip has {self._n}, counted from 0.")
                self._changed.wait()
            return self._frames[number]

    def wait_read_through(self) -> None:
        """Wait until the clip has been read through once, or can't be, or is closed."""
        with self._changed:
            while not (self._n or self._problem or self._closed):
                self._changed.wait()

    def close(self) -> None:
        """Stop decoding and let go of the file."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._worker.join(2.0)
        self._reader.close()

    def _work(self) -> None:
        try:
            self._read_through()
            while (chunk := self._next_chunk()) is not None:
                numbers = range(chunk * CHUNK, min((chunk + 1) * CHUNK, self._n))
                for number, frame in self._reader.read_frames(numbers).items():
                    self._put(number, frame.pixels)
        except NeedlecoachError as problem:
            self._fail(problem)
        except Exception as problem:  # told to whoever waits for a frame
            self._fail(ClipError(f"{self.clip.path.name}: can't be read any more ({problem})."))

    def _read_through(self) -> None:
        for frame in self._reader.decode():
            if self._closed:
                return
            self._met_s.append(frame.time_s)
            self._put(frame.number, frame.pixels)
        with self._changed:
            self._n = len(self._met_s)
            if not self._n:
                raise ClipError(f"{self.clip.path.name}: no frame can be read; export the clip again.")
            self._changed.notify_all()

    def _put(self, number: int, pixels: GreyImage) -> None:
        with self._changed:
            self._frames[number] = pixels
            if len(self._frames) > self._most_chunks * CHUNK:
                # While the file is read for the first time what was read before stays if it is nearer.
                del self._frames[max(self._frames, key=lambda one: abs(one - self._wanted))]
            self._changed.notify_all()

    def _next_chunk(self) -> int | None:
        """Number of the next chunk to be decoded; waits for one, None when closed."""
        with self._changed:
            while not self._closed:
                for chunk in self._near():
                    if not self._has(chunk):
                        return chunk
                self._changed.wait()
        return None

    def _near(self) -> Iterator[int]:
        """The chunk of the frame wanted, then those around it, as many as may be kept."""
        middle, last = self._wanted // CHUNK, (self._n - 1) // CHUNK
        reach = min(AHEAD_CHUNKS, (self._most_chunks - 1) // 2)
        offsets = [0] + [side * far for far in range(1, reach + 1) for side in (1, -1)]
        yield from (middle + off for off in offsets if 0 <= middle + off <= last)

    def _has(self, chunk: int) -> bool:
        numbers = range(chunk * CHUNK, min((chunk + 1) * CHUNK, self._n))
        return all(number in self._frames for number in numbers)

    def _fail(self, problem: NeedlecoachError) -> None:
        with self._changed:
            self._problem = problem
            self._changed.notify_all()
