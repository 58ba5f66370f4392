"""Video files, read through OpenCV's FFmpeg with the file's own time stamps."""

from __future__ import annotations

import math
import os
import statistics
from collections.abc import Iterator
from pathlib import Path

# FFmpeg's remarks would break the rule of one line per error; -8 is "quiet", read at the first opening.
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")

import cv2
import numpy as np

from needlecoach.clips.reader import ClipReader, ColourImage, grey_from_bgr
from needlecoach.errors import ClipError
from needlecoach.model import Clip, Frame

cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)

# Stamps are rounded to 1 ms in some containers; two frames are never that close.
_SAME_STAMP_MS = 0.4
_SEEK_BACK_MS = 1000.0
# OpenCV enters a file 16 frames before the wanted one, then goes back to the key frame before that.
_SEEK_LEAD_FRAMES = 17
_NEXT_SAMPLE_FRAMES = 25
# Up to so many frames for each one sampled, decoding all of them costs less than seeking.
_CHEAP_IN_ORDER = 20

# Stamps of files read through in this run, by path, size and date: opened again, they are entered by seeking.
_known_stamps_ms: dict[tuple[str, int, int], list[float]] = {}


class VideoReader(ClipReader):
    """A video file: any container and codec that OpenCV's FFmpeg reads; 8 bits of luma come out."""

    def __init__(self, path: Path, *, fps: float | None = None) -> None:
        _check_name(path)
        if path.stat().st_size == 0:
            raise ClipError(f"{path}: the file is empty (0 bytes); copy or export the recording again.")
        self._path = path
        self._capture = _open(path)
        ok, image = self._capture.read()
        if not ok:
            self._capture.release()
            raise ClipError(f"{path}: {_why_unreadable(path)}")
        about = path.stat()
        self._key = (str(path.absolute()), about.st_size, about.st_mtime_ns)
        self._stamps_ms = _known_stamps_ms.get(self._key, [])
        super().__init__(_describe(path, self._capture, image.shape))
        if fps is not None:
            self.notes.append("--fps is for folders of images; the video's own time stamps were used.")

    def close(self) -> None:
        self._capture.release()

    def decode(self, *, wanted: frozenset[int] | None = None) -> Iterator[Frame]:
        for number, time_s, capture in self._grabbed(wanted):
            yield self._frame(capture, number=number, time_s=time_s)[0]

    def _grabbed(self, wanted: frozenset[int] | None) -> Iterator[tuple[int, float, cv2.VideoCapture]]:
        """Grab the frames in order; yield number, time and the capture at each wanted one (None: all)."""
        capture = _open(self._path)
        clock = _Clock(nominal_fps=self.clip.nominal_fps)
        stamps_ms: list[float] = []
        last = max(wanted) if wanted is not None else None
        try:
            while (last is None or len(stamps_ms) <= last) and capture.grab():
                stamps_ms.append(capture.get(cv2.CAP_PROP_POS_MSEC))
                time_s = clock.time_s(stamps_ms[-1] / 1000)
                number = len(stamps_ms) - 1
                if wanted is None or number in wanted:
                    yield number, time_s, capture
        finally:
            capture.release()
            if len(stamps_ms) > len(self._stamps_ms):
                self._stamps_ms = stamps_ms
        if last is None:
            _known_stamps_ms[self._key] = stamps_ms
            self.repaired_stamps = clock.repaired
            self._note_oddities(len(stamps_ms), clock)

    def _sample(self, count: int) -> Iterator[tuple[Frame, ColourImage]]:
        n_frames, key_stamps_ms = _key_frames(self._path)
        n_frames = n_frames or self.clip.n_frames or count
        if n_frames <= _CHEAP_IN_ORDER * count or 2 * len(key_stamps_ms) < count:
            spread = np.linspace(0, n_frames - 1, min(count, n_frames)).round().astype(int)
            return self._read_in_order(frozenset(spread.tolist()))
        return self._behind_key_frames(key_stamps_ms, count)

    def _read_in_order(self, wanted: frozenset[int]) -> Iterator[tuple[Frame, ColourImage]]:
        """Decode up to the last one wanted; a frame that the file announces but lacks is left out."""
        for number, time_s, capture in self._grabbed(wanted):
            yield self._frame(capture, number=number, time_s=time_s)

    def _behind_key_frames(
        self, key_stamps_ms: list[float], count: int
    ) -> Iterator[tuple[Frame, ColourImage]]:
        """Enter the file shortly behind key frames: elsewhere all from the key frame on would be decoded."""
        step_ms = 1000 / (self.clip.nominal_fps or 25.0)
        places = np.linspace(0, len(key_stamps_ms) - 1, count).round().astype(int).tolist()
        for number, place in enumerate(places):
            again = number - places.index(place)
            ahead = _SEEK_LEAD_FRAMES + _NEXT_SAMPLE_FRAMES * again
            self._capture.set(cv2.CAP_PROP_POS_MSEC, key_stamps_ms[place] + ahead * step_ms)
            if self._capture.grab():
                stamp_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000
                yield self._frame(self._capture, number=number, time_s=stamp_s)

    def _read_wanted(self, wanted: frozenset[int]) -> dict[int, Frame]:
        found: dict[int, Frame] = {}
        for number in sorted(wanted):
            frame = self._seek(number)
            if frame is None:
                return found | super()._read_wanted(wanted - found.keys())
            found[number] = frame
        return found

    def _seek(self, number: int) -> Frame | None:
        """Frame by seeking, when the stamp known from an earlier reading proves it right; else None."""
        if not 0 <= number < len(self._stamps_ms):
            return None
        stamps = np.asarray(self._stamps_ms)
        at_ms = stamps[number]
        if (np.abs(stamps - at_ms) <= 2 * _SAME_STAMP_MS).sum() != 1:
            return None
        clock = _Clock(nominal_fps=self.clip.nominal_fps)
        time_s = [clock.time_s(stamp / 1000) for stamp in self._stamps_ms[: number + 1]][-1]
        self._capture.set(cv2.CAP_PROP_POS_MSEC, max(at_ms - _SEEK_BACK_MS, 0.0))
        while self._capture.grab():
            reached_ms = self._capture.get(cv2.CAP_PROP_POS_MSEC)
            if abs(reached_ms - at_ms) <= _SAME_STAMP_MS:
                return self._frame(self._capture, number=number, time_s=time_s)[0]
            if reached_ms > at_ms:
                return None
        return None

    def _frame(self, capture: cv2.VideoCapture, *, number: int, time_s: float) -> tuple[Frame, ColourImage]:
        """Take the picture last grabbed: as a frame, and in colour."""
        ok, image = capture.retrieve()
        if not ok or image.shape[:2] != (self.clip.height_px, self.clip.width_px):
            raise ClipError(
                f"{self._path}: frame {number} can't be decoded at {self.clip.width_px} x "
                f"{self.clip.height_px} px; export the recording again."
            )
        colour = np.asarray(image, dtype=np.uint8)
        return Frame(number=number, time_s=time_s, pixels=grey_from_bgr(colour)), colour

    def _note_oddities(self, n_read: int, clock: _Clock) -> None:
        notes = []
        if clock.repaired:
            notes.append(
                f"{clock.repaired} of {n_read} time stamps did not rise and were replaced by guesses."
            )
        announced_s = self.clip.n_frames / self.clip.nominal_fps if self.clip.nominal_fps else 0.0
        short_s = announced_s - clock.last_s - 3 * clock.step_s
        if n_read < self.clip.n_frames - 2 and short_s > 0.02 * announced_s:
            notes.append(
                f"The file announces {self.clip.n_frames} frames ({announced_s:.1f} s) but {n_read} could "
                f"be read ({clock.last_s:.1f} s): it was trimmed or cut short."
            )
        self.notes.extend(note for note in notes if note not in self.notes)


