"""What is known of the needle in the picture that a camera has just given: nothing of later ones is in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from needlecoach.model.basics import FloatArray, GreyImage

# "seen": the tip shows; "inferred": it does not show and is worked out; "lost": a needle is in,
# and where its tip is can't be told well; "none": no needle is in the picture.
Sight = Literal["seen", "inferred", "lost", "none"]


@dataclass(frozen=True, eq=False)
class LiveRow:
    """One captured frame as followed so far; places (2,) in px of that frame, NaN where there is none.

    `strip` (n,) holds the greys along the needle's line from its entry on, a sample every `SAMPLE_MM` as in
    `tracking.kymograph`, empty without a line; `time_s` counts from the first captured frame by a clock that
    never steps back.
    """

    number: int
    time_s: float
    sight: Sight
    tip_px: FloatArray
    tip_sd_mm: float
    entry_px: FloatArray
    angle_deg: float
    shaft_visible_share: float
    target_px: FloatArray
    target_found: bool
    target_sd_mm: float
    strip: GreyImage

    @property
    def needle_present(self) -> bool:
        """Whether a needle is in."""
        return self.sight != "none"

    @property
    def tip_visible(self) -> bool:
        """Whether its tip shows."""
        return self.sight == "seen"
