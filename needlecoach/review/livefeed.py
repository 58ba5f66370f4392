"""Pictures on their way to the live page: coded once, the newest only, no faster than a page draws."""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import struct
import threading
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from starlette.concurrency import run_in_threadpool

from needlecoach.clips.reader import ColourImage
from needlecoach.errors import OutputError
from needlecoach.review.latency import Latency
from needlecoach.review.practice import Practice, Row, Shown, State

# A page has at most so many pictures that it has not said to have drawn: what waits in lines of the network,
# or for the picture before, would be drawn late. A second would keep the browser busy all the time.
MOST_ON_THE_WAY = 1
# A page that says nothing for so long (its window is hidden, its machine slept) is sent another one.
PATIENCE_S = 1.0
# What has changed without a picture (the camera is gone) is told so often.
BEAT_S = 0.25
# So often the state is told though nothing is known to have changed: how long the camera is gone, say.
RETELL_S = 1.0
# Wider pictures are sent smaller: no page at a bench shows more, and coding them takes too long.
MOST_WIDTH_PX = 1920
# About the ultrasound picture a page shows this share of its right edge's place (MARGIN in live-picture.js).
REGION_ROOM = 0.04
# A picture that a page shows smaller than this is sent as small as it is shown: the browser's time is dear.
_WORTH_SHRINKING = 0.9
_JPEG = [cv2.IMWRITE_JPEG_QUALITY, 80]


@dataclass(frozen=True)
class Part:
    """A picture as it is sent; without one, only the state."""

    number: int
    time_s: float
    head: dict[str, Any]
    jpeg: bytes
    state: State


@dataclass(eq=False)
class _Page:
    """One open page: the newest part for it and what it has not drawn yet."""

    key: str = field(default_factory=lambda: secrets.token_urlsafe(9))
    loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.get_running_loop)
    moved: asyncio.Event = field(default_factory=asyncio.Event)
    newest: Part | None = None
    on_the_way: dict[int, float] = field(default_factory=dict)
    sent_s: float = -np.inf
    last_row: int = -1
    whole: bool = False
    zoom: float = 1.0
    version: int = -1
    word: object = None
    told_s: float = -np.inf
    latency: Latency = field(default_factory=Latency)

    def has_room(self) -> bool:
        return len(self.on_the_way) < MOST_ON_THE_WAY or time.monotonic() - self.sent_s > PATIENCE_S

    def wake(self) -> None:
        with contextlib.suppress(RuntimeError):  # the server has ended
            self.loop.call_soon_threadsafe(self.moved.set)


class Feed:
    """Hands the newest picture to every open page; a thread of its own codes it, while a page is open.

    Parameters
    ----------
    ended : tells that the server is to end, by which all open answers end too
    """

    def __init__(self, practice: Practice, *, ended: Callable[[], bool] = lambda: False) -> None:
        self._practice, self._ended = practice, ended
        self._pages: dict[str, _Page] = {}
        self._changed = threading.Condition()
        self._closed = False
        self.latency = Latency()
        self._worker = threading.Thread(target=self._work, name="needlecoach-live-page", daemon=True)
        self._worker.start()

    def close(self) -> None:
        """End all open answers."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        for page in list(self._pages.values()):
            page.wake()
        self._worker.join(2.0)

    @property
    def n_pages(self) -> int:
        """How many pages are open."""
        return len(self._pages)

    async def stream(self) -> AsyncIterator[bytes]:
        """One page's answer: parts, each a length of 4 bytes (big endian), JSON, such a length, a JPEG."""
        page = _Page()
        with self._changed:
            self._pages[page.key] = page
            self._changed.notify_all()
        try:
            yield packed({"page": page.key, **_news(page, await self._state())}, b"")
            while not (self._closed or self._ended()):
                yield await self._next(page)
        finally:
            with self._changed:
                self._pages.pop(page.key, None)

    def drawn(self, key: str, number: int, *, hidden: bool, whole: bool = False, zoom: float = 1.0) -> None:
        """Take in that a page has drawn a picture; those sent before it are done with as well.

        A page says with it whether it shows the `whole` picture or only the ultrasound's, and how many px of
        its own it has (`zoom`) for one of the camera's.
        """
        now_s = self._practice.now_s()
        page = self._pages.get(key)
        if page is None or number not in page.on_the_way:
            return
        page.whole, page.zoom = whole, zoom
        taken_s = now_s - page.on_the_way[number]
        for one in [one for one in page.on_the_way if one <= number]:
            page.on_the_way.pop(one, None)
        if not hidden:  # nobody sees those, and browsers take their time with them
            page.latency.add(taken_s)
            self.latency.add(taken_s)
        page.wake()

    async def _next(self, page: _Page) -> bytes:
        """Wait for what is to be sent next: a picture when there is room, else a beat with the state."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(BEAT_S):
                while page.newest is None or not page.has_room():
                    page.moved.clear()
                    await page.moved.wait()
        part = page.newest if page.has_room() else None
        state = await self._state() if part is None else part.state
        head: dict[str, Any] = {"page": page.key, **_news(page, state)}
        if part is None:
            return packed(head, b"")
        if page.newest is part:
            page.newest = None
        page.sent_s = time.monotonic()
        if len(page.on_the_way) >= MOST_ON_THE_WAY:  # patience has ended
            page.on_the_way.clear()
        page.on_the_way[part.number] = part.time_s
        rows = [row for row in self._practice.rows_since(page.last_row) if row.number <= part.number]
        page.last_row = rows[-1].number if rows else page.last_row
        return packed({**head, **part.head, "rows": [column(row) for row in rows]}, part.jpeg)

    async def _state(self) -> State:
        """The session now; asked on another thread, as it may have to wait for a picture to be followed."""
        return await run_in_threadpool(lambda: self._practice.state)

    def _work(self) -> None:
        than = -1
        while not self._closed:
            with self._changed:
                while not (self._pages or self._closed):
                    self._changed.wait()
            shown = self._practice.wait_newer(than, BEAT_S)
            if shown is None or self._closed:
                continue
            than = shown.number
            pages = list(self._pages.values())
            if not any(page.has_room() for page in pages):
                continue  # a newer one will have been captured once one has
            zoom = max(page.zoom for page in pages)
            self._hand_out(part_of(shown, whole=any(page.whole for page in pages), zoom=zoom))

    def _hand_out(self, part: Part) -> None:
        for page in list(self._pages.values()):
            page.newest = part
            page.wake()


def _news(page: _Page, state: State) -> dict[str, Any]:
    """State of the session, where the page lacks it; the day's cards only where they may have changed."""
    now_s, is_new = time.monotonic(), state.version > page.version
    if state.version < page.version:  # of a picture from before a button was pressed
        return {}
    if not is_new and state.word == page.word and now_s - page.told_s < RETELL_S:
        return {}
    page.version, page.word, page.told_s = state.version, state.word, now_s
    left_out = {"row"} if is_new else {"row", "card", "history"}
    told = {name: value for name, value in state.record().items() if name not in left_out}
    return {"state": told, "latency": page.latency.lately()}


