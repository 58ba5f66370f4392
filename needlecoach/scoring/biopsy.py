"""The figures of a core biopsy: one function per column of attempts.csv, from a `Biopsy` to a `Reading`.

All are blank for an aspirate. What firing would give is geometry, not seen, unless a firing was seen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from needlecoach.model import Core, CoreSample, FloatArray, Point
from needlecoach.scoring.approach import judge
from needlecoach.scoring.geometry import line_walls_mm, wall_crossings_mm
from needlecoach.scoring.kinematics import true_runs
from needlecoach.scoring.metrics import BLANK, Reading
from needlecoach.scoring.notch import notch_seen
from needlecoach.scoring.propagation import Errors, Measure, Pose, propagated_sd
from needlecoach.scoring.sampling import ANGLE_SD_DEG, Biopsy, judge_core, notch_inside
from needlecoach.scoring.uncertainty import distance_sd_mm

# A throw that was seen is told to differ from the one given beyond this, and beyond two of its sd.
THROW_DIFFERS_MM = 2.0


def time_to_target_s(biopsy: Biopsy) -> Reading:
    """Time from the first entry until the notch's hit begins, s.

    After a firing that was seen, a hit can't begin before it. Blank without a hit, and when the entry was not
    recorded.

    Unit: s. Evidence: common practice. Source: none.
    """
    row, motion = judge_core(biopsy).hit_row, biopsy.motion
    if row is None or motion.began_deep:
        return BLANK
    return Reading(float(motion.time_s[row] - motion.time_s[0]))


def dwell_in_target_s(biopsy: Biopsy) -> Reading:
    """Total time with any of the notch inside the outline by the best estimate, s.

    Unit: s. Evidence: plain reading. Source: none.
    """
    if not np.isfinite(biopsy.inside_mm).any():
        return BLANK
    return Reading(float(biopsy.motion.weight_s[np.nan_to_num(biopsy.inside_mm) > 0].sum()))


def notch_start_mm(biopsy: Biopsy) -> Reading:
    """Near end of the notch at the sampling moment, along the shaft from its entry, mm.

    Negative where it had not come into the picture.

    Unit: mm. Evidence: plain reading. Source: none.
    """
    start = depth_mm(biopsy, biopsy.row) - biopsy.core.dead_space_mm - biopsy.core.notch_mm
    return Reading(start, _depth_sd_mm(biopsy, start))


def notch_length_mm(biopsy: Biopsy) -> Reading:
    """Length of the notch as given, mm.

    Unit: mm. Evidence: plain reading. Source: none.
    """
    return Reading(biopsy.core.notch_mm)


def notch_in_target_mm(biopsy: Biopsy) -> Reading:
    """Length of the notch inside the outline at the sampling moment, mm.

    Exact for a straight stretch and the outline's polygon; of a concave outline the pieces inside add up.

    Unit: mm. Evidence: ours, untested. Source: none.
    """
    return _reading(biopsy, notch_inside(biopsy.core), biopsy.row)


def notch_in_target_before_mm(biopsy: Biopsy) -> Reading:
    """The same with the needle as it stood before firing, mm.

    0.1 s before the jump; without a firing seen, the same as `notch_in_target_mm`.

    Unit: mm. Evidence: ours, untested. Source: none.
    """
    row = biopsy.before_row
    return BLANK if row is None else _reading(biopsy, notch_inside(biopsy.core), row)


def notch_in_target_fired_mm(biopsy: Biopsy) -> Reading:
    """The same after firing, mm.

    As seen; without a firing seen, what firing from where the tip was at the sampling moment would give:
    needle and target are taken not to be moved by it. Blank while the throw is not known.

    Unit: mm. Evidence: ours, untested. Source: none.
    """
    ahead = biopsy.ahead_mm
    return BLANK if ahead is None else _reading(biopsy, notch_inside(biopsy.core, ahead_mm=ahead), biopsy.row)


def throw_mm(biopsy: Biopsy) -> Reading:
    """How far the point is thrown forward, mm: as seen when its jump was, else as given.

    Unit: mm. Evidence: plain reading. Source: none.
    """
    if biopsy.firing is not None and biopsy.firing.part == "tip":
        return Reading(biopsy.firing.jump_mm, biopsy.firing.sd_mm)
    return Reading(biopsy.core.throw_mm)


def fired_tip_beyond_far_wall_mm(biopsy: Biopsy) -> Reading:
    """How far the fired tip lies past the target's far wall along the shaft, mm.

    Negative when it lies short of it; blank where the shaft's line misses the target.

    Unit: mm. Evidence: ours, untested. Source: none.
    """
    ahead = biopsy.ahead_mm
    if ahead is None:
        return BLANK
    return _reading(biopsy, lambda pose: ahead - _far_wall_mm(pose), biopsy.row)


def fired_tip_to_edge_mm(biopsy: Biopsy) -> Reading:
    """From the fired tip to the picture's edge ahead of it along the shaft, mm.

    Negative when it lies beyond the picture, where it can't be seen.

    Unit: mm. Evidence: ours, untested. Source: none.
    """
    ahead, motion, scene = biopsy.ahead_mm, biopsy.motion, biopsy.motion.scene
    if ahead is None:
        return BLANK
    edge = scene.scale.to_mm(scene.region.outline_px)
    middle, row = edge.mean(axis=0), [biopsy.row]
    pose = Pose(biopsy.tip_mm[row] - middle, motion.direction[row], edge - middle)
    errors = Errors.of_marking(
        motion.tip_sd_mm[row], 0.0, scale_share=scene.scale.sd_share, angle_deg=ANGLE_SD_DEG
    )
    way = _far_wall_mm(pose)
    return _told(way[0] - ahead, propagated_sd(_far_wall_mm, pose, errors)[0])


def best_fire_depth_mm(biopsy: Biopsy) -> Reading:
    """Tip's place along this shaft, mm from its entry, to fire from with most notch inside.

    The middle where several places are as good. Blank while the throw is not known, and where no place inside
    the phantom gives any.

    Unit: mm. Evidence: ours, untested. Source: none.
    """
    change = _reading(biopsy, _best_change(biopsy), biopsy.row)
    if change.value is None:
        return BLANK
    return Reading(depth_mm(biopsy, biopsy.row) + change.value, change.sd)


def fired_s(biopsy: Biopsy) -> Reading:
    """Time of the firing in the recording, s; blank when none was seen.

    Unit: s. Evidence: ours, untested. Source: none.
    """
    if biopsy.firing is None:
        return BLANK
    return Reading(float(biopsy.motion.scene.track.time_s[biopsy.firing.frame]))


CORE_MEASURES: Mapping[str, Callable[[Biopsy], Reading]] = MappingProxyType(
    {
        measure.__name__: measure
        for measure in (
            time_to_target_s,
            dwell_in_target_s,
            notch_start_mm,
            notch_length_mm,
            notch_in_target_mm,
            notch_in_target_before_mm,
            notch_in_target_fired_mm,
            throw_mm,
            fired_tip_beyond_far_wall_mm,
            fired_tip_to_edge_mm,
            best_fire_depth_mm,
            fired_s,
        )
    }
)


def depth_mm(biopsy: Biopsy, row: int) -> float:
    """Place of the tip along the shaft from the shaft's own entry in that row, mm."""
    motion, scene = biopsy.motion, biopsy.motion.scene
    entry = scene.scale.to_mm(scene.track.entry_px[motion.span.first_frame + row])
    if not np.isfinite(entry).all():
        return float(motion.depth_mm[row])
    return float((biopsy.tip_mm[row] - entry) @ motion.direction[row])


