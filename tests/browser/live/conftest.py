"""The live page on drawn sessions, served in this process."""

import base64
import contextlib
import threading

import cv2
import numpy as np
import pytest

from needlecoach.review.launch import free_socket
from needlecoach.review.livelaunch import LiveServer
from needlecoach.scored import Wish
from tests.practices import ByHand, Played


class Watched:
    """A session and the page that shows it."""

    def __init__(self, page, practice, server):
        self.page, self.practice, self.server = page, practice, server
        page.set_default_timeout(10_000)

    def open(self):
        self.page.goto(self.server.address)
        self.page.wait_for_selector("body[data-ready=yes]")
        return self

    def play(self, number):
        """Show one picture of a session that is played by hand, and wait until it is drawn."""
        drawn = self.server.desk.feed.latency.all()["n"]
        self.practice.play(number)
        self.page.wait_for_function("() => document.getElementById('no-picture').hidden")
        for _ in range(1000):
            if self.server.desk.feed.latency.all()["n"] > drawn:
                return
            self.page.wait_for_timeout(10)
        raise AssertionError(f"picture {number} was not drawn")

    def text(self, name):
        return self.page.inner_text(f"#{name}")

    def canvas(self, name="picture"):
        """What a canvas shows, (height, width, 3), red first."""
        url = self.page.evaluate("(name) => document.getElementById(name).toDataURL('image/png')", name)
        coded = np.frombuffer(base64.b64decode(url.partition(",")[2]), np.uint8)
        return cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1].astype(int)


@pytest.fixture
def watch(page):
    """`watch(practice)` serves it and gives the page on it; all ends with the test."""
    with contextlib.ExitStack() as stack:

        def start(practice):
            listening = stack.enter_context(contextlib.closing(free_socket(None)))
            server = LiveServer(practice, Wish(), listening)
            thread = threading.Thread(target=server.run)
            thread.start()

            def end():
                page.goto("about:blank")  # a page that is left asks for nothing any more
                server.end()
                thread.join()
                practice.close()

            stack.callback(end)
            return Watched(page, practice, server)

        yield start


@pytest.fixture
def by_hand(watch):
    return watch(ByHand()).open()


@pytest.fixture
def played(watch):
    practice = Played()
    practice.start()
    return watch(practice).open()
