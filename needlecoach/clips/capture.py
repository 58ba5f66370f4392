"""A camera or a network stream read as fast as it gives, by a thread that outlives its faults."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Literal

from needlecoach.clips.device import Address, Device, Got, open_device, parse_address
from needlecoach.clips.reader import ColourImage
from needlecoach.errors import ClipError

# Without a picture for so long, a source is said to have stalled.
STALL_S = 2.0
# A source that is gone is tried again so often.
RETRY_S = 1.0
# Closing takes no longer, whatever the device is doing.
_CLOSE_S = 1.8
_RATE_FRAMES = 60
# So many pictures before the newest can still be had.
_SPARED = 2
# One that is waited for is tried for so long.
_TRIED_S = 2.5

StateKind = Literal["opening", "running", "stalled", "gone", "ended"]
Opener = Callable[[Address, tuple[int, int] | None, float | None], Device]


@dataclass(frozen=True, eq=False)
class Captured:
    """One picture as the camera gave it; `pixels` (h, w, 3) are blue-green-red and read-only.

    Numbers go on from 0 whatever happens to the camera. Session times count from the source's opening, by a
    clock that never steps back, and rise.
    """

    number: int
    time_s: float
    pixels: ColourImage


@dataclass(frozen=True)
class SourceState:
    """What a source is doing, since which session time, in words for a person.

    `size_px` is (width, height) of the newest picture, (0, 0) before the first; `fps` is measured over the
    last 60 pictures at most, 0 where none come.
    """

    kind: StateKind
    words: str
    since_s: float
    size_px: tuple[int, int]
    fps: float


def open_source(
    text: str,
    *,
    size: tuple[int, int] | None = None,
    fps: float | None = None,
    opener: Opener = open_device,
) -> Source:
    """Begin to read a camera; what comes of it, `Source.state` tells.

    Parameters
    ----------
    text : str
        A camera's number ("0"), a device's path ("/dev/video0"), or an address (http, https or rtsp).
    size, fps
        Width and height in px and pictures a second to ask a camera for; a stream's are its own.
    opener
        Opens the device; for tests.

    Raises
    ------
    ClipError
        When the text names nothing that can be a camera. A camera that is not there is no error: it is tried
        again every second.
    """
    return Source(parse_address(text), size, fps, opener)


class Source:
    """A camera that is being read; use `with`, or `close` it.

    Attributes
    ----------
    name : str
        What it is, without the name, password and options that an address may hold.
    """

    def __init__(
        self, address: Address, size: tuple[int, int] | None, fps: float | None, opener: Opener
    ) -> None:
        self.name = address.name
        self._address, self._size, self._fps, self._opener = address, size, fps, opener
        self._zero_s = time.monotonic()
        self._news = threading.Condition()
        self._latest: deque[Captured] = deque(maxlen=_SPARED + 1)
        self._times_s: deque[float] = deque(maxlen=_RATE_FRAMES)
        self._callbacks: tuple[Callable[[Captured], None], ...] = ()
        self._stop = threading.Event()
        self._kind: StateKind = "opening"
        self._words, self._since_s = f"Opening {self.name}.", 0.0
        self._got = Got((0, 0), 0.0, "Nothing yet.")
        self._reader = threading.Thread(target=self._run, name="needlecoach-capture", daemon=True)
        self._reader.start()

    def __enter__(self) -> Source:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def now_s(self) -> float:
        """Session time now."""
        return time.monotonic() - self._zero_s

    @property
    def got(self) -> Got:
        """What the camera gave for the size and rate asked for."""
        return self._got

    @property
    def state(self) -> SourceState:
        """What it is doing just now."""
        with self._news:
            kind, words, since_s, newest = self._kind, self._words, self._since_s, self._newest
            times_s = list(self._times_s)
        now_s = self.now_s()
        size_px = (0, 0) if newest is None else (newest.pixels.shape[1], newest.pixels.shape[0])
        if kind == "running" and times_s and now_s - times_s[-1] > STALL_S:
            kind, words, since_s = "stalled", self._stall_words(), times_s[-1]
        running = kind == "running" and len(times_s) > 1
        fps = (len(times_s) - 1) / (times_s[-1] - times_s[0]) if running else 0.0
        return SourceState(kind, words, since_s, size_px, fps)

    def wait_newer(self, than: int, timeout_s: float, *, spare_s: float = 0.0) -> Captured | None:
        """Return the newest picture with a number above `than`; None when time is up or it was closed.

        One of the two before it comes first if that is above `than` too and no older than `spare_s`.
        """
        with self._news:
            self._news.wait_for(lambda: self._is_newer(than) or self._stop.is_set(), timeout_s)
            if self._stop.is_set() or not self._is_newer(than):
                return None
            since_s = self.now_s() - spare_s
            spared = (one for one in self._latest if one.number > than and one.time_s >= since_s)
            return next(spared, self._newest)

    def wait_first(self, timeout_s: float) -> Captured:
        """Return the newest picture once there is one.

        Raises
        ------
        ClipError
            When none came in time, or it could not be opened for some seconds; it says what to try.
        """
        until_s = time.monotonic() + timeout_s
        captured = None
        while captured is None and time.monotonic() < until_s and not self._is_hopeless():
            captured = self.wait_newer(-1, 0.1)
        if captured is None:
            advice = "`needlecoach cameras` lists the cameras that can be opened"
            if self._address.is_network:
                advice = "check the address, and that a browser on this machine can reach it"
            raise ClipError(f"{self.name}: can't be opened, or gives no picture; {advice}.")
        return captured

    def subscribe(self, callback: Callable[[Captured], None]) -> Callable[[], None]:
        """Have every picture from now on handed on in order, on the reading thread: it must return quickly.

        Returns
        -------
        callable
            Ends it.
        """
        with self._news:
            self._callbacks = (*self._callbacks, callback)

        def end() -> None:
            with self._news:
                self._callbacks = tuple(one for one in self._callbacks if one is not callback)

        return end

    def close(self) -> None:
        """Let go of the camera, within 2 s; safe to call twice."""
        if self._stop.is_set():
            return
        self._stop.set()
        with self._news:
            self._callbacks = ()
            self._kind, self._words, self._since_s = "ended", f"{self.name} was closed.", self.now_s()
            self._news.notify_all()
        self._reader.join(_CLOSE_S)  # one that hangs in the device is left to its own time-out

    def _is_hopeless(self) -> bool:
        """Whether it has been tried more than once in vain."""
        with self._news:
            return self._kind == "gone" and self.now_s() - self._since_s > _TRIED_S

    @property
    def _newest(self) -> Captured | None:
        return self._latest[-1] if self._latest else None

    def _is_newer(self, than: int) -> bool:
        return self._newest is not None and self._newest.number > than

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                device = self._opener(self._address, self._size, self._fps)
            except ClipError as problem:
                self._lose(str(problem))
            else:
                self._read(device)
            self._stop.wait(RETRY_S)

    def _read(self, device: Device) -> None:
        """Hand on what a device gives until it gives no more."""
        try:
            self._got = device.got
            asked_s = time.monotonic()
            while not self._stop.is_set() and (read := device.read()) is not None:
                pixels, taken_s = read
                self._hand_on(pixels, taken_s - self._zero_s)
                asked_s = time.monotonic()
            if time.monotonic() - asked_s > 0.9 * STALL_S:
                self._say("stalled", self._stall_words())
            else:
                self._lose(f"{self.name} gives no more pictures.")
        finally:
            device.close()

    def _hand_on(self, pixels: ColourImage, time_s: float) -> None:
        pixels.setflags(write=False)
        with self._news:
            if self._stop.is_set():
                return
            number, last_s = 0, 0.0
            if self._newest is not None:
                number, last_s = self._newest.number + 1, self._newest.time_s
            # What the device says was taken before the last picture was not: times rise by 0.1 ms at least.
            captured = Captured(number, max(time_s, last_s + 1e-4), pixels)
            self._note(captured)
            callbacks = self._callbacks
        for callback in callbacks:
            callback(captured)

    def _note(self, captured: Captured) -> None:
        if self._kind != "running":
            self._kind, self._words, self._since_s = "running", f"{self.name} is running.", captured.time_s
            self._times_s.clear()
        self._latest.append(captured)
        self._times_s.append(captured.time_s)
        self._news.notify_all()

    def _lose(self, why: str) -> None:
        self._say("gone", f"{why} It is tried again every second.")

    def _say(self, kind: StateKind, words: str) -> None:
        with self._news:
            if self._stop.is_set():
                return
            if self._kind != kind:
                self._since_s = self.now_s()
            self._kind, self._words = kind, words
            self._news.notify_all()

    def _stall_words(self) -> str:
        return f"{self.name} has given no picture for more than {STALL_S:g} s."
