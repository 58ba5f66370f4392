"""Visitor mode: a nickname at most, kept in memory alone, and the caution about sharps between tries."""

from __future__ import annotations

from needlecoach.live.state import VisitorNow

CAUTION = (
    "The needle is sharp: a helper takes it by the hub and puts it into its holder or the sharps box. "
    "It never goes from hand to hand."
)
LONGEST_NICKNAME = 20


class Visitor:
    """Who tries just now; nothing of it is ever written to a file."""

    def __init__(self) -> None:
        self._nickname = ""
        self._caution = ""

    def now(self) -> VisitorNow:
        """As a page shows it."""
        return VisitorNow(self._nickname, self._caution)

    @property
    def is_between(self) -> bool:
        """Whether a try has ended and the next has not begun."""
        return bool(self._caution)

    def set_nickname(self, text: str) -> None:
        """Take a nickname, cut to 20 characters that can be shown; "" takes it away."""
        shown = "".join(letter for letter in text if letter.isprintable())
        self._nickname = " ".join(shown.split())[:LONGEST_NICKNAME].strip()

    def try_ended(self) -> None:
        """From now on the caution is shown."""
        self._caution = CAUTION

    def clear(self) -> None:
        """The next one: nothing is known of the one before."""
        self._nickname = self._caution = ""
