"""A followed frame as it is handed to the pages: the newest only, older ones are let go of."""

from __future__ import annotations

import threading
from dataclasses import dataclass

from needlecoach.clips.reader import ColourImage
from needlecoach.live.state import SessionState


@dataclass(frozen=True, eq=False)
class Shown:
    """One captured frame and what is known at it.

    Attributes
    ----------
    number : of the captured frame
    time_s : when it was captured, in the session's seconds
    pixels : (h, w, 3) uint8, blue-green-red; not to be written to
    state : the session at this frame; its `row` belongs to these pixels
    """

    number: int
    time_s: float
    pixels: ColourImage
    state: SessionState


class Slot:
    """Holds the newest shown frame; any number of readers wait for one newer than they have."""

    def __init__(self) -> None:
        self._there = threading.Condition()
        self._shown: Shown | None = None
        self._closed = False

    def put(self, shown: Shown) -> None:
        """Let go of the last one and wake all who wait."""
        with self._there:
            self._shown = shown
            self._there.notify_all()

    def close(self) -> None:
        """Wake all who wait, for good."""
        with self._there:
            self._closed = True
            self._there.notify_all()

    def newest(self) -> Shown | None:
        """Return the newest one; None before the first."""
        return self._shown

    def wait_newer(self, than: int, timeout_s: float) -> Shown | None:
        """Wait for a frame of a higher number; None when none came in that time, or the slot is closed."""
        with self._there:
            self._there.wait_for(
                lambda: self._closed or (self._shown is not None and self._shown.number > than), timeout_s
            )
            found = self._shown
            return found if found is not None and found.number > than and not self._closed else None
