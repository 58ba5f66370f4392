"""The live page started: as that of a clip, with a session behind it."""

from __future__ import annotations

import contextlib
import secrets
import socket
from collections.abc import Callable

import uvicorn

from needlecoach.review.launch import HOST, free_socket, open_later, server_for
from needlecoach.review.liveserver import LiveDesk, live_app
from needlecoach.review.practice import Practice
from needlecoach.scored import Wish


class LiveServer:
    """A session's page on a socket of this machine.

    Attributes
    ----------
    address : of the page, with its key
    desk : what it answers from
    """

    def __init__(self, practice: Practice, wish: Wish, listening: socket.socket) -> None:
        token, port = secrets.token_urlsafe(24), int(listening.getsockname()[1])
        self.address = f"http://{HOST}:{port}/{token}/live"
        self.desk = LiveDesk(practice, wish, ended=lambda: self._server.should_exit)
        self._server: uvicorn.Server = server_for(live_app(self.desk, token=token, port=port))
        self._listening = listening

    def run(self) -> None:
        """Serve until Ctrl-C, or `end` from another thread."""
        try:
            self._server.run(sockets=[self._listening])
        finally:
            self.desk.close()

    def end(self) -> None:
        """Have `run` return."""
        self._server.should_exit = True


def serve_live(
    practice: Practice, wish: Wish, *, port: int | None, browser: bool, say: Callable[[str], None]
) -> None:
    """Serve the live page until Ctrl-C; say at the end how long pictures took to it.

    Parameters
    ----------
    wish : how attempts are scored
    port : None takes any that is free
    browser : open the page; where that fails the address stands in the terminal all the same
    say : prints a line

    Raises
    ------
    OutputError
        When the port can't be used.
    """
    with contextlib.closing(free_socket(port)) as listening:
        server = LiveServer(practice, wish, listening)
        with contextlib.suppress(KeyboardInterrupt):
            say(f"Open in a browser: {server.address}")
            say("The address holds a key: whoever has it can watch and change this session. Ctrl-C ends.")
            if browser:
                open_later(server.address, say)
            server.run()
        times = server.desk.feed.latency.all()
        if times["n"]:
            say(
                f"From the camera to the page: {times['median_ms']} ms (median), 95 % within "
                f"{times['p95_ms']} ms, of {times['n']} pictures."
            )