class _Clock:
    """Turns stamps into times that rise: a stamp that does not is replaced by one half a usual step on.

    Half a step, so that the repair falls behind the true stamps that follow instead of pushing them off.
    """

    def __init__(self, *, nominal_fps: float) -> None:
        self.repaired = 0
        self.last_s = -math.inf
        self._nominal_step_s = 1 / nominal_fps if nominal_fps > 0 else 0.04
        self._steps_s: list[float] = []

    @property
    def step_s(self) -> float:
        """Usual time from frame to frame so far."""
        return statistics.median(self._steps_s) if self._steps_s else self._nominal_step_s

    def time_s(self, stamp_s: float) -> float:
        if not math.isfinite(stamp_s):
            stamp_s = -math.inf
        if self.last_s == -math.inf:
            self.last_s = max(stamp_s, 0.0)
        elif stamp_s > self.last_s + 1e-6:
            if len(self._steps_s) < 101:
                self._steps_s.append(stamp_s - self.last_s)
            self.last_s = stamp_s
        else:
            self.repaired += 1
            self.last_s += self.step_s / 2 if self._steps_s else self.step_s
        return self.last_s


def _check_name(path: Path) -> None:
    """Refuse what would bring OpenCV's reader down or let it wait for ever."""
    try:
        str(path.absolute()).encode()
    except UnicodeEncodeError:
        raise ClipError(
            f"{path}: the name or its folder's is not valid UTF-8, so the video can't be opened; rename it."
        ) from None
    if not path.is_file():
        raise ClipError(f"{path}: is neither a file nor a folder; give the recording itself.")


