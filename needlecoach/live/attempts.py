"""When attempts begin and end, told from one followed frame after the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

# A needle must be told in for so long, closed over gaps as short; scoring takes what is briefer for flicker.
HELD_S = 0.3
# Out for so long it has left: scoring closes gaps of 0.3 s, and a hand that comes back at once goes on.
OUT_S = 1.0
# Nothing followed for so long (no picture, screen covered): what comes then is another attempt.
INTERRUPTED_S = 10.0
# Keeps memory and recordings bounded; attempts last some 5 to 150 s.
LONGEST_S = 600.0
# Seconds are sums of floats.
_ROUNDING_S = 1e-6

Why = Literal["left", "interrupted", "ended by hand", "too long", "closed"]


@dataclass(frozen=True)
class Began:
    """An attempt has begun: the needle has been in since `at_s`."""

    at_s: float


@dataclass(frozen=True)
class Ended:
    """An attempt has ended: the needle was last in at `at_s`. `why` tells whether it has left the block."""

    at_s: float
    why: Why


Event = Began | Ended


class AttemptWatch:
    """Tells attempts from whether a needle is in, frame by frame; all times are the session's."""

    def __init__(self) -> None:
        self.began_s: float | None = None
        self._in_since_s: float | None = None
        self._last_in_s = 0.0
        self._last_known_s: float | None = None
        self._barred = False

    def see(self, time_s: float, present: bool) -> list[Event]:
        """Take in one followed frame; at most two events come of it."""
        events = self.tick(time_s)
        self._last_known_s = time_s
        if present:
            if self._in_since_s is None:
                self._in_since_s = time_s
            self._last_in_s = time_s
        out_s = OUT_S if self.began_s is not None else HELD_S
        if not present and self._in_since_s is not None and time_s - self._last_in_s >= out_s - _ROUNDING_S:
            events += self._end(self._last_in_s, "left")
            self._in_since_s, self._barred = None, False
        elif self._may_begin() and present:
            assert self._in_since_s is not None
            if time_s - self._in_since_s >= HELD_S - _ROUNDING_S:
                self.began_s = self._in_since_s
                events.append(Began(self.began_s))
        return events

    def tick(self, now_s: float) -> list[Event]:
        """Let time pass without a followed frame: a long interruption ends an attempt, so does its length."""
        if self._last_known_s is not None and now_s - self._last_known_s >= INTERRUPTED_S:
            last_s = self._last_known_s
            self._in_since_s, self._last_known_s, self._barred = None, None, False
            return self._end(last_s, "interrupted")
        if self.began_s is not None and now_s - self.began_s >= LONGEST_S:
            return self.end(now_s, "too long", bar=False)
        return []

    def end(self, now_s: float, why: Why, *, bar: bool = True) -> list[Event]:
        """End the attempt that runs; with `bar` the next begins only once the needle has been out."""
        ended = self._end(min(now_s, self._last_in_s) if self.began_s is not None else now_s, why)
        self._barred = bar and self._in_since_s is not None
        if not bar:
            self._in_since_s = None
        return ended

    def _may_begin(self) -> bool:
        return self.began_s is None and not self._barred

    def _end(self, at_s: float, why: Why) -> list[Event]:
        if self.began_s is None:
            return []
        self.began_s = None
        return [Ended(at_s, why)]
