"""The addresses of the live page: its pictures, what it asks for, and the marking page on a still of it."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Mount, Route, WebSocketRoute
from starlette.status import WS_1008_POLICY_VIOLATION
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from needlecoach.review.answers import Asked, Endpoint, answer, exactly, page, static, take
from needlecoach.review.desk import Desk
from needlecoach.review.livefeed import Feed
from needlecoach.review.practice import Practice
from needlecoach.review.server import desk_routes, guarded
from needlecoach.scored import Wish

_NO_STILL = "No picture has been taken for marking yet: ask for one on the live page."


class _Drawn(Asked):
    page: str
    number: int
    hidden: bool = False
    whole: bool = False
    zoom: float = Field(default=1.0, gt=0)


class _Nothing(Asked):
    pass


class _Nickname(Asked):
    text: str = Field(max_length=20)


class LiveDesk:
    """The live page's session and, once a picture is to be marked, the desk on which it lies.

    Parameters
    ----------
    wish : how attempts are scored
    ended : tells that the server is to end
    """

    def __init__(self, practice: Practice, wish: Wish, *, ended: Callable[[], bool] = lambda: False) -> None:
        self.practice = practice
        self.feed = Feed(practice, ended=ended)
        self._wish = wish
        self._lock = threading.Lock()
        self._desk: Desk | None = None
        self._setup: ASGIApp | None = None

    def mark(self) -> dict[str, Any]:
        """Take a still of the live picture and open it for marking; return where."""
        clip = self.practice.still()
        desk = _Setting(clip, clip.parent, self._wish, self.practice.take_setup)
        with self._lock:
            former, self._desk = self._desk, desk
            self._setup = exactly(desk_routes(desk))
        if former is not None:
            former.close()
        return {"page": "setup/mark"}

    def close(self) -> None:
        """End all open answers and let go of the still."""
        self.feed.close()
        with self._lock:
            desk, self._desk, self._setup = self._desk, None, None
        if desk is not None:
            desk.close()

    async def setup(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer as the marking page's server does, of the latest still."""
        setup = self._setup
        if setup is None:
            setup = JSONResponse({"error": _NO_STILL}, status_code=404)
        await setup(scope, receive, send)


class _Setting(Desk):
    """A still on which the day's marks are made: saved marks count at once, and nothing is scored."""

    def __init__(self, clip: Path, folder: Path, wish: Wish, marked: Callable[[Path], None]) -> None:
        super().__init__(clip, folder, wish)
        self._marked = marked

    def about(self) -> dict[str, Any]:
        """As of any clip, and that the page leads back to the live one."""
        about = super().about()
        return {**about, "pages": {"mark": True, "review": False, "live": "../live"}}

    def save_marks(self, marks: object, version: str) -> dict[str, Any]:
        """Save, and have the session take them."""
        saved = super().save_marks(marks, version)
        self._marked(self.path)
        return saved


def live_app(desk: LiveDesk, *, token: str, port: int) -> ASGIApp:
    """Server of a live session, guarded as that of a clip.

    Parameters
    ----------
    token : first part of every path
    port : on which it will listen
    """
    return guarded(live_routes(desk), token=token, port=port)


def live_routes(desk: LiveDesk) -> list[BaseRoute]:
    """The live page, what it asks for, and below `setup` the marking page."""
    practice = desk.practice
    live = [
        Route("/stream", _stream(desk.feed)),
        WebSocketRoute("/drawn", _drawn(desk.feed)),
        Route("/state", answer(lambda: practice.state.record())),
        Route("/latency", answer(desk.feed.latency.all)),
        Route("/mark", take(_Nothing, lambda _: desk.mark()), methods=["POST"]),
        Route("/end", take(_Nothing, lambda _: _done(practice.end_attempt)), methods=["POST"]),
        Route("/forget", take(_Nothing, lambda _: _done(practice.forget_try)), methods=["POST"]),
        Route("/next", take(_Nothing, lambda _: _done(practice.next_visitor)), methods=["POST"]),
        Route("/nickname", take(_Nickname, lambda sent: _named(practice, sent.text)), methods=["POST"]),
    ]
    return [
        Route("/live", page("live.html")),
        Route("/static/{name}", static),
        Mount("/api/live", app=exactly(live)),
        Mount("/setup", app=desk.setup),
    ]


def _done(work: Callable[[], None]) -> dict[str, Any]:
    work()
    return {}


def _named(practice: Practice, text: str) -> dict[str, Any]:
    practice.set_nickname(" ".join(text.split()))
    return {}


def _stream(feed: Feed) -> Endpoint:
    async def endpoint(_: Request) -> Response:
        return StreamingResponse(feed.stream(), media_type="application/octet-stream")

    return endpoint


def _drawn(feed: Feed) -> Callable[[WebSocket], Awaitable[None]]:
    """A page's line on which it tells of every picture it drew: a request for each costs the browser more."""

    async def endpoint(line: WebSocket) -> None:
        await line.accept()
        with contextlib.suppress(WebSocketDisconnect):
            while True:
                try:
                    sent = _Drawn.model_validate_json(await line.receive_text())
                except (ValidationError, KeyError):  # KeyError: bytes, not text
                    await line.close(WS_1008_POLICY_VIOLATION)
                    return
                feed.drawn(sent.page, sent.number, hidden=sent.hidden, whole=sent.whole, zoom=sent.zoom)

    return endpoint
