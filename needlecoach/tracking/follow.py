"""The needle over a clip: the steps of this room in their order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from needlecoach.model import FloatArray, GreyImage
from needlecoach.tracking.axis import Axis, AxisEvidence, find_axis
from needlecoach.tracking.chain import LinesKept
from needlecoach.tracking.changes import Changes, Shaft, find_changes
from needlecoach.tracking.cover import COVER_BEYOND_MM, comes_in_at, covered_mm, reached_first
from needlecoach.tracking.flash import flash_bonus
from needlecoach.tracking.known import Known
from needlecoach.tracking.kymograph import (
    FloatImages,
    Sheet,
    background_strips,
    motion_reach,
    motion_strips,
    stand_out,
    without_ghosts,
)
from needlecoach.tracking.level import levelled
from needlecoach.tracking.likelihood import (
    emission,
    log_odds,
    motion_noise,
    motion_odds,
    moving_share,
    odds_table,
    read_odds,
    tip_bonus,
    usual_tip_grey,
    where_it_stopped,
)
from needlecoach.tracking.lone_tip import follow_lone_tip
from needlecoach.tracking.outset import in_before, not_at_the_edge
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.scenery import EARLY_TRAVEL_MM, LEAST_TRAVEL_MM, real_needle
from needlecoach.tracking.spot import Spot, find_spot
from needlecoach.tracking.throw import not_foreboded, sheath_moves, thrown_at
from needlecoach.tracking.tip import IN_AT_START, IN_BEFORE_LIVE, Belief, TipPath, follow_tip, last_belief

# A strip is compared with itself this long apart; a tip that fades while moving costs this share of the
# evidence.
MOTION_SPAN_S = 0.16
MOTION_FADE_SHARE = 0.6
REST_NATS_PER_S = 0.5
# Price, per frame, of a needle that was in before it seems to come in.
OUT_NATS = 2.0
# Motion runs ahead of the tip by little; what seems to be shaft further out is something else.
AXIS_BEYOND_MM = 2.0
# An axis that moved by less than this, so far in, need not be looked along again.
SAME_AXIS_MM = 0.1
FAR_MM = 25.0
LATELY_S = 1.5
# How far beyond the estimated tip a place still counts as covered, in each round.
COVER_MM = (0.5, COVER_BEYOND_MM)


@dataclass(frozen=True, eq=False)
class Onward:
    """What the next pictures are read by, if no later ones are known: see `forward`.

    `table` are log odds by how far a sample stands out (`likelihood.odds_table`), `usual_grey` is a tip's,
    `noise_grey` what strips change by where nothing moves, `belief` where the tip may be in the last picture,
    `by_motion` that by what moves alone; `shafts` are where the needle may be in each frame;
    `past` is the darkest look of every place so far (see `Changes`).
    """

    table: FloatArray
    usual_grey: float
    noise_grey: float
    belief: Belief
    by_motion: Belief
    shafts: list[Shaft | None]
    past: GreyImage


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
    onward: Onward | None = None


def follow_needle(
    pictures: list[GreyImage],
    time_s: FloatArray,
    plane: Plane,
    known: Known | None = None,
    *,
    thrown_mm: float = 0.0,
    hindsight: bool = True,
    shafts: Sequence[Shaft | None] = (),
    kept: LinesKept | None = None,
) -> Course | None:
    """Follow the needle through steadied working pictures; None when no axis stands out anywhere.

    `known` is what a person said of single frames, `thrown_mm` how far a spring may throw the needle. Without
    `hindsight` the last picture is now: places are told by their past alone, a needle by its shaft alone, and
    the course can be carried onward; `shafts` and lines `kept` are what an earlier look made of the same
    pictures.
    """
    known = known or Known.nothing(time_s)
    pictures = levelled(pictures, plane.mask)
    changes = find_changes(
        pictures, time_s, mask=plane.mask, step_mm=plane.step_mm, hindsight=hindsight, shafts=shafts
    )
    pick = partial(known.pick, block_s=changes.time_s, step_mm=plane.step_mm)
    seen = find_axis(
        pictures,
        changes,
        time_s,
        depth_share=plane.depth_share,
        step_mm=plane.step_mm,
        pick=pick,
        kept=kept,
    )
    seen = known.through(seen, changes.mask, plane.step_mm)
    course = None if seen is None else _by_shaft(seen, pictures, changes, time_s, known, thrown_mm)
    if not hindsight or (course is not None and np.isfinite(course.path.position_mm).any()):
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
    how = {"thrown_mm": thrown_mm, "in_at_start": IN_AT_START if changes.hindsight else IN_BEFORE_LIVE}
    by_motion, stirring, motion = _by_motion(pictures, time_s, sheet, known, how)
    axis = seen.fit(by_motion.position_mm + AXIS_BEYOND_MM)
    if axis.away_mm(sheet.axis, FAR_MM).max() > SAME_AXIS_MM:
        sheet = Sheet.along(axis, changes.mask)
        by_motion, stirring, motion = _by_motion(pictures, time_s, sheet, known, how)
    axis, inside, path = sheet.axis, sheet.inside, by_motion
    grey = sheet.strips(pictures)
    usual_grey = usual_tip_grey(grey, path.position_mm)
    passing = flash_bonus(grey, time_s, usual_grey)
    span = motion_reach(time_s, MOTION_SPAN_S)
    for margin_mm in COVER_MM:
        covered = covered_mm(path, grey, stirring, time_s, margin_mm, hindsight=changes.hindsight)
        before = background_strips(pictures, time_s, sheet, covered)
        after = background_strips(pictures[::-1], time_s[::-1], sheet.reversed(), covered[::-1])[::-1]
        if path is not by_motion:  # motion runs ahead of the tip
            after[reached_first(path, before)] = np.nan
        change = without_ghosts(stand_out(grey, before, after), time_s)
        table = odds_table(change, inside, path.position_mm)
        odds = read_odds(table, change, inside)
        bonus = tip_bonus(grey, odds, usual_grey) + passing
        shown = where_it_stopped(emission(odds, bonus), bonus, by_motion.position_mm, stirring, time_s, span)
        shown[: comes_in_at(by_motion)] -= OUT_NATS
        if not changes.hindsight:
            shown += emission(motion_odds(motion, inside), fade_share=MOTION_FADE_SHARE)
        shown = known.bind(shown, axis, grey)
        path = follow_tip(shown, stirring, time_s, **how)
    onward = None
    if not changes.hindsight:
        onward = Onward(
            table,
            usual_grey,
            motion_noise(motion, inside),
            last_belief(shown, stirring, time_s, **how),
            last_belief(motion_shown(motion_odds(motion, inside), time_s), stirring, time_s, **how),
            shafts_of(axis, covered),
            changes.past[-1],
        )
    travel_mm = LEAST_TRAVEL_MM if changes.hindsight else EARLY_TRAVEL_MM
    path = real_needle(path, motion, odds, inside, stirring, known, travel_mm)
    path = not_at_the_edge(in_before(path, by_motion, grey, pictures, axis, time_s), time_s)
    path = path.without(known.absent)
    throws = thrown_at(path, time_s) if thrown_mm else ()
    by_motion = not_foreboded(by_motion, path, throws, time_s)
    # Live, how well the tip is seen hangs on the latest pictures alone.
    since_s = -np.inf if changes.hindsight else time_s[-1] - LATELY_S
    spots = _spots(pictures, axis, path.without(time_s < since_s))
    return Course(axis, path, by_motion, spots, grey, odds, before, throws, onward)


def _spots(pictures: Sequence[GreyImage], axis: Axis, path: TipPath) -> list[Spot | None]:
    return [
        find_spot(pictures[i], axis, i, float(s), float(sd)) if np.isfinite(s) else None
        for i, (s, sd) in enumerate(zip(path.position_mm, path.sd_mm, strict=True))
    ]


def _by_motion(
    pictures: Sequence[GreyImage], time_s: FloatArray, sheet: Sheet, known: Known, how: Mapping[str, float]
) -> tuple[TipPath, FloatArray, FloatImages]:
    """First guess of the path, from what moves along the axis alone; how surely each strip moves; motion."""
    motion = motion_strips(pictures, time_s, sheet, over_s=MOTION_SPAN_S)
    moving = motion_odds(motion, sheet.inside)
    stirring = moving_share(moving)
    shown = motion_shown(moving, time_s)
    path = follow_tip(known.bind(shown, sheet.axis), stirring, time_s, **how)
    if (
        how["thrown_mm"]
        and (sheath := sheath_moves(path, moving, stirring, sheet.strips(pictures), time_s)).any()
    ):
        moving[sheath] = np.where(sheet.inside[sheath], 0.0, -1.0)
        stirring = moving_share(moving)
        shown = motion_shown(moving, time_s)
        path = follow_tip(known.bind(shown, sheet.axis), stirring, time_s, **how)
    return path, stirring, motion


def motion_shown(moving: FloatArray, time_s: FloatArray) -> FloatArray:
    """Log likelihood of the tip at each sample by motion alone, from `likelihood.motion_odds`."""
    # A needle that never stirs again has more likely slipped out than stayed.
    price = REST_NATS_PER_S * np.gradient(time_s)[:, None]
    return np.asarray(emission(moving, fade_share=MOTION_FADE_SHARE) - price)


def shafts_of(axis: Axis, covered: FloatArray) -> list[Shaft | None]:
    """Ends of the shaft in each frame, from what it covers, (n_frames,) mm; None where nothing."""
    ends = axis.places(np.stack([np.full(len(covered), -3.0), covered], axis=1))
    return [end if reach > 0 else None for end, reach in zip(ends, covered.tolist(), strict=True)]