def _depth_sd_mm(biopsy: Biopsy, depth: float) -> float | None:
    share, tip = biopsy.motion.scene.scale.sd_share, biopsy.motion.tip_sd_mm[biopsy.row]
    sd = float(distance_sd_mm(depth, tip_sd_mm=tip, marking_sd_mm=0.0, scale_sd_share=share))
    return sd if np.isfinite(sd) else None


def _reading(biopsy: Biopsy, measure: Measure, row: int) -> Reading:
    rows = np.array([row])
    return _told(biopsy.measured(measure, rows)[0], biopsy.sd_mm(measure, rows)[0])


def _told(value: float, sd: float) -> Reading:
    """Dress a figure; an uncertainty of nil, of what lies far from every wall, is not stated as such."""
    if not np.isfinite(value):
        return BLANK
    return Reading(float(value), float(sd) if np.isfinite(sd) and sd > 0 else None)


def _far_wall_mm(pose: Pose) -> FloatArray:
    return wall_crossings_mm(pose.tip_mm, pose.direction, pose.outline_mm)[:, 1]


def _best_change(biopsy: Biopsy) -> Measure:
    """How far from where the tip was at the sampling moment the best place to fire from lies, mm."""
    core, throw, least = biopsy.core, biopsy.throw_mm, -depth_mm(biopsy, biopsy.row)

    def change(pose: Pose) -> FloatArray:
        if throw is None:
            return np.full(len(pose.tip_mm), np.nan)
        lines = zip(pose.tip_mm, pose.direction, strict=True)
        walls = [line_walls_mm(tip, unit, pose.outline_mm) for tip, unit in lines]
        return np.array([best_change_mm(one, core, throw_mm=throw, least_mm=least) for one in walls])

    return change


