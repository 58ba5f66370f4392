"""What OpenCV can open as a camera: how it is named, how it is asked, and one picture after the other."""

from __future__ import annotations

import os
import re
import stat
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit

# Read by OpenCV when it is first used: its messages may hold an address with a password, and waits must end.
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
os.environ.setdefault("OPENCV_VIDEOIO_V4L_SELECT_TIMEOUT", "2")

import cv2
import numpy as np

from needlecoach.clips.arrival import ArrivalClock
from needlecoach.clips.reader import ColourImage
from needlecoach.errors import ClipError

OPEN_TIMEOUT_MS, READ_TIMEOUT_MS = 5000, 2000
# Asked of a camera when the user asks for nothing: enough for a scanner's screen, and what most can give.
USUAL_SIZE, USUAL_FPS = (1280, 720), 30.0
_SCHEMES = ("http", "https", "rtsp")
_LARGEST_INDEX = 99
# Damaged pictures on end that are passed over before a stream is taken to be broken.
_MOST_DAMAGED = 30
# A picture that took so long was waited for; a stream is caught up with for so long at most.
_WAITED_S, _CATCH_UP_S = 0.012, 1.5
_WANTED = (
    "give a camera's number such as 0, a device such as /dev/video0, or an address that begins with "
    "http://, https:// or rtsp://"
)


@dataclass(frozen=True)
class Address:
    """A source as named by the user: what OpenCV opens, and a name that gives nothing away."""

    target: int | str
    name: str

    @property
    def is_network(self) -> bool:
        """Whether it is a stream and no camera of this machine."""
        return isinstance(self.target, str)


@dataclass(frozen=True)
class Got:
    """Size (width, height) in px and rate as a camera tells them, 0 where it does not; and in words."""

    size_px: tuple[int, int]
    fps: float
    words: str


class Device(Protocol):
    """An open camera."""

    @property
    def got(self) -> Got:
        """What it gave for what was asked."""
        ...

    def read(self) -> tuple[ColourImage, float] | None:
        """The next picture and when it was taken (`time.monotonic()`), None when there is no more."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


def parse_address(text: str) -> Address:
    """Understand what the user names as a source.

    Raises
    ------
    ClipError
        When it can be none; a password in it is not repeated.
    """
    text = text.strip()
    if text.isascii() and text.isdigit():
        if int(text) > _LARGEST_INDEX:
            raise ClipError(f"{text}: no camera has such a number; {_WANTED}.")
        return Address(int(text), f"camera {int(text)}")
    if "://" in text:
        return Address(text, _without_secrets(text))
    return _device_address(text)


def parse_size(text: str | None) -> tuple[int, int] | None:
    """Read a size such as 1280x720 as (width, height) in px; None stays None.

    Raises
    ------
    ClipError
        When it is no such size, or one that no camera has (below 16 or above 8192 px).
    """
    if text is None:
        return None
    sides = re.fullmatch(r"(\d{1,5})\s*[xX×]\s*(\d{1,5})", text.strip())
    if sides is None or not all(16 <= int(side) <= 8192 for side in sides.groups()):
        raise ClipError(f"{text!r}: is no size for a picture; give width x height in px, such as 1280x720.")
    return int(sides[1]), int(sides[2])


def _without_secrets(text: str) -> str:
    """The name of a stream; an address holds passwords before the @ or among its options."""
    try:
        parts = urlsplit(text)
        host, port = parts.hostname, parts.port
    except ValueError:
        raise ClipError(f"The address of the stream can't be read (host or port); {_WANTED}.") from None
    if parts.scheme.lower() not in _SCHEMES or not host:
        raise ClipError(f"{parts.scheme}://{host or ''}: is no address of a stream; {_WANTED}.")
    shown = f"[{host}]" if ":" in host else host
    return f"{parts.scheme.lower()}://{shown}{'' if port is None else f':{port}'}{parts.path}"


def _device_address(text: str) -> Address:
    """A device's path as the number that OpenCV opens it by, links followed."""
    path, shown = Path(text), "What was given" if set(text) & set("@?") else repr(text)
    try:
        real = path.resolve() if text else path
        kind = real.stat().st_mode if text else 0
    except (OSError, ValueError, RuntimeError):
        known = re.fullmatch(r"/dev/video\d+", text)
        said = "there is no such device; plug the camera in" if known else "is no camera"
        raise ClipError(f"{shown}: {said}; {_WANTED}.") from None
    number = re.fullmatch(r"video(\d+)", real.name)
    if stat.S_ISCHR(kind) and number:
        return Address(int(number[1]), text)
    if stat.S_ISREG(kind) or (text and stat.S_ISDIR(kind)):
        raise ClipError(
            f"{text}: is a recording or a folder, no camera; `needlecoach score` scores recordings."
        )
    raise ClipError(f"{shown}: is no camera; {_WANTED}.")


def open_device(address: Address, size: tuple[int, int] | None, fps: float | None) -> Device:
    """Open a camera or stream through OpenCV.

    Raises
    ------
    ClipError
        When it can't be opened; without advice, since it is tried again.
    """
    cv2.utils.logging.setLogLevel(
        cv2.utils.logging.LOG_LEVEL_SILENT
    )  # what goes wrong is told by us, in words
    try:
        return CvStream(address) if address.is_network else CvCamera(address, size, fps)
    except cv2.error:
        raise ClipError(f"{address.name} can't be opened.") from None


