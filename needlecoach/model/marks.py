"""All that a user says of a clip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from needlecoach.model.basics import Corners
from needlecoach.model.scale import Medium, Scale
from needlecoach.model.target import Target


@dataclass(frozen=True)
class Core:
    """A core needle along its shaft: its notch begins `dead_space_mm` behind the point, `notch_mm` long.

    `throw_mm` is how far it is thrown forward when fired; None when that is not known.
    """

    dead_space_mm: float
    notch_mm: float
    throw_mm: float | None = None


@dataclass(frozen=True)
class Marks:
    """All a user said of a clip; None where nothing was said. `scale` and `target` are checked values.

    `tick_mm` is what neighbouring ticks of the ruler are apart, `target_mm` the target's mean diameter.
    `screen` is for a camera's recording of the screen: its four corners on the first frame in the order round
    it, or "auto" to find them. `needle_length_mm`, `target_name`, `target_kind`, `phantom` (a
    code) and `date` (YYYY-MM-DD) go into the record; `target_true_mm`, the true
    mean diameter, is held against the marked one and makes no scale. `invented` says that nobody practised:
    the recording was simulated for a demonstration.
    """

    target: Target | None = None
    scale: Scale | None = None
    region_box_px: tuple[int, int, int, int] | None = None
    tick_mm: float | None = None
    target_mm: float | None = None
    medium: Medium | None = None
    learner: str | None = None
    task: Literal["aspirate", "core"] = "aspirate"
    needle_gauge: int | None = None
    notes: str = ""
    screen: Literal["auto"] | Corners | None = None
    needle_length_mm: float | None = None
    throw_mm: float | None = None
    notch_mm: float | None = None
    dead_space_mm: float | None = None
    target_name: str = ""
    target_kind: Literal["fluid", "solid"] | None = None
    target_true_mm: float | None = None
    phantom: str | None = None
    date: str | None = None
    invented: bool = False

    @property
    def core(self) -> Core | None:
        """The core needle; None for another task, or while its dead space or notch is not known."""
        if self.task != "core" or self.dead_space_mm is None or self.notch_mm is None:
            return None
        return Core(self.dead_space_mm, self.notch_mm, self.throw_mm)
