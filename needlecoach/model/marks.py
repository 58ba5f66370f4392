"""All that a user says of a clip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from needlecoach.model.basics import Corners
from needlecoach.model.block import BlockTarget
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
class OfBlock:
    """What the file of a block told of a clip.

    `cast_on` is YYYY-MM-DD or None, `target` the marked target as it was cast, None when the file has none of
    its name. `medium` says that the medium of the marks is the block's, as no other was marked. `notes` are
    sentences for the reader: where marks and file differ, what is missing in one of them.
    """

    cast_on: str | None = None
    target: BlockTarget | None = None
    medium: bool = False
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Marks:
    """All a user said of a clip; None where nothing was said. `scale` and `target` are checked values.

    `tick_mm` is what neighbouring ticks of the ruler are apart, `target_mm` the target's mean diameter.
    `screen` is for a camera's recording of the screen: its four corners on the first frame in the order round
    it, or "auto" to find them. `needle_length_mm`, `target_name`, `target_kind`, `phantom` (a
    code) and `date` (YYYY-MM-DD) go into the record; `target_true_mm`, the true
    mean diameter, is held against the marked one and makes no scale. `invented` says that nobody practised:
    the recording was simulated for a demonstration. `block` is the code of the block that was pricked, and
    `of_block` what its file told, None where none was read.
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
    block: str | None = None
    of_block: OfBlock | None = None

    @property
    def core(self) -> Core | None:
        """The core needle; None for another task, or while its dead space or notch is not known."""
        if self.task != "core" or self.dead_space_mm is None or self.notch_mm is None:
            return None
        return Core(self.dead_space_mm, self.notch_mm, self.throw_mm)