class CvDevice:
    """A capture of OpenCV, open."""

    def __init__(self, address: Address, kind: int, parameters: list[int]) -> None:
        self._capture = cv2.VideoCapture(address.target, kind, parameters)
        if not self._capture.isOpened():
            self._capture.release()
            raise ClipError(f"{address.name} can't be opened.")

    @property
    def got(self) -> Got:
        return Got((0, 0), 0.0, "")

    def read(self) -> tuple[ColourImage, float] | None:
        try:
            if not self._capture.grab():
                return None
            taken_s = self._taken_s(time.monotonic())
            pixels = self._retrieved()
        except cv2.error:
            return None
        return None if pixels is None else (in_colour(pixels), taken_s)

    def close(self) -> None:
        self._capture.release()

    def _retrieved(self) -> Any:
        there, pixels = self._capture.retrieve()
        return pixels if there and pixels is not None and pixels.size else None

    def _taken_s(self, now_s: float) -> float:
        return now_s

    def _told(self) -> tuple[tuple[int, int], float]:
        size = [int(self._capture.get(key)) for key in (cv2.CAP_PROP_FRAME_WIDTH, cv2.CAP_PROP_FRAME_HEIGHT)]
        fps = float(self._capture.get(cv2.CAP_PROP_FPS))
        return (max(size[0], 0), max(size[1], 0)), fps if 0 < fps < 1000 else 0.0


class CvStream(CvDevice):
    """A stream from the network: size and rate are its own."""

    def __init__(self, address: Address) -> None:
        parameters = [
            *(cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, OPEN_TIMEOUT_MS),
            *(cv2.CAP_PROP_READ_TIMEOUT_MSEC, READ_TIMEOUT_MS),
            *(cv2.CAP_PROP_N_THREADS, 1),  # each further one would hold a picture back
        ]
        super().__init__(address, cv2.CAP_FFMPEG, parameters)
        # OpenCV stretches what comes in another size than the first picture's; single JPEGs are as they are.
        self._is_jpeg = self._capture.get(cv2.CAP_PROP_FOURCC) == cv2.VideoWriter.fourcc(
            *"MJPG"
        ) and self._capture.set(cv2.CAP_PROP_FORMAT, -1)
        self._clock = ArrivalClock()
        if not self._is_jpeg:
            self._catch_up()

    def _catch_up(self) -> None:
        """Leave out what came while the stream was being looked at: old pictures, at hand all at once."""
        begun_s = time.monotonic()
        waited = 0
        while waited < 2 and time.monotonic() - begun_s < _CATCH_UP_S:  # once may be a busy machine
            asked_s = time.monotonic()
            if not self._capture.grab():
                return
            waited = waited + 1 if time.monotonic() - asked_s > _WAITED_S else 0

    def _taken_s(self, now_s: float) -> float:
        """By the stream's own times; single JPEGs have none, and what OpenCV tells of them is made up."""
        if self._is_jpeg:
            return now_s
        return self._clock.time_s(float(self._capture.get(cv2.CAP_PROP_POS_MSEC)) / 1000, now_s)

    def _retrieved(self) -> Any:
        if not self._is_jpeg:
            return super()._retrieved()
        for _ in range(_MOST_DAMAGED):
            coded = super()._retrieved()
            pixels = None if coded is None else cv2.imdecode(coded, cv2.IMREAD_COLOR)
            if pixels is not None or not self._capture.grab():
                return pixels
        return None

    @property
    def got(self) -> Got:
        size_px, _ = self._told()  # the rate told of a stream without times is a guess
        return Got(
            size_px, 0.0, f"The stream gives {size_px[0]}x{size_px[1]}; its size and rate are its own."
        )


class CvCamera(CvDevice):
    """A camera or capture stick of this machine, asked for size and rate."""

    def __init__(self, address: Address, size: tuple[int, int] | None, fps: float | None) -> None:
        super().__init__(address, cv2.CAP_ANY, [])
        self._asked_size, self._asked_fps = size or USUAL_SIZE, fps or USUAL_FPS
        # Over USB 2 only compressed pictures come at this size and rate.
        self._capture.set(cv2.CAP_PROP_FOURCC, float(cv2.VideoWriter.fourcc(*"MJPG")))
        self._capture.set(cv2.CAP_PROP_FRAME_WIDTH, self._asked_size[0])
        self._capture.set(cv2.CAP_PROP_FRAME_HEIGHT, self._asked_size[1])
        self._capture.set(cv2.CAP_PROP_FPS, self._asked_fps)

    @property
    def got(self) -> Got:
        size_px, fps = self._told()
        asked = f"{self._asked_size[0]}x{self._asked_size[1]} at {self._asked_fps:g} a second"
        gave = f"{size_px[0]}x{size_px[1]}" + (f" at {fps:g} a second" if fps else "")
        as_asked = size_px == self._asked_size and (not fps or abs(fps - self._asked_fps) < 0.5)
        words = (
            f"The camera gives {gave}, as asked."
            if as_asked
            else f"Asked for {asked}, the camera gives {gave}."
        )
        return Got(size_px, fps, words)

    def _taken_s(self, now_s: float) -> float:
        """When the driver says that it was taken, by the same clock, where that can be (Video4Linux)."""
        told_s = float(self._capture.get(cv2.CAP_PROP_POS_MSEC)) / 1000
        return told_s if 0 <= now_s - told_s < 1 else now_s


def in_colour(pixels: Any) -> ColourImage:
    """A picture as (h, w, 3) blue-green-red of 8 bits, whatever number of channels it came with."""
    if pixels.ndim == 2 or pixels.shape[2] == 1:
        pixels = cv2.cvtColor(pixels, cv2.COLOR_GRAY2BGR)
    return np.asarray(pixels[:, :, :3], dtype=np.uint8)
