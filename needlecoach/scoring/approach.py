"""The figures of one attempt that need a target: distances, offsets, outcome, difficulty, trail."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from needlecoach.model import BoolArray, FloatArray, Point
from needlecoach.scoring.geometry import across_unit, signed_distance_mm, wall_crossings_mm
from needlecoach.scoring.kinematics import ROUNDING_S, true_runs, weighted_quantile
from needlecoach.scoring.metrics import BLANK, Reading
from needlecoach.scoring.motion import Motion
from needlecoach.scoring.uncertainty import distance_sd_mm, excess_sd_mm

DWELL_S = 0.2
# Frames within so many standard errors of the tip (one axis) of the closest can't be told apart from it.
ALIKE_SD = 1.5
# The slant at which the shaft leaves the outline is told from lines to either side, this share of its width
# away; it counts up to so much.
SLANT_STEP_SHARE = 0.01
MOST_SLANT = 4.0


class Judgement(NamedTuple):
    """Outcome of an attempt, the row where the hit begins, and a reason where the outcome needs one."""

    outcome: Literal["hit", "miss", "borderline", "unscorable"]
    hit_row: int | None = None
    reason: str = ""


def _lasting(mask: BoolArray, weight_s: FloatArray) -> int | None:
    """First row of the first run of True that lasts 0.2 s, None without one."""
    for first, last in true_runs(mask):
        if weight_s[first : last + 1].sum() >= DWELL_S - ROUNDING_S:
            return first
    return None


class Closest(NamedTuple):
    """The tip at closest approach, averaged over the frames that can't be told apart from the closest one."""

    row: int
    relative_mm: FloatArray
    edge_mm: float
    edge_sd_mm: float


def closest_approach(motion: Motion) -> Closest | None:
    """Tip against target at closest approach; None when they were never known in the same frame.

    The lowest of many noisy distances is too low. So the position is the mean over the frames on end, round
    the closest, that lie within one and a half standard errors of the tip of it: a rest beside the target is
    averaged as a whole, a quick touch hardly at all.
    """
    row, outline = motion.closest, motion.scene.outline_mm
    if row is None or outline is None:
        return None
    margin = float(np.nan_to_num(motion.tip_sd_mm[row])) * ALIKE_SD / np.sqrt(2)
    alike = np.nan_to_num(np.abs(motion.edge_mm - motion.edge_mm[row]), nan=np.inf) <= margin
    first, last = next(run for run in true_runs(alike) if run[0] <= row <= run[1])
    relative = motion.relative_mm[first : last + 1].mean(axis=0)
    edge = float(signed_distance_mm(relative[None, :], outline)[0])
    return Closest(row, relative, edge, float(_usable_sd(motion)[row]))


def judge(motion: Motion) -> Judgement:
    """Decide hit, miss or borderline from the smoothed tip and its uncertainty.

    Unit: none. Evidence: ours, untested. Source: none.

    Returns
    -------
    Judgement
        hit: inside by more than one standard uncertainty for at least 0.2 s on end. miss: at closest approach
        outside by more than one standard uncertainty, and the best estimate never inside for 0.2 s.
        borderline: anything between. unscorable: no target, or no frame with both tip and target.
    """
    if motion.scene.target is None:
        return Judgement("unscorable", reason="no target was marked")
    closest = closest_approach(motion)
    if closest is None:
        return Judgement("unscorable", reason="tip and target were never known in the same frame")
    edge, sd = motion.edge_mm, _usable_sd(motion)
    row = _lasting(np.nan_to_num(edge + sd, nan=np.inf) < 0, motion.weight_s)
    if row is not None:
        return Judgement("hit", hit_row=row)
    inside = _lasting(np.nan_to_num(edge, nan=np.inf) < 0, motion.weight_s) is not None
    if closest.edge_mm > closest.edge_sd_mm and not inside:
        return Judgement("miss")
    if closest.edge_mm < -closest.edge_sd_mm and not inside:
        return Judgement("borderline", reason="the tip was inside the target for under 0.2 s")
    return Judgement("borderline", reason="the tip came to the target's outline within its own uncertainty")


def _usable_sd(motion: Motion) -> FloatArray:
    """Uncertainty of the distance to the outline; all but the tip's part of it where that is unknown."""
    least = distance_sd_mm(
        motion.edge_mm,
        tip_sd_mm=0.0,
        marking_sd_mm=motion.scene.marking_sd_mm,
        scale_sd_share=motion.scene.scale.sd_share,
        following_sd_mm=motion.target_sd_mm,
    )
    return np.where(np.isfinite(motion.edge_sd_mm), motion.edge_sd_mm, least)