def best_change_mm(walls_mm: FloatArray, core: Core, *, throw_mm: float, least_mm: float) -> float:
    """Change of the tip's place along its line from which a firing puts most of the notch inside.

    Parameters
    ----------
    walls_mm : (k,) walls that the line crosses, from the tip, rising; see `geometry.line_walls_mm`.
    throw_mm : how far a firing moves the tip.
    least_mm : change that takes the tip to its entry; none below it is looked at.

    Returns
    -------
    float
        The middle of the widest stretch of places that are as good as any; NaN when none puts any inside.

    Notes
    -----
    As the notch is moved along, the length inside changes at one rate until either end crosses a wall. So it
    is highest at such a place, or all the way between two of them.
    """
    behind = core.dead_space_mm + core.notch_mm - throw_mm
    nearest = least_mm - behind
    starts = np.concatenate([walls_mm, walls_mm - core.notch_mm, [nearest]])
    starts = np.unique(starts[starts >= nearest])
    within = np.clip(walls_mm[None, :], starts[:, None], starts[:, None] + core.notch_mm)
    inside = (within[:, 1::2] - within[:, 0::2]).sum(axis=1)
    if inside.max() <= 0:
        return float("nan")
    first, last = max(
        true_runs(inside >= inside.max() - 1e-9), key=lambda run: starts[run[1]] - starts[run[0]]
    )
    return float((starts[first] + starts[last]) / 2 + behind)


def core_sample(biopsy: Biopsy) -> CoreSample:
    """Where the notch lay, in px, and what a reader should know of it."""
    firing, ahead, core = biopsy.firing, biopsy.ahead_mm, biopsy.core
    change = float(biopsy.measured(_best_change(biopsy), np.array([biopsy.row]))[0])
    return CoreSample(
        frame=biopsy.motion.span.first_frame + biopsy.row,
        fired_frame=None if firing is None else firing.frame,
        fired_part="" if firing is None else firing.part,
        notch_px=_notch_px(biopsy, 0.0),
        fired_tip_px=None if ahead is None else _along_px(biopsy, ahead),
        fired_notch_px=None if ahead is None else _notch_px(biopsy, ahead),
        best_tip_px=_along_px(biopsy, change) if np.isfinite(change) else None,
        notes=tuple(_notes(biopsy, core)),
        before_frame=None
        if firing is None or biopsy.before_row is None
        else biopsy.motion.span.first_frame + biopsy.before_row,
    )


def _along_px(biopsy: Biopsy, ahead_mm: float) -> Point:
    """Place on the shaft's line of the sampling moment, so far ahead of the tip."""
    scale = biopsy.motion.scene.scale
    x, y = biopsy.tip_mm[biopsy.row] + ahead_mm * biopsy.motion.direction[biopsy.row]
    return float(x / scale.x_mm_per_px), float(y / scale.y_mm_per_px)


def _notch_px(biopsy: Biopsy, ahead_mm: float) -> tuple[Point, Point]:
    end = ahead_mm - biopsy.core.dead_space_mm
    return _along_px(biopsy, end - biopsy.core.notch_mm), _along_px(biopsy, end)


def _notes(biopsy: Biopsy, core: Core) -> list[str]:
    """What else limits or explains the sample; whether a firing was seen stands in its own fields."""
    firing, motion, notes = biopsy.firing, biopsy.motion, []
    if not motion.visible[biopsy.row]:
        notes.append("The point could not be seen when the sample was taken: its place is inferred.")
    if judge_core(biopsy).outcome != "hit" and judge(motion).outcome == "hit":
        notes.append("The tip was inside the target, which is no hit: the sample comes from behind it.")
    if firing is not None and firing.part == "tip" and core.throw_mm is not None:
        off_mm = abs(firing.jump_mm - core.throw_mm)
        if off_mm > max(THROW_DIFFERS_MM, 2 * firing.sd_mm):
            notes.append(
                f"The point was seen to jump {firing.jump_mm:.1f} mm, not the {core.throw_mm:g} mm given as "
                "the throw; what was seen is used."
            )
    seen = None if motion.scene.strip is None else notch_seen(motion, core, motion.scene.strip, firing)
    if seen is not None and (differs := seen.note(core)):
        notes.append(differs)
    return notes
