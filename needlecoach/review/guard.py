"""What every request must satisfy before anything answers it, and what every answer carries."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.status import WS_1008_POLICY_VIOLATION
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# Scripts and styles come from this server alone, and nothing is ever fetched from elsewhere.
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; media-src 'self' blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": _POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
_READING = {"GET", "HEAD"}


class Guard:
    """Wraps the server: refuses what does not come from its own pages, and sets the headers of every answer.

    Parameters
    ----------
    app : what answers when nothing is wrong
    token : first part of every path; random, told only in the address that is opened
    port : on which the server listens, to know its own name by
    """

    def __init__(self, app: ASGIApp, *, token: str, port: int) -> None:
        self._app, self._token = app, token.encode()
        self._hosts = frozenset({f"127.0.0.1:{port}", f"localhost:{port}"})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        why = self._refusal(scope)
        if scope["type"] == "websocket":
            if why is None:
                await self._app(scope, receive, send)
            else:  # before it is accepted: the browser is answered 403
                await send({"type": "websocket.close", "code": WS_1008_POLICY_VIOLATION, "reason": why})
            return
        answer = self._app if why is None else _refused(scope, why, 403)
        send = _with_headers(send)
        try:
            await answer(scope, receive, send)
        except asyncio.CancelledError:  # Ctrl-C does not wait for what takes seconds
            with contextlib.suppress(RuntimeError):  # half of an answer may be out already
                await _refused(scope, "needlecoach was ended meanwhile", 503)(scope, receive, send)

    def _refusal(self, scope: Scope) -> str | None:
        """Why a request is refused, None when it is not."""
        headers = Headers(scope=scope)
        host, origin = headers.get("host", ""), headers.get("origin")
        if host not in self._hosts:  # another name that was made to point here (DNS rebinding)
            return "this server answers only under the address that needlecoach printed"
        if origin is not None and origin != f"http://{host}":
            return "another site asked for this; only the pages of needlecoach may"
        same = origin is not None or headers.get("sec-fetch-site") == "same-origin"
        if (scope["type"] == "websocket" or scope["method"] not in _READING) and not same:
            return "a change must come from a page of needlecoach"
        first = scope["path"].split("/")[1:2]
        if not secrets.compare_digest("".join(first).encode("utf-8", "replace"), self._token):
            return "the address lacks the key of this run; open the one that needlecoach printed"
        return None


def _refused(scope: Scope, why: str, status: int) -> Response:
    words = f"Refused: {why}."
    if "/api/" in scope["path"]:
        return JSONResponse({"error": words}, status_code=status)
    return PlainTextResponse(words, status_code=status)


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            _set_where_absent(headers, [*HEADERS.items(), ("Cache-Control", "no-store")])
        await send(message)

    return sent


def _set_where_absent(headers: MutableHeaders, wanted: Iterable[tuple[str, str]]) -> None:
    for name, value in wanted:
        headers.setdefault(name, value)
