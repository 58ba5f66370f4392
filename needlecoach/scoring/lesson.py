"""What a rule of advice finds in one attempt, and how effect, certainty and figures are put."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import erf, sqrt
from typing import Literal

from needlecoach.model import Attempt
from needlecoach.scoring.approach import outline_extent_mm
from needlecoach.scoring.motion import Motion

Grade = Literal["published", "common practice", "ours, untested"]

# Without a target a needle that goes this far unseen has lost all: the size of a usual target (ours).
USUAL_TARGET_MM = 10.0
# Doubt of a figure that states none (ours): about what careful observers differ by.
USUAL_SD_MM = 0.5
# Figures less sure than this are given in whole millimetres.
FINE_SD_MM = 0.3


@dataclass(frozen=True)
class Finding:
    """What a rule found, at a row of the attempt's `Motion`.

    `effect` 0-1 is how much of what the exercise wants was lost by it, `certainty` 0-1 how sure it is that it
    happened. The other three are whole sentences.
    """

    row: int
    happened: str
    why: str
    try_next: str
    effect: float
    certainty: float


@dataclass(frozen=True)
class Rule:
    """A rule of advice: `find` looks for it in one attempt, None when there is nothing to say.

    Rules of one `about` say nearly the same to a learner, so only the weightiest of them is said.
    """

    name: str
    about: str
    evidence: Grade
    find: Callable[[Motion, Attempt], Finding | None]


def sure(excess: float, sd: float) -> float:
    """How sure it is, 0-1, that a figure lies beyond its limit.

    Parameters
    ----------
    excess : how far the figure is beyond the limit; negative when it is not
    sd : its standard uncertainty, same unit

    Returns
    -------
    float
        0 at the limit and short of it, 0.68 at one and 0.95 at two standard uncertainties beyond it: the
        share of a normal distribution that lies within that distance. With an uncertainty of 0 it is 0 or 1.
    """
    if excess <= 0:
        return 0.0
    return erf(excess / sd / sqrt(2)) if sd > 0 else 1.0


def number(attempt: Attempt, name: str) -> float | None:
    """Value of a figure, None when it is blank or the attempt has no such figure."""
    figure = attempt.figures.get(name)
    if figure is None or figure.value is None or isinstance(figure.value, str):
        return None
    return float(figure.value)


def doubt(attempt: Attempt, name: str) -> float:
    """Standard uncertainty of a figure in mm; a usual one where none is stated."""
    figure = attempt.figures.get(name)
    return USUAL_SD_MM if figure is None or figure.sd is None else figure.sd


def target_size_mm(motion: Motion) -> float:
    """Mean width of the target, mm; that of a usual one where none was marked."""
    outline = motion.scene.outline_mm
    if outline is None:
        return USUAL_TARGET_MM
    both = (
        outline_extent_mm(outline, outline[0] * 0 + (1, 0)),
        outline_extent_mm(outline, outline[0] * 0 + (0, 1)),
    )
    return sum(both) / 2


def millimetres(value: float, sd: float = USUAL_SD_MM) -> str:
    """Length in words, to a tenth of a millimetre only where that is known."""
    if value < 9.95 and sd < FINE_SD_MM:
        return f"{value:.1f} mm"
    return f"{value:.0f} mm" if value >= 1 else "under 1 mm"


def seconds(value: float) -> str:
    """Time in words: tenths up to ten seconds."""
    return f"{value:.1f} s" if value < 9.95 else f"{value:.0f} s"
