"""The server started: a port, an address, a browser, and a clean end."""

from __future__ import annotations

import contextlib
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from typing import Literal

import uvicorn
from starlette.types import ASGIApp

from needlecoach.errors import OutputError
from needlecoach.review.answers import MOST_BODY_BYTES
from needlecoach.review.desk import Desk
from needlecoach.review.server import make_app

HOST = "127.0.0.1"
Page = Literal["mark", "review"]
_PATIENCE_S = 2


def free_socket(port: int | None) -> socket.socket:
    """Socket on this machine alone, at the port asked for or at any free one.

    Raises
    ------
    OutputError
        When the port is taken or may not be used.
    """
    # asyncio sends small parts at once only where the protocol is named: otherwise each frame waits 40 ms.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((HOST, port or 0))
        listening.listen(128)
    except (OSError, OverflowError) as problem:
        listening.close()
        why = getattr(problem, "strerror", None) or str(problem)
        raise OutputError(
            f"Port {port} can't be used ({why.lower()}); leave --port out and a free one is taken."
        ) from problem
    return listening


def serve(desk: Desk, page: Page, *, port: int | None, browser: bool, say: Callable[[str], None]) -> None:
    """Serve the pages of an open clip until Ctrl-C.

    Parameters
    ----------
    page : which one is opened
    port : None takes any that is free
    browser : open the page; where that fails the address stands in the terminal all the same
    say : prints a line

    Raises
    ------
    OutputError
        When the port can't be used.
    """
    token = secrets.token_urlsafe(24)
    with contextlib.closing(free_socket(port)) as listening:
        address = f"http://{HOST}:{listening.getsockname()[1]}/{token}/{page}"
        with contextlib.suppress(KeyboardInterrupt):
            say(f"Open in a browser: {address}")
            say("The address holds a key: whoever has it can see and change this clip. Ctrl-C ends.")
            if browser:
                open_later(address, say)
            server_of(desk, listening, token).run(sockets=[listening])


def server_of(desk: Desk, listening: socket.socket, token: str) -> uvicorn.Server:
    """Server of an open clip, to be run on this socket."""
    return server_for(make_app(desk, token=token, port=int(listening.getsockname()[1])))


def server_for(app: ASGIApp) -> uvicorn.Server:
    """Server of pages on this machine."""
    config = uvicorn.Config(
        app,
        log_level="critical",  # a defect is told by the server itself, an end in mid-answer is none
        access_log=False,
        lifespan="off",
        ws="websockets-sansio",
        ws_max_size=MOST_BODY_BYTES,
        ws_per_message_deflate=False,
        server_header=False,
        timeout_graceful_shutdown=_PATIENCE_S,
    )
    return uvicorn.Server(config)


def open_later(address: str, say: Callable[[str], None]) -> None:
    """Open a page in the browser, in a thread: some browsers keep whoever calls them waiting."""
    threading.Thread(target=_open, args=(address, say), daemon=True).start()


def _open(address: str, say: Callable[[str], None]) -> None:
    try:
        opened = webbrowser.open(address)
    except (webbrowser.Error, OSError):
        opened = False
    if not opened:
        say("No browser could be opened here: copy the address above into one on this machine.")
