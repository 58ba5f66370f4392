"""What can be told of a clip before it is scored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from needlecoach.model.basics import FloatArray
from needlecoach.model.picture import Clip, Region
from needlecoach.model.scale import Scale


@dataclass(frozen=True)
class Storage:
    """How a clip is stored: names, bits per pixel of its region, and blocks of 8 px showing in the picture.

    `blockiness` is the mean step at the blocks' borders over that elsewhere, `compression` both in a word.
    Unknown is "" or NaN.
    """

    container: str
    codec: str
    pixel_format: str
    bits_per_px: float
    blockiness: float
    compression: Literal["fine", "noticeable", "heavy", "not known"]


@dataclass(frozen=True)
class Timing:
    """A clip in time: `fps` from the median step, spread the middle nine tenths of the steps over it.

    `same_share` is the share of the frames looked at that repeat the one before, at least.
    """

    n_frames: int
    length_s: float
    fps: float
    step_spread_share: float
    same_share: float
    interlaced: Literal["woven", "flagged", "no", "not known"]


@dataclass(frozen=True)
class Greys:
    """Grey values of the region: mean, 95th less 5th percentile, share at 250 and above, change per frame."""

    mean: float
    range: float
    saturated_share: float
    flicker: float


@dataclass(frozen=True)
class Inspection:
    """What can be told of a clip before it is scored.

    `region_problem` says why there is no region or why it is doubtful, `looks` in how many stretches moving
    lines were looked for, `looks_with_line` in how many one was found. `ruler` says what the ruler
    beside the picture is like, or why none could be read; `ticks_px` (n, 2) are its ticks. `advice` are
    sentences: what to do better in the next recording. `screen_corners_px` (4, 2) are known when a camera
    filmed the screen; all other px are then of the screen set straight.
    """

    clip: Clip
    storage: Storage
    timing: Timing
    greys: Greys
    region: Region | None
    region_problem: str
    tint: Literal["grey", "tinted", "coloured", "not known"]
    scale: Scale | None
    scale_notes: tuple[str, ...]
    ruler: str
    ticks_px: FloatArray
    looked_at: int
    looks: int
    looks_with_line: int
    advice: tuple[str, ...] = ()
    screen_corners_px: FloatArray | None = None
