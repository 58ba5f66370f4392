"""When a core needle was fired."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from needlecoach.model import Core, Strip
from needlecoach.scoring.motion import Motion


@dataclass(frozen=True)
class Firing:
    """A core needle fired in the recording.

    Attributes
    ----------
    frame : first frame of the clip after the jump
    part : "tip" when the point jumped forward, "sheath" when the sheath closed over a notch laid bare before
    jump_mm : how far that part jumped
    sd_mm : standard uncertainty of the jump
    """

    frame: int
    part: Literal["tip", "sheath"]
    jump_mm: float
    sd_mm: float


def find_firing(motion: Motion, core: Core, strip: Strip | None = None) -> Firing | None:
    """Find the firing of a core needle in one attempt; None when none was seen."""
    return None
