"""The needle over a clip, and what a person put right of it."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Literal

import numpy as np

from needlecoach.errors import MarksError
from needlecoach.model.basics import BoolArray, FloatArray, GreyImage, Point, freeze

_OF_TRAILS = ("trail_sd_mm", "trail_beyond_mm", "trail_beyond_sd_mm")


@dataclass(frozen=True)
class Needle:
    """The needle in one frame: where the shaft meets the region's edge, its angle, its tip or None."""

    entry_px: Point
    angle_deg: float
    tip_px: Point | None
    tip_visible: bool


@dataclass(frozen=True, eq=False)
class Track:
    """The needle and the target over a clip, one row per frame; NaN where unknown.

    Attributes
    ----------
    time_s : (n,) float
    needle_present : (n,) bool
        A needle is in the picture, seen or inferred.
    tip_px : (n, 2) float
        Best estimate of the tip; NaN without one.
    tip_visible : (n,) bool
        The tip itself can be seen; False with a finite `tip_px` means inferred.
    tip_sd_mm : (n,) float
        Expected root-mean-square error of the tip, both axes together.
    entry_px : (n, 2) float
    angle_deg : (n,) float
        Acute angle between shaft and the picture's horizontal, measured in millimetres.
    shaft_visible_share : (n,) float
    target_px : (n, 2) float
        Target centre, NaN throughout when no target was marked.
    target_found : (n,) bool
        False where the target could not be followed and its last place is held.
    trail_end_px : (n, 2) float
        End of the bright trail left behind, where one can be made out in a frame without needle.
    target_sd_mm : (n,) float
        Standard uncertainty of following the target, along one direction; 0 throughout when not given.
    trail_sd_mm : (n,) float
        Standard uncertainty of the trail's end, along the shaft; unknown when not given, as are the next two.
    trail_beyond_mm, trail_beyond_sd_mm : (n,) float
        How much deeper the needle was by its trail than by the deepest tip on that line, and its uncertainty.
    """

    time_s: FloatArray
    needle_present: BoolArray
    tip_px: FloatArray
    tip_visible: BoolArray
    tip_sd_mm: FloatArray
    entry_px: FloatArray
    angle_deg: FloatArray
    shaft_visible_share: FloatArray
    target_px: FloatArray
    target_found: BoolArray
    trail_end_px: FloatArray
    target_sd_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    trail_sd_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    trail_beyond_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    trail_beyond_sd_mm: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        n = len(self.time_s)
        for name, value in (("target_sd_mm", 0.0), *((name, np.nan) for name in _OF_TRAILS)):
            if not len(getattr(self, name)):
                object.__setattr__(self, name, np.full(n, value))
        for item in fields(self):
            shape = (n, 2) if item.name.endswith("_px") else (n,)
            dtype = np.bool_ if item.name in {"needle_present", "tip_visible", "target_found"} else np.float64
            object.__setattr__(self, item.name, freeze(getattr(self, item.name), dtype, shape))
        if n and (not np.isfinite(self.time_s).all() or (np.diff(self.time_s) <= 0).any()):
            raise ValueError("Times of a track must be finite and rise from frame to frame.")
        if (self.tip_visible & ~self.needle_present).any():
            raise ValueError("A tip can't be visible in a frame without a needle.")

    def __len__(self) -> int:
        return len(self.time_s)

    def needle(self, frame: int) -> Needle | None:
        """Return the needle in one frame, None where there is none."""
        if not self.needle_present[frame]:
            return None
        tip = self.tip_px[frame]
        return Needle(
            entry_px=(float(self.entry_px[frame, 0]), float(self.entry_px[frame, 1])),
            angle_deg=float(self.angle_deg[frame]),
            tip_px=(float(tip[0]), float(tip[1])) if np.isfinite(tip).all() else None,
            tip_visible=bool(self.tip_visible[frame]),
        )

    @cached_property
    def frame_durations_s(self) -> FloatArray:
        """Time each frame stands for, shape (n,): up to the next one, for the last one the median."""
        if len(self) < 2:
            return np.zeros(len(self))
        steps = np.diff(self.time_s)
        return np.append(steps, np.median(steps))


@dataclass(frozen=True, eq=False)
class Strip:
    """The recorded greys along the shaft's line by time: what the tip was told from.

    Attributes
    ----------
    grey : (n_frames, n_samples) uint8
        Mean over the needle's width; 0 where nothing was sampled.
    step_mm : float
        From sample to sample, as shown.
    start_px, end_px : (n_frames, 2) float
        Places of the first and the last sample; NaN in frames without a line.
    """

    grey: GreyImage
    step_mm: float
    start_px: FloatArray
    end_px: FloatArray

    def __post_init__(self) -> None:
        n = len(self.grey)
        object.__setattr__(self, "grey", freeze(self.grey, np.uint8))
        for name in ("start_px", "end_px"):
            object.__setattr__(self, name, freeze(getattr(self, name), np.float64, (n, 2)))

    @property
    def length_mm(self) -> float:
        """From the first sample to the last."""
        return float(self.grey.shape[1] - 1) * self.step_mm


CorrectionKind = Literal[
    "tip", "tip hidden", "no needle", "split attempt", "join attempts", "split pass", "join passes"
]


@dataclass(frozen=True)
class Correction:
    """What a person put right: evidence for the tracker, or where attempts and passes part.

    Attributes
    ----------
    kind : CorrectionKind
        "tip": it is at `tip_px`, and can be seen there or not (`visible`). "tip hidden", "no needle": in this
        frame. "split attempt", "split pass": a new one begins with this frame. "join attempts", "join
        passes": the one that begins with this frame belongs to the one before.
    frame : int
    tip_px : (x, y) of the original frame, for "tip" alone
    by : code of who said so
    at : when, ISO 8601 in UTC
    """

    kind: CorrectionKind
    frame: int
    tip_px: Point | None = None
    visible: bool = True
    by: str = ""
    at: str = ""

    def __post_init__(self) -> None:
        if self.frame < 0:
            raise MarksError(f"A correction's frame must be 0 or more, got {self.frame}.")
        if (self.kind == "tip") != (self.tip_px is not None):
            raise MarksError(f'A correction "{self.kind}" at frame {self.frame}: only "tip" has a place.')
