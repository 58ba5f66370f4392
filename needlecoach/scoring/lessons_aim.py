"""Rules of advice on reaching the target with a needle that samples at its tip, and on going well."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from needlecoach.model import Attempt, FloatArray
from needlecoach.scoring.approach import closest_approach, judge, outline_extent_mm
from needlecoach.scoring.geometry import wall_crossings_mm
from needlecoach.scoring.lesson import FINE_SD_MM, Finding, doubt, millimetres, number, sure, target_size_mm
from needlecoach.scoring.motion import Motion

# A line with this share of the target's length on it leads well into it: through a round target at no more
# than 0.87 of the half-width from its middle (ours).
GOOD_CHORD_SHARE = 0.5
# What an outcome costs: an exercise is to hit; what is borderline may have (ours).
LOST_BY = {"miss": 1.0, "borderline": 0.5}
# Past the far wall by less than this is within what a hand can stop at (ours).
PAST_MM = 1.0
# More passes than this until the target is reached are searching; each one beyond the first costs a fifth of
# the effect (common practice, no source: beginners need one pass in three attempts of four, PMC5318157).
FEW_PASSES, PASS_EFFECT = 2, 0.2
# Strokes from this many on are meant to sample, and tell a line from a fan (common practice, no source).
SAMPLING_STROKES = 4
# Strokes that stay within this share of the target's width lie on one line; what is lost by it is less than
# a miss (both ours).
ONE_LINE_SHARE, ONE_LINE_EFFECT = 0.25, 0.5
# To be praised the tip is in sight for this share of the way forward, and less than this is gained unseen or
# beyond the far wall (ours; no published norm was found).
PRAISE_SHARE, PRAISE_MM = 0.9, 1.0


class Aim(NamedTuple):
    """The shaft's line at closest approach against the target, mm.

    `short_mm` is what lacks to the near wall, `chord_share` how much of the target's length along the shaft
    lies on the line; both None where the line misses the target. `across_mm` is from the centre, `aside_mm`
    from the outline, both positive deeper; `aside_mm` is 0 where the line meets the target.
    """

    row: int
    short_mm: float | None
    chord_share: float | None
    across_mm: float
    aside_mm: float
    sd_mm: float
    turn_deg: float
    half_width_mm: float

    @property
    def would_have_met(self) -> bool:
        """Whether going on along this line would have led well into the target."""
        return self.chord_share is not None and self.chord_share >= GOOD_CHORD_SHARE


def aim(motion: Motion, attempt: Attempt) -> Aim | None:
    """How the needle lay to the target at closest approach; None without a target."""
    closest, outline = closest_approach(motion), motion.scene.outline_mm
    across = number(attempt, "offset_across_mm")
    if closest is None or outline is None or across is None:
        return None
    unit = motion.direction[closest.row]
    near, far = wall_crossings_mm(closest.relative_mm[None, :], unit[None, :], outline)[0]
    met = bool(np.isfinite(near))
    reach = outline @ _across(unit, closest.relative_mm, across)
    rim = float(reach.max() if across > 0 else reach.min())
    return Aim(
        row=closest.row,
        short_mm=float(near) if met else None,
        chord_share=float(far - near) / outline_extent_mm(outline, unit) if met else None,
        across_mm=across,
        aside_mm=0.0 if met else across - rim,
        sd_mm=doubt(attempt, "offset_across_mm"),
        turn_deg=_turn_deg(motion, closest.row, across),
        half_width_mm=abs(rim),
    )


def _across(unit: FloatArray, relative_mm: FloatArray, across_mm: float) -> FloatArray:
    """Unit vector across the shaft towards growing depth, told from a known offset that way."""
    normal = np.array([-unit[1], unit[0]])
    return normal if (relative_mm @ normal) * across_mm >= 0 else -normal


def _turn_deg(motion: Motion, row: int, across_mm: float) -> float:
    """Turn about the entry that leads the shaft's line to the target's centre, degrees; 0 if unknown."""
    track, scale = motion.scene.track, motion.scene.scale
    entry = track.entry_px[motion.frames]
    entry = entry[np.isfinite(entry).all(axis=1)]
    if len(entry) == 0:
        return 0.0
    target = track.target_px[motion.span.first_frame + row]
    along = float(scale.to_mm(target - np.median(entry, axis=0)) @ motion.direction[row])
    return float(np.degrees(np.arctan2(abs(across_mm), along))) if along > 0 else 0.0


def stopping_short(motion: Motion, attempt: Attempt) -> Finding | None:
    """No hit, on a line that runs through the target, with the tip still this side of its near wall.

    Not for a clip that ends with the needle in: what came later is not known. Evidence: plain geometry; that
    it costs all that a miss costs is ours.
    """
    found = aim(motion, attempt)
    if found is None or found.short_mm is None or not found.would_have_met or attempt.cut_off:
        return None
    if found.short_mm <= 0 or attempt.core is not None or attempt.outcome not in LOST_BY:
        return None
    return Finding(
        found.row,
        f"The tip stopped {millimetres(found.short_mm, found.sd_mm)} short of the target, on a line "
        "that would "
        "have met it.",
        "The direction was right; only depth was missing, and what is sampled there lies in front of "
        "the target.",
        "With the tip in sight, go on in small steps until it lies in the middle of the target, and "
        "stop there.",
        LOST_BY[attempt.outcome],
        sure(found.short_mm, doubt(attempt, "closest_edge_mm")),
    )


def missing_to_one_side(motion: Motion, attempt: Attempt) -> Finding | None:
    """No hit, and the shaft's line at closest approach runs beside the target or along its rim.

    Evidence: plain geometry; that it costs all that a miss costs is ours.
    """
    found, edge = aim(motion, attempt), number(attempt, "closest_edge_mm")
    if found is None or edge is None or found.would_have_met or attempt.outcome not in LOST_BY:
        return None
    side, turn = ("deep", "flatter") if found.across_mm > 0 else ("shallow", "steeper")
    degrees = f"about {found.turn_deg:.0f} degrees {turn}" if found.turn_deg >= 1 else f"slightly {turn}"
    if abs(found.aside_mm) > found.sd_mm:
        beside = (
            f"passed {millimetres(abs(found.aside_mm), found.sd_mm)} beside the target, on its {side} side."
        )
    else:
        off = millimetres(abs(found.across_mm), found.sd_mm)
        beside = f"ran along the target's {side} rim, {off} from its middle."
    return Finding(
        found.row,
        f"The needle's line {beside}",
        "Deep in the gel a needle follows its own track: a line that is off stays off, however far you push.",
        f"Go in {degrees}, and see on the screen that the needle's line leads to the middle of the "
        "target while "
        "the tip is still shallow.",
        LOST_BY[attempt.outcome],
        sure(edge, doubt(attempt, "closest_edge_mm"))
        * sure(abs(found.across_mm) - found.half_width_mm / 2, found.sd_mm),
    )


def passing_the_far_wall(motion: Motion, attempt: Attempt) -> Finding | None:
    """The tip over 1 mm past the target's far wall. Not for core needles, whose tip must go past.

    Evidence: ours, untested.
    """
    past, row = number(attempt, "overshoot_mm"), _furthest_past(motion)
    if past is None or row is None or past <= PAST_MM or attempt.core is not None:
        return None
    sd = doubt(attempt, "overshoot_mm")
    return Finding(
        row,
        f"The tip went {millimetres(past, sd)} past the target's far wall.",
        "A needle that has gone through samples what lies behind the target, and stopping in time is "
        "a part of "
        "the exercise.",
        "Slow down when the tip meets the near wall, and stop when it lies in the middle.",
        min(1.0, past / target_size_mm(motion)),
        sure(past - PAST_MM, sd),
    )


def _furthest_past(motion: Motion) -> int | None:
    """Row at which the tip was furthest past the far wall; None when it never reached the near one."""
    if motion.scene.outline_mm is None:
        return None
    walls = wall_crossings_mm(motion.relative_mm, motion.direction, motion.scene.outline_mm)
    reached = np.flatnonzero(np.nan_to_num(walls[:, 0], nan=np.inf) <= 0)
    return int(reached[np.argmin(walls[reached, 1])]) if len(reached) else None


def passes_to_hit(motion: Motion, attempt: Attempt) -> int:
    """Number of passes up to the moment the target was first hit; all of them without a hit.

    Passes after the hit are sampling. A core needle's hit has no such moment: all its passes count.
    """
    hit = judge(motion).hit_row if attempt.core is None else None
    if hit is None:
        return len(motion.passes)
    return sum(one.first_frame <= motion.span.first_frame + hit for one in motion.passes)


def repeated_redirection(motion: Motion, attempt: Attempt) -> Finding | None:
    """More than two passes until the target was first hit, or in all without a hit.

    Evidence: common practice, no source.
    """
    if motion.scene.target is None:
        return None
    count = passes_to_hit(motion, attempt)
    if count <= FEW_PASSES:
        return None
    turns = int(number(attempt, "redirections") or 0)
    often = {1: "once", 2: "twice"}.get(turns, f"{turns} times")
    ways = f"; its direction changed {often}" if turns else ""
    hit = attempt.outcome == "hit" and attempt.core is None
    reached = "before the tip was in the target" if hit else "in all"
    return Finding(
        motion.passes[1].first_frame - motion.span.first_frame,
        f"The needle was pushed forward {count} times {reached}{ways}.",
        "Every pass leaves a track of bubbles that looks like a needle, and correcting deep in the gel bends "
        "the needle more than it turns it.",
        "Take the time before the first push: lay out on the screen where the needle goes in and at what "
        "angle, so that its line leads to the middle of the target.",
        min(1.0, PASS_EFFECT * (count - 1)),
        1.0,
    )


def strokes_on_one_line(motion: Motion, attempt: Attempt) -> Finding | None:
    """Four strokes or more while the tip stays within a quarter of the target's width across the shaft.

    Judged while the tip is inside and in sight, from its 5th to its 95th percentile across. Evidence: common
    practice, no source.
    """
    strokes, outline = number(attempt, "strokes"), motion.scene.outline_mm
    rows = (np.nan_to_num(motion.edge_mm, nan=np.inf) < 0) & motion.visible
    if outline is None or strokes is None or strokes < SAMPLING_STROKES or attempt.core is not None:
        return None
    if not rows.any():
        return None
    unit = np.median(motion.direction[rows], axis=0)
    normal = np.array([-unit[1], unit[0]]) / np.hypot(*unit)
    low, high = np.percentile(motion.relative_mm[rows] @ normal, (5, 95))
    spread, width = float(high - low), outline_extent_mm(outline, normal)
    sd = float(np.nan_to_num(np.median(motion.tip_sd_mm[rows]), nan=1.0))
    return Finding(
        int(np.flatnonzero(rows)[0]),
        f"There were {strokes:.0f} strokes, and inside the target the tip kept to a line: it moved by "
        f"{millimetres(spread, max(sd, FINE_SD_MM))} across, in a target {millimetres(width)} wide.",
        "Strokes along one line sample the same small part of the target over and over.",
        "After two or three strokes draw the tip back to the near wall, turn the needle by a few "
        "degrees, and "
        "stroke again: so the strokes fan out over the target.",
        ONE_LINE_EFFECT * (1 - spread / width),
        sure(ONE_LINE_SHARE * width - spread, sd),
    )


def going_well(motion: Motion, attempt: Attempt) -> Finding | None:
    """A hit in the first pass or the second, the tip in sight nearly all along. Evidence: ours, untested."""
    seen, blind = number(attempt, "tip_visibility_advancing"), number(attempt, "blind_advance_mm")
    past = 0.0 if attempt.core is not None else (number(attempt, "overshoot_mm") or 0.0)
    if attempt.outcome != "hit" or seen is None or blind is None:
        return None
    count = passes_to_hit(motion, attempt)
    if not 0 < count <= FEW_PASSES or seen < PRAISE_SHARE or max(blind, past) >= PRAISE_MM:
        return None
    passes = "In the target with the first pass" if count == 1 else "In the target with the second pass"
    share = "all the time" if seen > 0.995 else f"for {100 * seen:.0f}\u00a0% of the time"
    again = "Lay out the needle's line on the screen before the first push, so that the first pass is enough."
    return Finding(
        int(motion.closest or 0),
        f"{passes}, with the tip in sight {share} that it moved forward: well done.",
        "You saw what you did at every step: that is what lets you correct in time when it goes less well.",
        "Try the same at a smaller or deeper target." if count == 1 else again,
        seen,
        1.0,
    )
