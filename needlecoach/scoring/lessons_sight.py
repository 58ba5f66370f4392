"""Rules of advice on seeing the tip: pushing on unseen, losing the plane, too steep an angle."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from needlecoach.model import Attempt, BoolArray
from needlecoach.scoring.kinematics import true_runs
from needlecoach.scoring.lesson import Finding, doubt, millimetres, number, seconds, sure, target_size_mm
from needlecoach.scoring.motion import Motion

# New depth gained unseen that is worth a word: what makes a pass (ours). That 7 of 10 beginners advanced
# without seeing the needle was shown (Sites et al., Reg Anesth Pain Med 2004;29:544), no bound was.
BLIND_MM = 3.0
# A tip gone for longer than this is no flicker but lost (common practice, no source for the second).
LONG_S = 1.0
# One stretch that makes up this share of the blind advance tells all of it (ours).
MOST_SHARE = 0.6
# Time without the tip on the way in that is worth a word, in all and as a share of that way (ours).
LOST_S, LOST_SHARE = 1.0, 0.15
# A needle that moved by less than this while its tip was lost was held still: a stroke's least size.
STILL_MM = 1.5
# Less of the shaft than this showing while the tip is lost means that all of the needle is gone (ours;
# geometry: a plane beside the needle shows nothing of it, one that crosses it at an angle shows a part).
GONE_SHARE = 0.2
# Needles show best below 30 degrees to the skin, and less with every degree more, about in a line
# (Schafhalter-Zoppoth et al., Reg Anesth Pain Med 2004). Five degrees are left to a skin that is not level,
# and at 60 degrees all of what was not seen is put down to the angle (ours).
FLAT_DEG, STEEP_DEG, STEEPEST_DEG, ANGLE_DOUBT_DEG = 30.0, 35.0, 60.0, 5.0
# Flatter by so much in one step, and no further from the probe than this (ours: a block's width).
STEP_DEG, FURTHEST_MM = 15.0, 40.0
# The tip in sight for less of the way forward than this is poor sight (ours; no published norm was found).
POOR_SHARE = 0.8
# A shaft of which less than this shows while its tip is in sight, so in the plane, shows poorly (ours); a
# needle that shows well there was lost for its plane and not for its angle.
POOR_SHAFT_SHARE = 0.75

ALONE = "Keep the needle still and search with the probe alone: "
SOONER = "Go on keeping the needle still; to find its tip sooner, move the probe with a plan: "


class Spell(NamedTuple):
    """A time without the tip on the way in; rows on end, both included.

    `back` is the row at which the tip was seen again, None when the needle was drawn out before. `gain_mm` is
    depth that the pass had not reached before, `shift_mm` where the tip came back against where it was lost,
    positive inwards.
    """

    first: int
    last: int
    back: int | None
    lasted_s: float
    gain_mm: float
    shift_mm: float


def _end_of_way_in(motion: Motion) -> int:
    """Last row at which the tip was within 2 mm of the last pass's deepest place: then it is drawn out."""
    if not motion.passes:
        return len(motion.time_s) - 1
    deepest = motion.passes[-1].deepest_frame - motion.span.first_frame
    near = motion.depth_mm >= motion.depth_mm[deepest] - 2.0
    return int(np.flatnonzero(near)[-1])


def unseen_spells(motion: Motion) -> list[Spell]:
    """Spells without the tip after it was first seen and before it is drawn out, flicker left out."""
    seen, end = np.flatnonzero(motion.sighted), _end_of_way_in(motion)
    if len(seen) == 0:
        return []
    lost: BoolArray = ~motion.sighted
    lost[: seen[0]] = False
    runs = [(first, last) for first, last in true_runs(lost) if first <= end]
    return [_spell(motion, first, min(last, end), last + 1 if last < end else None) for first, last in runs]


def _spell(motion: Motion, first: int, last: int, back: int | None) -> Spell:
    depth, begun = (
        motion.sighted_depth_mm,
        [one.first_frame - motion.span.first_frame for one in motion.passes],
    )
    start = max((row for row in begun if row < first), default=0)
    until = last if back is None else back
    gain = max(0.0, float(depth[first : until + 1].max()) - float(depth[start:first].max()))
    shift = float(depth[until] - depth[first - 1])
    return Spell(first, last, back, float(motion.weight_s[first : last + 1].sum()), gain, shift)