def part_of(shown: Shown, *, whole: bool = True, zoom: float = 1.0) -> Part:
    """Code a picture for the page; all of it or, where it is known, what the ultrasound picture takes up.

    It is coded `zoom` times as large, where that is smaller; its places stay those of the camera's picture.
    """
    height, width = shown.pixels.shape[:2]
    left, top, right, bottom = (0, 0, width, height) if whole else _region_box(shown)
    row = shown.state.row
    head: dict[str, Any] = {
        "number": shown.number,
        "time_s": round(shown.time_s, 4),
        "size_px": [width, height],
        "box_px": [left, top, right - left, bottom - top],
        "row": None if row is None else {**row.record(), "strip": ""},  # which is in `rows`
    }
    jpeg = _jpeg(shown.pixels[top:bottom, left:right], zoom)
    return Part(shown.number, shown.time_s, head, jpeg, shown.state)


def _region_box(shown: Shown) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the ultrasound picture with the room that a page shows about it."""
    height, width = shown.pixels.shape[:2]
    corners = shown.state.setup.region_px
    if not corners:
        return 0, 0, width, height
    xs, ys = zip(*corners, strict=True)
    room = REGION_ROOM * max(xs) + 1
    left, top = (
        int(np.clip(min(values) - room, 0, side - 2)) for values, side in ((xs, width), (ys, height))
    )
    right, bottom = (int(np.ceil(max(values) + room)) for values in (xs, ys))
    return left, top, int(np.clip(right, left + 2, width)), int(np.clip(bottom, top + 2, height))


def column(row: Row) -> list[Any]:
    """What the shaft strip needs of a row: time, sight, where the tip is along it, greys, how far apart."""
    return [round(row.time_s, 4), row.sight, row.tip_mm, row.strip, row.strip_step_mm]


def packed(head: dict[str, Any], jpeg: bytes) -> bytes:
    """One part as it goes over the line."""
    text = json.dumps(head, separators=(",", ":"), allow_nan=False).encode()
    return b"".join((struct.pack(">I", len(text)), text, struct.pack(">I", len(jpeg)), jpeg))


def _jpeg(pixels: ColourImage, zoom: float) -> bytes:
    height, width = pixels.shape[:2]
    zoom = min(zoom, MOST_WIDTH_PX / width)
    if zoom < _WORTH_SHRINKING:
        size = (max(round(width * zoom), 1), max(round(height * zoom), 1))
        # Down to half the size it leaves no px out, in a tenth of the time.
        method = cv2.INTER_LINEAR if zoom >= 0.5 else cv2.INTER_AREA
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=method), dtype=np.uint8)
    done, data = cv2.imencode(".jpg", pixels, _JPEG)
    if not done:
        raise OutputError("A picture could not be turned into JPEG; check the installation of opencv-python.")
    return data.tobytes()
