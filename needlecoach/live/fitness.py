"""Whether the live picture can be followed: lit, moving, and the scanner's screen in view."""

from __future__ import annotations

from typing import Literal

import numpy as np

from needlecoach.live.laid import Laid, bright_grey
from needlecoach.model import GreyImage

# A dark picture is one whose brightest hundredth is far below what it was when marked, or next to black.
# Gains are turned by less than this in practice (common practice, no source).
DARK_SHARE, DARK_GREY = 0.3, 16.0
# A scanner's picture is never twice the same to the grey level while it is not frozen.
FROZEN_S = 1.5
# How often is looked; a state holds for so long before it is said, so that a blink says nothing.
EVERY_S = 0.15
SAID_AFTER_S = 0.3

Fault = Literal["", "too_dark", "frozen", "screen_out_of_view"]


class Fitness:
    """Looks at the live picture now and then; `fault` is what holds at the last look.

    Attributes
    ----------
    fault : "" while the picture can be followed
    said : the same once it has held for 0.3 s, as a person is told
    """

    def __init__(self, laid: Laid) -> None:
        self._laid = laid
        self.fault: Fault = ""
        self.said: Fault = ""
        self._since_s = 0.0
        self._looked_s = -np.inf
        self._last: GreyImage | None = None
        self._still_since_s = 0.0

    def see(self, time_s: float, picture: GreyImage) -> Fault:
        """Take in a working picture whose screen is in view; return what is wrong with it, or ""."""
        if time_s - self._looked_s < EVERY_S and self.fault != "screen_out_of_view":
            return self.fault
        self._looked_s = time_s
        grey = bright_grey(picture, self._laid.plane)
        dark = grey < max(DARK_SHARE * self._laid.usual_grey, DARK_GREY)
        frozen = self._is_frozen(time_s, picture)
        return self._tell(time_s, "too_dark" if dark else "frozen" if frozen else "")

    def out_of_view(self, time_s: float) -> Fault:
        """The screen can't be made out in this frame."""
        return self._tell(time_s, "screen_out_of_view")

    def _is_frozen(self, time_s: float, picture: GreyImage) -> bool:
        part = picture[::3, ::3].copy()
        if self._last is None or not np.array_equal(part, self._last):
            self._last, self._still_since_s = part, time_s
        return time_s - self._still_since_s >= FROZEN_S

    def _tell(self, time_s: float, fault: Fault) -> Fault:
        if fault != self.fault:
            self.fault, self._since_s = fault, time_s
        if not fault or time_s - self._since_s >= SAID_AFTER_S:
            self.said = fault
        return fault
