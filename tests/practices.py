"""Drawn live sessions for the tests of the live page: played by the clock, or picture by picture by hand."""

import time

from tests.live.live_fakes import FakeSession


class Played(FakeSession):
    """Goes on by itself in real time."""

    began_s = 0.0

    def start(self):
        self.began_s = time.monotonic()
        super().start()

    def now_s(self):
        return time.monotonic() - self.began_s + 1 / self.fps  # its first picture is number 1, shown at once


class ByHand(FakeSession):
    """Shows what a test plays, at a time that the test says."""

    at_s = 0.0

    def now_s(self):
        return self.at_s
