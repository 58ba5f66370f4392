"""Pictures of a camera coded as H.264 while they come, in files that play wherever writing ends."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from av.video.frame import PictureType

from needlecoach.clips.reader import ColourImage

# Real times go in in ms, as Matroska keeps them.
CLOCK = Fraction(1, 1000)
# A recording can begin at a key picture alone; so many ms from one to the next.
KEY_MS = 900
# Fast before small: 25 to 45 kB a picture of 1280x720; without a look ahead every picture comes out at once.
_OPTIONS = {"preset": "ultrafast", "crf": "20", "tune": "zerolatency", "forced-idr": "1"}
# A cluster is what Matroska writes at once: what a killed process has not written is shorter than one.
_FILE_OPTIONS = {"cluster_time_limit": "100", "flush_packets": "1"}
_NOMINAL_FPS = 30


@dataclass(frozen=True, eq=False)
class Coded:
    """One coded picture: its bytes, session time in ms, whether it stands alone, and the coder it is of."""

    data: bytes
    time_ms: int
    is_key: bool
    coder: Coder

    @property
    def time_s(self) -> float:
        """Session time."""
        return self.time_ms / 1000


class Coder:
    """Codes pictures of one size, each once; sides are made even by repeating the last column or row."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        self.size_px = size_px
        self._key_ms = -KEY_MS
        self._last_ms: int | None = None
        self._wants_key = True
        # A container that nothing is written to: PyAV makes a stream, which files copy, only within one.
        self._frame = av.open(io.BytesIO(), "w", format="matroska")
        self.stream = self._frame.add_stream("libx264", rate=_NOMINAL_FPS, options=dict(_OPTIONS))
        self.stream.width, self.stream.height = (side + side % 2 for side in size_px)
        self.stream.pix_fmt = "yuv420p"
        self.context = self.stream.codec_context
        self.stream.time_base = self.context.time_base = CLOCK
        # Key pictures are asked for by time; one thread, since two wait for one another.
        self.context.gop_size, self.context.thread_count = 1_000_000, 1
        # Limited range and the colours of ITU-R BT.601, which is what OpenCV makes of them below.
        self.context.color_range, self.context.colorspace = 1, 6
        self.context.open()

    def ask_for_key(self) -> None:
        """Have the next picture stand alone."""
        self._wants_key = True

    def encode(self, pixels: ColourImage, time_ms: int) -> list[Coded]:
        """Code one picture (h, w, 3) blue-green-red; times that do not rise are moved on by 1 ms."""
        if self._last_ms is not None:
            time_ms = max(time_ms, self._last_ms + 1)
        self._last_ms = time_ms
        picture = av.VideoFrame.from_ndarray(_planes(pixels), format="yuv420p")
        picture.pts, picture.time_base = time_ms, CLOCK
        if self._wants_key or time_ms - self._key_ms >= KEY_MS:
            picture.pict_type = PictureType.I
            self._key_ms, self._wants_key = time_ms, False
        return self._coded(self.context.encode(picture))

    def _coded(self, packets: Iterable[Any]) -> list[Coded]:
        return [Coded(bytes(packet), int(packet.pts), bool(packet.is_keyframe), self) for packet in packets]


def _planes(pixels: ColourImage) -> np.ndarray:
    """Luma and colour one below the other, limited range (ITU-R BT.601)."""
    high, wide = pixels.shape[:2]
    if high % 2 or wide % 2:
        pixels = np.asarray(cv2.copyMakeBorder(pixels, 0, high % 2, 0, wide % 2, cv2.BORDER_REPLICATE))
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2YUV_I420), dtype=np.uint8)


class MatroskaPart:
    """A new Matroska file of one coder's pictures; time 0 is its first. It plays wherever writing ends.

    Raises
    ------
    FileExistsError, OSError
        When the file is there already, or can't be made or written.
    """

    def __init__(self, path: Path, first: Coded) -> None:
        self.path, self.coder = path, first.coder
        self.first_ms, self.last_ms, self.n_frames = first.time_ms, first.time_ms, 0
        # Unbuffered: what was written is the operating system's, and outlives the process.
        self._file = path.open("xb", buffering=0)
        try:
            self._container = av.open(self._file, "w", format="matroska", options=dict(_FILE_OPTIONS))
            self._stream = self._container.add_stream_from_template(first.coder.stream)
            self._stream.time_base = CLOCK
            self._stream.codec_context.extradata = first.coder.context.extradata
        except BaseException:
            self._file.close()
            path.unlink(missing_ok=True)
            raise

    def write(self, coded: Coded) -> None:
        """Add a picture; the first must be a key."""
        packet = av.Packet(coded.data)
        packet.pts = packet.dts = coded.time_ms - self.first_ms
        packet.time_base, packet.stream, packet.is_keyframe = CLOCK, self._stream, coded.is_key
        self._container.mux(packet)
        self.last_ms = coded.time_ms
        self.n_frames += 1

    def close(self) -> None:
        """Write the index and the length, as far as the disk lets it; without them it plays too."""
        with contextlib.suppress(OSError, av.FFmpegError):
            self._container.close()
        self._file.close()
