"""One attempt with a core needle: the moment when it sampled, and how much of its notch was inside then.

The sample comes from behind the point: with the tip at s along the shaft, the notch runs from
s - dead space - notch length to s - dead space. It is laid along a straight line at the shaft's angle; a bent
needle's notch lies off it. Dead space, notch length and throw are what the user gave, taken as exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, Core, FloatArray
from needlecoach.scoring.approach import DWELL_S, Judgement
from needlecoach.scoring.firing import Firing, find_firing
from needlecoach.scoring.geometry import inside_length_mm, stretch_gap_mm
from needlecoach.scoring.kinematics import ROUNDING_S, true_runs
from needlecoach.scoring.motion import Motion, smoothed_apart
from needlecoach.scoring.propagation import Errors, Measure, Pose, propagated_sd

IntArray = npt.NDArray[np.intp]

# Stretches of the notch inside that differ by less can't be told apart.
ALIKE_MM = 0.1
# A jump is over within so many frames; in these the tip is nowhere in particular.
JUMP_FRAMES = 3
# After a firing the needle rests until its tip has moved this far.
REST_MM = 1.0
# The shaft's angle is within 0.6 degrees of the true one in 95 % of the sample clips' frames.
ANGLE_SD_DEG = 0.3


@dataclass(frozen=True, eq=False)
class Biopsy:
    """One attempt with a core needle.

    Attributes
    ----------
    motion, core : the attempt and its needle
    firing : as seen, None without one
    relative_mm, tip_mm : (n, 2) float
        Smoothed tip, from the target's centre and as it is, never smoothed across a firing; NaN where
        unknown.
    judged : (n,) bool
        Rows that decide the outcome: the first rest after a firing, or all when none was seen.
    row : of the sampling moment
    before_row : of the needle as it stood before firing, the same when none was seen; None when it is not
        known
    """

    motion: Motion
    core: Core
    firing: Firing | None
    relative_mm: FloatArray
    tip_mm: FloatArray
    judged: BoolArray
    row: int
    before_row: int | None

    @property
    def throw_mm(self) -> float | None:
        """How far a firing moves the tip: as seen, or as given; 0 when the sheath was seen to move."""
        if self.firing is None:
            return self.core.throw_mm
        return self.firing.jump_mm if self.firing.part == "tip" else 0.0

    @property
    def ahead_mm(self) -> float | None:
        """How far the fired tip lies beyond that of the sampling moment; None while that is not known."""
        return self.core.throw_mm if self.firing is None else 0.0

    @cached_property
    def inside_mm(self) -> FloatArray:
        """Length of the notch inside the target in every row, NaN where unknown or without a target."""
        return self.measured(notch_inside(self.core), np.arange(len(self.tip_mm)))

    @cached_property
    def inside_sd_mm(self) -> FloatArray:
        """Its standard uncertainty where any of the notch is inside, NaN elsewhere."""
        sd = np.full(len(self.tip_mm), np.nan)
        rows = np.flatnonzero(np.nan_to_num(self.inside_mm) > 0)
        if len(rows):
            sd[rows] = self.sd_mm(notch_inside(self.core), rows)
        return sd

    def measured(self, measure: Measure, rows: IntArray) -> FloatArray:
        """A figure of needle and target in some rows, NaN without a target."""
        pose = self._pose(rows)
        return np.full(len(rows), np.nan) if pose is None else measure(pose)

    def sd_mm(self, measure: Measure, rows: IntArray) -> FloatArray:
        """Standard uncertainty of such a figure."""
        pose, motion = self._pose(rows), self.motion
        if pose is None:
            return np.full(len(rows), np.nan)
        errors = Errors.of_marking(
            motion.tip_sd_mm[rows],
            motion.scene.marking_sd_mm,
            scale_share=motion.scene.scale.sd_share,
            angle_deg=ANGLE_SD_DEG,
            following_mm=motion.target_sd_mm[rows],
        )
        return propagated_sd(measure, pose, errors)

    def _pose(self, rows: IntArray) -> Pose | None:
        outline = self.motion.scene.outline_mm
        if outline is None:
            return None
        return Pose(self.relative_mm[rows], self.motion.direction[rows], outline)


def notch_inside(core: Core, *, ahead_mm: float = 0.0) -> Measure:
    """Length of the notch inside the outline, mm, with the tip so far ahead of where it is."""
    end = ahead_mm - core.dead_space_mm
    return lambda pose: inside_length_mm(
        pose.tip_mm, pose.direction, pose.outline_mm, from_mm=end - core.notch_mm, to_mm=end
    )


def notch_gap(core: Core) -> Measure:
    """Distance from the notch to the outline, mm; 0 when any of it is inside."""
    end = -core.dead_space_mm
    return lambda pose: stretch_gap_mm(
        pose.tip_mm, pose.direction, pose.outline_mm, from_mm=end - core.notch_mm, to_mm=end
    )


def follow_biopsy(motion: Motion, core: Core) -> Biopsy | None:
    """Find the firing and the sampling moment of one attempt; None when the tip is not known after a firing.

    The sampling moment is 0.1 s into the first rest after a firing that was seen. Without one it is when most
    of the notch lay inside for 0.2 s on end, in the middle of the time that can't be told apart from it; when
    none ever did, when the tip was deepest for 0.2 s.
    """
    firing = find_firing(motion, core, motion.scene.strip)
    fired = None if firing is None else firing.frame - motion.span.first_frame
    n = len(motion.time_s)
    apart = np.zeros(n, dtype=bool)
    if firing is not None and fired is not None and firing.part == "tip":
        apart[max(fired - JUMP_FRAMES, 0) : fired] = True
    target_mm = motion.scene.scale.to_mm(motion.scene.track.target_px[motion.frames])
    relative = smoothed_apart(motion, motion.raw_tip_mm - target_mm, apart)
    tip = smoothed_apart(motion, motion.raw_tip_mm, apart)
    everywhere = Biopsy(motion, core, firing, relative, tip, np.ones(n, dtype=bool), 0, None)
    if fired is None:
        row = _fullest_row(everywhere)
        return Biopsy(motion, core, None, relative, tip, everywhere.judged, row, row)
    judged = _rest(motion, tip, fired)
    row_after = _row_near(motion, tip, motion.time_s[fired] + DWELL_S / 2, judged)
    if row_after is None:
        return None
    early = np.arange(n) < fired - JUMP_FRAMES
    before = _row_near(motion, tip, motion.time_s[max(fired - JUMP_FRAMES - 1, 0)] - DWELL_S / 2, early)
    return Biopsy(motion, core, firing, relative, tip, judged, row_after, before)


def _fullest_row(biopsy: Biopsy) -> int:
    inside, motion = biopsy.inside_mm, biopsy.motion
    # A guessed tip does not outdo a seen one, unless nothing else is inside.
    for values in (inside - np.nan_to_num(biopsy.inside_sd_mm), inside):
        row = steady_most(values, motion.time_s, motion.weight_s)
        if row is not None and inside[row] > 0:
            return row
    depth = np.where(np.isfinite(biopsy.tip_mm[:, 0]), motion.depth_mm, np.nan)
    deepest = steady_most(depth, motion.time_s, motion.weight_s)
    assert deepest is not None  # an attempt that is measured has a tip
    return deepest


def steady_most(values: FloatArray, time_s: FloatArray, weight_s: FloatArray) -> int | None:
    """Row at which a value is what it reached at most for 0.2 s on end; None when no value is known.

    The middle, in time, of the longest spell that comes within 0.1 of it. What never lasted 0.2 s gives the
    row of its highest value.
    """
    held = np.nan_to_num(values, nan=-np.inf)
    if not np.isfinite(held).any():
        return None
    until = np.concatenate([[0.0], np.cumsum(weight_s)])
    last = np.searchsorted(until, until[:-1] + DWELL_S - ROUNDING_S)
    least = [held[i:j].min() if j <= len(held) else -np.inf for i, j in enumerate(last)]
    best = max(least)
    if not np.isfinite(best):
        return int(held.argmax())
    first, end = max(true_runs(held >= best - ALIKE_MM), key=lambda run: until[run[1] + 1] - until[run[0]])
    middle = (time_s[first] + time_s[end]) / 2
    return first + int(np.abs(time_s[first : end + 1] - middle).argmin())


def _rest(motion: Motion, tip_mm: FloatArray, fired: int) -> BoolArray:
    """Rows from the firing on until the tip has left where it came to lie."""
    rows = np.arange(len(tip_mm))
    after = (rows >= fired) & np.isfinite(tip_mm[:, 0])
    soon = after & (motion.time_s < motion.time_s[fired] + DWELL_S)
    if not soon.any():
        return after & False
    away = np.hypot(*(tip_mm - np.median(tip_mm[soon], axis=0)).T)
    left = after & (away > REST_MM) & ~soon
    return after & (rows < (int(left.argmax()) if left.any() else len(rows)))


def _row_near(motion: Motion, tip_mm: FloatArray, time_s: float, rows: BoolArray) -> int | None:
    """Row of a known tip, of those allowed, that is nearest in time."""
    allowed = np.flatnonzero(rows & np.isfinite(tip_mm[:, 0]))
    return int(allowed[np.abs(motion.time_s[allowed] - time_s).argmin()]) if len(allowed) else None


def judge_core(biopsy: Biopsy | None) -> Judgement:
    """Decide hit, miss or borderline from the notch inside the target and its uncertainty.

    Returns
    -------
    Judgement
        hit: inside by more than one standard uncertainty for at least 0.2 s on end. miss: the notch never
        came as near to the target as one standard uncertainty. borderline: anything between. After a firing
        that was seen only the rest after it counts. unscorable: no target, or no row with both.
    """
    if biopsy is None:
        return Judgement("unscorable", reason="the needle could not be followed after it was fired")
    motion, rows = biopsy.motion, np.flatnonzero(biopsy.judged & np.isfinite(biopsy.inside_mm))
    if motion.scene.target is None:
        return Judgement("unscorable", reason="no target was marked")
    if len(rows) == 0:
        return Judgement("unscorable", reason="needle and target were never known in the same frame")
    sure = biopsy.judged & (np.nan_to_num(biopsy.inside_mm - biopsy.inside_sd_mm, nan=-1.0) > 0)
    for first, last in true_runs(sure):
        if motion.weight_s[first : last + 1].sum() >= DWELL_S - ROUNDING_S:
            return Judgement("hit", hit_row=first)
    if sure.any():
        return Judgement("borderline", reason="the notch was inside the target for under 0.2 s")
    gap = biopsy.measured(notch_gap(biopsy.core), rows)
    nearest = rows[[int(gap.argmin())]]
    if gap.min() > biopsy.sd_mm(notch_gap(biopsy.core), nearest)[0]:
        return Judgement("miss")
    return Judgement("borderline", reason="the notch came to the target's outline within its own uncertainty")