def _longest(motion: Motion) -> Spell | None:
    return max(unseen_spells(motion), key=lambda spell: spell.gain_mm, default=None)


def _one_long_stretch(motion: Motion, blind_mm: float) -> Spell | None:
    """The spell that makes up most of the blind advance, if it lasted long; None otherwise."""
    spell = _longest(motion)
    if spell is None or spell.lasted_s <= LONG_S or spell.gain_mm < MOST_SHARE * blind_mm:
        return None
    return spell


def _blind(motion: Motion, attempt: Attempt) -> tuple[float, float, float] | None:
    """Blind advance, its effect and its certainty; None when it is not worth a word."""
    blind = number(attempt, "blind_advance_mm")
    if blind is None or blind <= BLIND_MM:
        return None
    certainty = sure(blind - BLIND_MM, doubt(attempt, "blind_advance_mm"))
    return blind, min(1.0, blind / target_size_mm(motion)), certainty


def advancing_unseen(motion: Motion, attempt: Attempt) -> Finding | None:
    """New depth of over 3 mm gained without seeing the tip, in several stretches or in little time.

    Evidence: common practice; that beginners do it was shown (see `BLIND_MM`), the bound is ours.
    """
    found, longest = _blind(motion, attempt), _longest(motion)
    if found is None or longest is None:
        return None
    blind, effect, certainty = found
    if _one_long_stretch(motion, blind) is not None:
        return None
    length = millimetres(blind, doubt(attempt, "blind_advance_mm"))
    return Finding(
        longest.first,
        f"The needle went {length} further in while its tip could not be seen.",
        "What cannot be seen cannot be steered, and the piece of shaft that still shows is easily "
        "taken for the tip.",
        "Stop your hand as soon as the tip fades; bring it back with the probe, and only then go on.",
        effect,
        certainty,
    )


def pushing_on_while_lost(motion: Motion, attempt: Attempt) -> Finding | None:
    """Most of a blind advance of over 3 mm in one spell of over a second without the tip.

    Evidence: common practice, no source for the bounds.
    """
    found = _blind(motion, attempt)
    spell = None if found is None else _one_long_stretch(motion, found[0])
    if found is None or spell is None:
        return None
    _, effect, certainty = found
    longest = number(attempt, "longest_blind_mm") or spell.gain_mm  # as it stands in the report
    length = millimetres(longest, doubt(attempt, "longest_blind_mm"))
    return Finding(
        spell.first,
        f"The tip was out of sight for {seconds(spell.lasted_s)} on end, and the needle went {length} "
        "further in meanwhile.",
        "The longer a needle goes on unseen, the further its tip may be from where you believe it to be.",
        "When the tip has been gone for a second, stop the needle and search with the probe: "
        + _probe(motion, [spell]),
        effect,
        certainty,
    )


def plane_lost(motion: Motion, attempt: Attempt) -> Finding | None:
    """The tip out of sight for a second or more of the way in, and how it was found again.

    How: by the needle's own movement between the last sight and the next; the probe itself is not seen.
    Evidence: common practice, no source.
    """
    spells = [spell for spell in unseen_spells(motion) if spell.lasted_s > 0.3]
    total, way_in = (
        sum(s.lasted_s for s in spells),
        float(motion.weight_s[: _end_of_way_in(motion) + 1].sum()),
    )
    if total < LOST_S or total < LOST_SHARE * way_in:
        return None
    worst = max(spells, key=lambda spell: spell.lasted_s)
    times = "once" if len(spells) == 1 else f"{len(spells)} times, for {seconds(total)} in all"
    lasted = f" for {seconds(total)}" if len(spells) == 1 else ""
    return Finding(
        worst.first,
        f"On the way in the tip was lost {times}{lasted}; {_regained(motion, worst)}",
        "The picture is a slice about a millimetre or two thick: a needle that leaves it by a hair is gone, "
        "and while both hands move it is hard to bring needle and picture together again.",
        (SOONER if _held_still(worst) else ALONE) + _probe(motion, spells),
        min(1.0, total / way_in),
        sure(total - LOST_S / 2, LOST_S / 2),
    )