def time_to_target_s(motion: Motion) -> Reading:
    """Time from the first entry to the start of the first hit, s.

    Blank without a hit, and when the entry was not recorded.

    Unit: s. Evidence: common practice. Source: none for this definition.
    """
    row = judge(motion).hit_row
    if row is None or motion.began_deep:
        return BLANK
    return Reading(float(motion.time_s[row] - motion.time_s[0]))


def dwell_in_target_s(motion: Motion) -> Reading:
    """Total time with the best estimate of the tip inside the outline, s.

    Blank without a target.

    Unit: s. Evidence: plain reading. Source: none.
    """
    if motion.closest is None:
        return BLANK
    return Reading(float(motion.weight_s[np.nan_to_num(motion.edge_mm, nan=np.inf) < 0].sum()))


def _distance_sd_mm(motion: Motion, row: int, value: float, lever: float = 1.0) -> float:
    sd = distance_sd_mm(
        value,
        tip_sd_mm=float(motion.tip_sd_mm[row]),
        marking_sd_mm=motion.scene.marking_sd_mm,
        scale_sd_share=motion.scene.scale.sd_share,
        following_sd_mm=float(motion.target_sd_mm[row]),
        lever=lever,
    )
    return float(sd)


def _with_sd(motion: Motion, row: int, value: float) -> Reading:
    """Dress a distance between tip and target with its uncertainty at one row."""
    sd = _distance_sd_mm(motion, row, value)
    return Reading(value, sd if np.isfinite(sd) else None)


def closest_edge_mm(motion: Motion) -> Reading:
    """Tip to the target's outline at closest approach, mm, negative inside.

    From the smoothed tip, averaged as in `closest_approach`, so that the luckiest frame does not make the
    figure; it can differ from that frame's row in track.csv by the tracking noise.

    Unit: mm. Evidence: plain reading. Source: none.
    """
    closest = closest_approach(motion)
    return BLANK if closest is None else _with_sd(motion, closest.row, closest.edge_mm)


def closest_centre_mm(motion: Motion) -> Reading:
    """Tip to the target's centre at closest approach to the outline, mm.

    Unit: mm. Evidence: plain reading. Source: none.
    """
    closest = closest_approach(motion)
    return BLANK if closest is None else _with_sd(motion, closest.row, float(np.hypot(*closest.relative_mm)))


def offset_along_mm(motion: Motion) -> Reading:
    """Tip minus target centre at closest approach along the shaft, mm, + = beyond the centre.

    Unit: mm. Evidence: plain reading. Source: none.
    """
    closest = closest_approach(motion)
    if closest is None:
        return BLANK
    return _with_sd(motion, closest.row, float(closest.relative_mm @ motion.direction[closest.row]))


def offset_across_mm(motion: Motion) -> Reading:
    """Tip minus target centre at closest approach across the shaft, mm, + = deeper.

    Unit: mm. Evidence: plain reading. Source: none.
    """
    closest = closest_approach(motion)
    if closest is None:
        return BLANK
    across = across_unit(motion.direction[closest.row], _beam(motion, closest.row))
    return _with_sd(motion, closest.row, float(closest.relative_mm @ across))


def _beam(motion: Motion, row: int) -> Point:
    """Direction away from the probe at the target, in millimetres."""
    region, scale = motion.scene.region, motion.scene.scale
    if region.apex_px is None:
        return 0.0, 1.0
    target = motion.scene.track.target_px[motion.span.first_frame + row]
    x, y = scale.to_mm(target - np.asarray(region.apex_px))
    return float(x), float(y)


def overshoot_mm(motion: Motion) -> Reading:
    """How far the tip went past the target's far wall along the shaft, mm.

    0 when it reached the target and stayed this side of the far wall. Blank when the tip never came past the
    near wall while the shaft's line ran through the target. Its uncertainty is that of an excess: small where
    the tip stayed well short of the far wall, larger where the shaft leaves the outline at a slant.

    Unit: mm. Evidence: ours, untested. Source: none.
    """
    outline = motion.scene.outline_mm
    if outline is None:
        return BLANK
    walls = wall_crossings_mm(motion.relative_mm, motion.direction, outline)
    reached = np.flatnonzero(np.nan_to_num(walls[:, 0], nan=np.inf) <= 0)
    if len(reached) == 0:
        return BLANK
    row = int(reached[np.argmin(walls[reached, 1])])
    beyond = -float(walls[row, 1])
    sd = _distance_sd_mm(motion, row, beyond, _slant(motion, row))
    return Reading(max(0.0, beyond), excess_sd_mm(beyond, sd) if np.isfinite(sd) else None)


