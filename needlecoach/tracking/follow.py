"""The needle over a clip: the steps of this room in their order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.axis import Axis, AxisEvidence, find_axis
from needlecoach.tracking.changes import Changes, find_changes
from needlecoach.tracking.flash import flash_bonus
from needlecoach.tracking.known import Known
from needlecoach.tracking.kymograph import (
    SAMPLE_MM,
    FloatImages,
    Sheet,
    background_strips,
    motion_reach,
    motion_strips,
    stand_out,
    without_ghosts,
)
from needlecoach.tracking.level import levelled
from needlecoach.tracking.lone_tip import follow_lone_tip
from needlecoach.tracking.outset import in_before, not_at_the_edge
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.spot import Spot, find_spot
from needlecoach.tracking.throw import not_foreboded, sheath_moves, thrown_at
from needlecoach.tracking.tip import (
    TipPath,
    emission,
    follow_tip,
    log_odds,
    motion_odds,
    moving_share,
    spells,
    tip_bonus,
    usual_tip_grey,
    where_it_stopped,
)

# A strip is compared with itself this long apart; a tip that fades while moving costs this share of the
# evidence.
MOTION_SPAN_S = 0.16
MOTION_FADE_SHARE = 0.6
# For so long before a needle comes in, it may have waited within so many millimetres of the edge.
WAIT_S = 0.8
WAIT_MM = 4.0
REST_NATS_PER_S = 0.5
# Price, per frame, of a needle that was in before it seems to come in.
OUT_NATS = 2.0
# A stretch that differs by less than this from what it was with the needle in it still holds the needle;
# shorter stretches are the tip's own jitter.
SAME_LOOK_GREY = 12.0
HELD_SAMPLES = 4
DEEP_MM = 8.0
STILL_S = 0.4
# Motion runs ahead of the tip by little; what seems to be shaft further out is something else.
AXIS_BEYOND_MM = 2.0
# An axis that moved by less than this, so far in, need not be looked along again.
SAME_AXIS_MM = 0.1
FAR_MM = 25.0
# How far beyond the estimated tip a place still counts as covered, in each round.
COVER_MM = (0.5, 1.0)
# How far back from the deepest place so far a needle lies where none was before.
FRESH_MM = 1.0
# A spell of presence is a needle when its tip travelled this far, its strip moved this many times as much
# behind the tip as ahead of it, this share of the shaft stood out and no more than that of what lies ahead
# (or than that part of the shaft's own share).
LEAST_TRAVEL_MM = 3.0
STIRRING = 0.3
LEAST_CONTRAST = 2.5
LEAST_LIT = 0.15
MOST_LIT_AHEAD, MOST_LIT_PART = 0.06, 0.15


@dataclass(frozen=True, eq=False)
class Course:
    """The needle over a clip, in working pixels and mm along the axis; NaN where absent.

    `throws` are the last frame before and the first after each throw of a core needle.
    """

    axis: Axis
    path: TipPath
    by_motion: TipPath
    spots: list[Spot | None]
    grey: FloatImages
    odds: FloatArray
    before: FloatImages
    throws: tuple[tuple[int, int], ...] = ()


def follow_needle(
    pictures: list[GreyImage],
    time_s: FloatArray,
    plane: Plane,
    known: Known | None = None,
    *,
    thrown_mm: float = 0.0,
) -> Course | None:
    """Follow the needle through steadied working pictures; None when no axis stands out anywhere.

    `known` is what a person said of single frames, `thrown_mm` how far a spring may throw the needle.
    """
    known = known or Known.nothing(time_s)
    pictures = levelled(pictures, plane.mask)
    changes = find_changes(pictures, time_s, mask=plane.mask, step_mm=plane.step_mm)
    pick = partial(known.pick, block_s=changes.time_s, step_mm=plane.step_mm)
    seen = find_axis(
        pictures, changes, time_s, depth_share=plane.depth_share, step_mm=plane.step_mm, pick=pick
    )
    seen = known.through(seen, changes.mask, plane.step_mm)
    course = None if seen is None else _by_shaft(seen, pictures, changes, time_s, known, thrown_mm)
    if course is not None and np.isfinite(course.path.position_mm).any():
        return course
    return _by_tip_alone(pictures, changes, time_s, plane) or course


def _by_tip_alone(
    pictures: list[GreyImage], changes: Changes, time_s: FloatArray, plane: Plane
) -> Course | None:
    """Follow a needle whose shaft does not show."""
    found = follow_lone_tip(pictures, changes, time_s, plane)
    if found is None:
        return None
    sheet, path, grey, look = found
    odds = log_odds(np.maximum(grey - look, 0), sheet.inside, path.position_mm)
    return Course(sheet.axis, path, path, _spots(pictures, sheet.axis, path), grey, odds, look)


def _by_shaft(
    seen: AxisEvidence,
    pictures: list[GreyImage],
    changes: Changes,
    time_s: FloatArray,
    known: Known,
    thrown_mm: float,
) -> Course:
    """Follow a needle along the axis on which its shaft was seen."""
    seen = seen.pinned(np.flatnonzero(known.placed), known.place[known.placed])
    sheet = Sheet.along(seen.fit(), changes.mask)
    by_motion, stirring, motion = _by_motion(pictures, time_s, sheet, known, thrown_mm)
    axis = seen.fit(by_motion.position_mm + AXIS_BEYOND_MM)
    if axis.away_mm(sheet.axis, FAR_MM).max() > SAME_AXIS_MM:
        sheet = Sheet.along(axis, changes.mask)
        by_motion, stirring, motion = _by_motion(pictures, time_s, sheet, known, thrown_mm)
    axis, inside, path = sheet.axis, sheet.inside, by_motion
    grey = sheet.strips(pictures)
    usual_grey = usual_tip_grey(grey, path.position_mm)
    passing = flash_bonus(grey, time_s, usual_grey)
    span = motion_reach(time_s, MOTION_SPAN_S)
    for margin_mm in COVER_MM:
        covered = _covered(path, grey, stirring, time_s, margin_mm)
        before = background_strips(pictures, time_s, sheet, covered)
        after = background_strips(pictures[::-1], time_s[::-1], sheet.reversed(), covered[::-1])[::-1]
        if path is not by_motion:  # motion runs ahead of the tip
            after[reached_first(path, before)] = np.nan
        change = without_ghosts(stand_out(grey, before, after), time_s)
        odds = log_odds(change, inside, path.position_mm)
        bonus = tip_bonus(grey, odds, usual_grey) + passing
        shown = where_it_stopped(emission(odds, bonus), bonus, by_motion.position_mm, stirring, time_s, span)
        shown[: comes_in_at(by_motion)] -= OUT_NATS
        path = follow_tip(known.bind(shown, axis, grey), stirring, time_s, thrown_mm=thrown_mm)
    path = _real_needle(path, motion, odds, inside, stirring, known)
    path = not_at_the_edge(in_before(path, by_motion, grey, pictures, axis, time_s), time_s)
    path = path.without(known.absent)
    throws = thrown_at(path, time_s) if thrown_mm else ()
    by_motion = not_foreboded(by_motion, path, throws, time_s)
    return Course(axis, path, by_motion, _spots(pictures, axis, path), grey, odds, before, throws)


def _spots(pictures: Sequence[GreyImage], axis: Axis, path: TipPath) -> list[Spot | None]:
    return [
        find_spot(pictures[i], axis, i, float(s), float(sd)) if np.isfinite(s) else None
        for i, (s, sd) in enumerate(zip(path.position_mm, path.sd_mm, strict=True))
    ]


def _by_motion(
    pictures: Sequence[GreyImage], time_s: FloatArray, sheet: Sheet, known: Known, thrown_mm: float
) -> tuple[TipPath, FloatArray, FloatImages]:
    """First guess of the path, from what moves along the axis alone; how surely each strip moves; motion."""
    motion = motion_strips(pictures, time_s, sheet, over_s=MOTION_SPAN_S)
    moving = motion_odds(motion, sheet.inside)
    stirring = moving_share(moving)
    # A needle that never stirs again has more likely slipped out than stayed.
    price = REST_NATS_PER_S * np.gradient(time_s)[:, None]
    shown = emission(moving, fade_share=MOTION_FADE_SHARE) - price
    path = follow_tip(known.bind(shown, sheet.axis), stirring, time_s, thrown_mm=thrown_mm)
    if thrown_mm and (sheath := sheath_moves(path, moving, stirring, sheet.strips(pictures), time_s)).any():
        moving[sheath] = np.where(sheet.inside[sheath], 0.0, -1.0)
        stirring = moving_share(moving)
        shown = emission(moving, fade_share=MOTION_FADE_SHARE) - price
        path = follow_tip(known.bind(shown, sheet.axis), stirring, time_s, thrown_mm=thrown_mm)
    return path, stirring, motion


def _covered(
    path: TipPath, grey: FloatImages, stirring: FloatArray, time_s: FloatArray, margin_mm: float
) -> FloatArray:
    """How far the needle may reach in each frame, (n_frames,), mm; 0 where there is none.

    What it reached stays covered as long as it looks the same there: a needle at rest must not be learned as
    background because its motion has ended. Shortly before a spell of presence the first millimetres count as
    covered too: a needle that waits at the edge of the picture does not move either.
    """
    present = np.isfinite(path.position_mm)
    reach = np.where(present, path.position_mm + margin_mm, 0.0)
    for first, end in spells(present):
        held, look = reach[first], grey[first]
        for i in range(first, end):
            part = slice(round(reach[i] / SAMPLE_MM), round(held / SAMPLE_MM))
            left = part.stop - part.start > HELD_SAMPLES and (
                np.abs(grey[i, part] - look[part]).mean() > SAME_LOOK_GREY
            )
            if left or reach[i] >= held:
                held, look = reach[i], grey[i]
            reach[i] = held
        # A needle deep inside has not left because nothing stirs any more: leaving would stir.
        whole = slice(round(held / SAMPLE_MM))
        lately = (time_s < time_s[end - 1]) & (time_s >= time_s[end - 1] - STILL_S)
        still = held > DEEP_MM and lately.any() and stirring[lately].mean() < STIRRING
        for i in range(end, len(reach) if still else end):
            if reach[i] > 0 or np.abs(grey[i, whole] - look[whole]).mean() > SAME_LOOK_GREY:
                break
            reach[i] = held
        waiting = (time_s < time_s[first]) & (time_s >= time_s[first] - WAIT_S)
        reach[waiting] = np.maximum(reach[waiting], WAIT_MM)
    return reach


def comes_in_at(by_motion: TipPath) -> int:
    """Frame in which a needle comes in, by what stirs first: the edge, and from there ever deeper; else 0."""
    at_mm = by_motion.position_mm
    for first, end in spells(np.isfinite(at_mm)):
        if at_mm[first:end].max() >= DEEP_MM:
            return first if at_mm[first] <= WAIT_MM else 0
    return 0


def reached_first(path: TipPath, before: FloatImages) -> BoolArray:
    """Places at the end of a needle that is as deep as any was yet, shape as `before`.

    No needle can have left a trail there yet, while the trail that this one leaves may look just like it: the
    look once it has gone tells nothing.
    """
    position_mm = np.nan_to_num(path.position_mm)
    deepest_mm = np.maximum.accumulate(position_mm)
    s = np.arange(before.shape[1]) * SAMPLE_MM
    at_deepest = (position_mm > 0) & (position_mm >= deepest_mm - FRESH_MM)
    return np.asarray(at_deepest[:, None] & (s >= deepest_mm[:, None] - FRESH_MM) & ~np.isnan(before))


def _real_needle(
    path: TipPath,
    motion: FloatImages,
    odds: FloatArray,
    inside: BoolArray,
    stirring: FloatArray,
    known: Known,
) -> TipPath:
    """Keep the spells in which something moved along its own axis, and moved there more than elsewhere.

    A line that stands still is scenery; in a sweep or a slide everything changes, ahead of the supposed tip
    as much as behind it. A person who said where the tip is knows better.
    """
    s = np.arange(motion.shape[1]) * SAMPLE_MM
    scenery = np.zeros(len(path.position_mm), dtype=bool)
    for first, end in spells(np.isfinite(path.position_mm)):
        if known.placed[first:end].any():
            continue
        tip = path.position_mm[first:end, None]
        behind = inside[first:end] & (s < tip - 0.5)
        ahead = inside[first:end] & (s > tip + 2.0)
        lit = odds[first:end] > 0
        # A long rest says nothing of how it moved.
        moving = stirring[first:end, None] > STIRRING
        contrast = _mean(motion[first:end], behind & moving) / max(
            _mean(motion[first:end], ahead & moving), 0.2
        )
        behind_lit = _mean(lit, behind)
        scenery[first:end] = (
            not moving.any()
            or np.ptp(np.percentile(tip[moving], [5, 95])) < LEAST_TRAVEL_MM
            or contrast < LEAST_CONTRAST
            or behind_lit < LEAST_LIT
            or _mean(lit, ahead) > max(MOST_LIT_AHEAD, MOST_LIT_PART * behind_lit)
        )
    return path.without(scenery)


def _mean(values: npt.NDArray[Any], where: BoolArray) -> float:
    return float(values[where].mean()) if where.any() else 0.0