def _held_still(spell: Spell) -> bool:
    return spell.back is not None and abs(spell.shift_mm) < STILL_MM


def _regained(motion: Motion, spell: Spell) -> str:
    """How the tip of the longest spell came back, as the end of a sentence."""
    if spell.back is None:
        return "it was not found again before the needle was drawn back."
    sd = float(np.nan_to_num(motion.tip_sd_mm[spell.last], nan=STILL_MM))
    if _held_still(spell):
        return "it came back while the needle was held still, which is the right way."
    way = "drawn back" if spell.shift_mm < 0 else "pushed on"
    return f"it came back after the needle had been {way} by {millimetres(abs(spell.shift_mm), sd)}."


def _probe(motion: Motion, spells: list[Spell]) -> str:
    """What to do with the probe, by how much of the shaft still shows while the tip is gone."""
    share = motion.scene.track.shaft_visible_share[motion.frames]
    rows = np.concatenate([share[spell.first : spell.last + 1] for spell in spells])
    shows = float(np.nanmean(rows)) if np.isfinite(rows).any() else 0.0
    if shows < GONE_SHARE:
        return "slide or tilt it by a hair to each side, as hardly any of the needle showed."
    return (
        "rotate it a little, as a part of the shaft still showed, so picture and needle crossed at an angle."
    )


def steep_angle(motion: Motion, attempt: Attempt) -> Finding | None:
    """Steeper than 35 degrees, poorly seen in its plane, the tip in sight for under 80 % of the way forward.

    What a flatter needle would give is geometry: the same target from a skin that is level. Evidence:
    published for the angle (see `FLAT_DEG`), ours for the bound of sight.
    """
    angle, seen = number(attempt, "angle_deg"), number(attempt, "tip_visibility_advancing")
    further = None if angle is None else flatter_mm(motion, angle)
    if angle is None or seen is None or further is None or angle <= STEEP_DEG or seen >= POOR_SHARE:
        return None
    if not _shaft_share(motion) < POOR_SHAFT_SHARE:
        return None
    flatter = max(FLAT_DEG, angle - STEP_DEG)
    return Finding(
        int(motion.closest or 0),
        f"The needle went in at {angle:.0f} degrees to the skin and showed poorly: its tip was in sight for "
        f"{100 * seen:.0f}\u00a0% of the time it moved forward.",
        "A steep needle sends the sound past the probe rather than back to it: needles show best below 30 "
        "degrees, and less with every degree more.",
        f"Go in about {further:.0f} mm further from the probe: the same target then lies at "
        f"{flatter:.0f} degrees.",
        (1 - seen) * min(1.0, (angle - FLAT_DEG) / (STEEPEST_DEG - FLAT_DEG)),
        sure(angle - FLAT_DEG, ANGLE_DOUBT_DEG),
    )


def _shaft_share(motion: Motion) -> float:
    """Median share of the shaft that shows while the tip is in sight; NaN when it never is."""
    share = motion.scene.track.shaft_visible_share[motion.frames][motion.visible]
    share = share[np.isfinite(share)]
    return float(np.median(share)) if len(share) else float("nan")


def flatter_mm(motion: Motion, angle_deg: float) -> float | None:
    """How much further from the probe a needle flatter by 15 degrees, but not below 30, must go in, mm.

    Both lines end in the target's centre and start on a level skin at the region's upper edge. None without a
    target, or when that place would be over 40 mm further away.
    """
    row, scene = motion.closest, motion.scene
    if row is None or angle_deg <= FLAT_DEG:
        return None
    target_y = float(scene.track.target_px[motion.span.first_frame + row, 1])
    depth_mm = (target_y - scene.region.box_px[1]) * scene.scale.y_mm_per_px
    new, old = np.radians(max(FLAT_DEG, angle_deg - STEP_DEG)), np.radians(angle_deg)
    further = float(depth_mm * (1 / np.tan(new) - 1 / np.tan(old)))
    return further if 0 < further <= FURTHEST_MM else None