def _slant(motion: Motion, row: int) -> float:
    """How far the far wall moves along the shaft for each mm that tip and target move against each other.

    1 where the shaft leaves the outline at a right angle; limited to 4, where it all but grazes it.
    """
    outline, unit = motion.scene.outline_mm, motion.direction[row]
    assert outline is not None
    across = np.array([-unit[1], unit[0]])
    step_mm = SLANT_STEP_SHARE * outline_extent_mm(outline, across)
    beside = motion.relative_mm[row] + step_mm * np.stack([across, -across])
    far = wall_crossings_mm(beside, np.stack([unit, unit]), outline)[:, 1]
    slope = (far[0] - far[1]) / (2 * step_mm)
    return float(min(np.hypot(1.0, slope), MOST_SLANT)) if np.isfinite(slope) else MOST_SLANT


def index_of_difficulty(motion: Motion) -> Reading:
    """Log2(depth of the target / its width across the path + 1), bits.

    Depth: from the attempt's median entry to the target's centre along the shaft at closest approach. Width:
    extent of the outline across the shaft there.

    Unit: bits. Evidence: published. Source: MacKenzie, Human-Computer Interaction 1992;7:91 (Shannon
    form); applied to needles by us.
    """
    row, outline = motion.closest, motion.scene.outline_mm
    if row is None or outline is None:
        return BLANK
    track, scale = motion.scene.track, motion.scene.scale
    entry = track.entry_px[motion.frames]
    entry = entry[np.isfinite(entry).all(axis=1)]
    if len(entry) == 0:
        return BLANK
    unit = motion.direction[row]
    target = track.target_px[motion.span.first_frame + row]
    depth = float(scale.to_mm(target - np.median(entry, axis=0)) @ unit)
    across = outline_extent_mm(outline, np.array([-unit[1], unit[0]]))
    return Reading(difficulty_bits(depth, across)) if depth > 0 and across > 0 else BLANK


def difficulty_bits(distance_mm: float, width_mm: float) -> float:
    """Index of difficulty of a target so far away and so wide, in the same unit, both above 0; bits."""
    return float(np.log2(distance_mm / width_mm + 1))


def outline_extent_mm(outline_mm: FloatArray, unit: FloatArray) -> float:
    """Width of an outline, shape (m, 2), along a unit vector."""
    return float(np.ptp(outline_mm @ unit))


def trail_end_edge_mm(motion: Motion, until_frame: int) -> Reading:
    """End of the bubble trail to the target's outline after the attempt, mm, negative inside.

    Time-weighted median over the frames between this attempt and the next. Its uncertainty is that of the
    trail's end, laid on the line to the outline in full, of marking, following and scale. Where no bubbles
    can be seen, as in fluid, the trail ends before the needle did, and no uncertainty covers that.

    Unit: mm. Evidence: ours, untested. Source: none.

    Parameters
    ----------
    motion : Motion
    until_frame : int
        First frame of the next attempt, or the number of frames.

    Returns
    -------
    Reading
        Blank without a target or a trail.
    """
    scene = motion.scene
    rows = slice(motion.span.last_frame + 1, until_frame)
    if scene.outline_mm is None or rows.start >= until_frame:
        return BLANK
    track, weights = scene.track, scene.track.frame_durations_s[rows]
    relative = scene.scale.to_mm(track.trail_end_px[rows] - track.target_px[rows])
    edge = weighted_quantile(signed_distance_mm(relative, scene.outline_mm), weights, 0.5)
    end_sd = weighted_quantile(track.trail_sd_mm[rows], weights, 0.5)
    if edge is None or end_sd is None:
        return Reading(edge)
    sd = distance_sd_mm(
        edge,
        tip_sd_mm=end_sd * np.sqrt(2),
        marking_sd_mm=scene.marking_sd_mm,
        scale_sd_share=scene.scale.sd_share,
        following_sd_mm=float(np.median(track.target_sd_mm[rows])),
    )
    return Reading(edge, float(sd))