def _key_frames(path: Path) -> tuple[int, list[float]]:
    """Count the frames and list the key frames' stamps, in ms, without decoding; 0 and none if that fails.

    Key frames too close to the end for a seek behind them are left out.
    """
    packets = cv2.VideoCapture(str(path.absolute()), cv2.CAP_FFMPEG, [cv2.CAP_PROP_FORMAT, -1])
    keys: list[tuple[int, float]] = []
    n_frames = 0
    while packets.grab():
        if packets.get(cv2.CAP_PROP_LRF_HAS_KEY_FRAME):
            keys.append((n_frames, packets.get(cv2.CAP_PROP_POS_MSEC)))
        n_frames += 1
    packets.release()
    return n_frames, [stamp for number, stamp in keys if number < n_frames - _SEEK_LEAD_FRAMES - 3]


def _open(path: Path) -> cv2.VideoCapture:
    # The absolute path keeps a name such as "a:b.mp4" from being read as a protocol.
    capture = cv2.VideoCapture(str(path.absolute()), cv2.CAP_FFMPEG)
    if not capture.isOpened():
        raise ClipError(f"{path}: {_why_unreadable(path)}")
    return capture


def _describe(path: Path, capture: cv2.VideoCapture, shape: tuple[int, ...]) -> Clip:
    """Describe the recording; the size is that of the decoded picture, turned upright if so marked."""
    fps, count = capture.get(cv2.CAP_PROP_FPS), capture.get(cv2.CAP_PROP_FRAME_COUNT)
    return Clip(
        path=path,
        kind="video",
        width_px=shape[1],
        height_px=shape[0],
        n_frames=int(count) if math.isfinite(count) and 0 < count < 1e8 else 0,
        nominal_fps=float(fps) if math.isfinite(fps) and 0 < fps <= 1000 else 0.0,
    )


def _why_unreadable(path: Path) -> str:
    """Say what is known of a file that FFmpeg refuses, and what to do."""
    with path.open("rb") as file:
        head = file.read(4096)
    if head[4:8] == b"ftyp":
        if not _has_index(path):
            return "was cut off before its index was written (no 'moov' part); record or copy it again."
        return "holds no picture that can be read (sound only, or an unknown codec); export it as H.264 mp4."
    if not set(head) & set(range(9)):
        return "is text, not a video; give the recording itself."
    return "holds no picture that can be read (damaged, cut off or no video); export it again as mp4."


def _has_index(path: Path) -> bool:
    """Walk the top-level boxes of an ISO base media file (ISO/IEC 14496-12) in search of 'moov'."""
    size, at = path.stat().st_size, 0
    with path.open("rb") as file:
        while at + 8 <= size:
            file.seek(at)
            head = file.read(16)
            length = int.from_bytes(head[:4], "big")
            if length == 1:
                length = int.from_bytes(head[8:16], "big")
            if head[4:8] == b"moov":
                return at + length <= size
            if length < 8:
                return False
            at += length
    return False
