"""Rules of advice for a core needle, which samples behind its point; all of them need its figures."""

from __future__ import annotations

import numpy as np

from needlecoach.model import Attempt
from needlecoach.scoring.geometry import wall_crossings_mm
from needlecoach.scoring.lesson import FINE_SD_MM, Finding, doubt, millimetres, number, sure
from needlecoach.scoring.motion import Motion

# Off the best place to fire from by less than this is as good as a hand can hold (ours).
HOLD_MM = 2.0
# Less of the notch inside than this share of what would go in is a lost sample (ours).
POOR_NOTCH_SHARE = 0.5
# A fired point nearer to the picture's edge than this is about to leave what can be seen (common practice,
# no source); all is lost when it leaves.
EDGE_MM = 5.0
# Less than this is nothing, as the tables round it.
NOTHING_MM = 0.05

AIM_NOTCH = (
    "Push the inner needle on until the middle of the notch lies in the middle of the target, then fire."
)
AIM_THROW = "Before you fire, add the throw to where the point is, and see where the notch will come to lie."


def _sampling_row(motion: Motion, attempt: Attempt) -> int:
    """Row before the firing where one was seen, of the sampling moment otherwise."""
    core = attempt.core
    assert core is not None
    frame = core.frame if core.before_frame is None else core.before_frame
    return frame - motion.span.first_frame


def _told_row(motion: Motion, attempt: Attempt) -> int:
    """Row that advice refers to: of the firing where one was seen, of the sampling moment otherwise."""
    core = attempt.core
    assert core is not None
    return (core.frame if core.fired_frame is None else core.fired_frame) - motion.span.first_frame


def best_notch_mm(motion: Motion, attempt: Attempt) -> float | None:
    """Most of the notch that this shaft's line can put inside the outline, mm; None when it misses it."""
    outline, notch = motion.scene.outline_mm, number(attempt, "notch_length_mm")
    if outline is None or notch is None or attempt.core is None:
        return None
    row = _sampling_row(motion, attempt)
    walls = wall_crossings_mm(motion.relative_mm[[row]], motion.direction[[row]], outline)[0]
    return min(notch, float(walls[1] - walls[0])) if np.isfinite(walls).all() else None


def _held_mm(motion: Motion, attempt: Attempt) -> float | None:
    """Tip's place against the best one to fire from, mm along the shaft, positive too deep; None unknown."""
    core = attempt.core
    if core is None or core.best_tip_px is None:
        return None
    row = _sampling_row(motion, attempt)
    best = motion.scene.scale.to_mm(np.asarray(core.best_tip_px))
    off = float((motion.tip_mm[row] - best) @ motion.direction[row])
    return off if np.isfinite(off) else None


def _sampled_as_it_stood(attempt: Attempt) -> bool:
    """Whether a needle hit without a firing seen: its sheath may have been closed over the notch unseen.

    What would have come of firing it from there is then nothing to mend.
    """
    return attempt.core is not None and attempt.core.fired_frame is None and attempt.outcome == "hit"


def _share_lost(motion: Motion, attempt: Attempt, name: str) -> float | None:
    inside, best = number(attempt, name), best_notch_mm(motion, attempt)
    if inside is None or best is None or best <= 0:
        return None
    return float(np.clip(1 - inside / best, 0, 1))


def _notch_part(value_mm: float, sd_mm: float, *, only: str = "") -> str:
    """How much of the notch, in words: "none" as the headline has it."""
    return "none" if value_mm < NOTHING_MM else f"{only}{millimetres(value_mm, sd_mm)}"


def _along_mm(value_mm: float, sd_mm: float) -> str:
    """A place along the shaft; to a tenth where that is known, so that a reader can add places up."""
    return f"{value_mm:.1f} mm" if sd_mm < FINE_SD_MM else millimetres(value_mm, sd_mm)


def _held_words(attempt: Attempt, off_mm: float) -> str:
    """Where the point was, and how far short of the best place to fire from, or beyond it."""
    sd, best = doubt(attempt, "best_fire_depth_mm"), number(attempt, "best_fire_depth_mm")
    off = f"{_along_mm(abs(off_mm), sd)} {'beyond' if off_mm > 0 else 'short of'} the best place to fire from"
    if best is None or best + off_mm < 0:
        return f"with the point {off}"
    return f"with the point {_along_mm(best + off_mm, sd)} in, {off}"


def _fired_wrong(motion: Motion, attempt: Attempt, sign: int) -> Finding | None:
    """Finding for a point held too shallow (sign -1) or too deep (1) when the needle was fired."""
    off, lost = _held_mm(motion, attempt), _share_lost(motion, attempt, "notch_in_target_fired_mm")
    inside, best = number(attempt, "notch_in_target_fired_mm"), best_notch_mm(motion, attempt)
    if off is None or lost is None or inside is None or best is None or off * sign <= HOLD_MM:
        return None
    if _sampled_as_it_stood(attempt):
        return None
    sd = doubt(attempt, "notch_in_target_fired_mm")
    core = attempt.core
    fired = core is not None and core.fired_frame is not None
    begins = "The needle was fired" if fired else "The needle was held"
    lies = "lay in the target" if fired else "would lie in the target if it were fired from there"
    return Finding(
        _told_row(motion, attempt),
        f"{begins} {_held_words(attempt, off)}: {_notch_part(inside, sd)} of its notch {lies}; fired from "
        f"the best place, {millimetres(best, sd)} {'would have lain' if fired else 'would lie'} there.",
        "Only what lies beside the notch is cut, so the place of the point at the moment of firing decides "
        "where the sample comes from.",
        AIM_NOTCH if core is not None and core.fired_part == "sheath" else AIM_THROW,
        lost,
        sure(abs(off) - HOLD_MM, sd),
    )


def fired_short(motion: Motion, attempt: Attempt) -> Finding | None:
    """The point held over 2 mm before the best place to fire from. Evidence: plain geometry, bound ours."""
    return _fired_wrong(motion, attempt, -1)


def fired_too_deep(motion: Motion, attempt: Attempt) -> Finding | None:
    """The point held over 2 mm beyond the best place to fire from. Evidence: plain geometry, bound ours."""
    return _fired_wrong(motion, attempt, 1)


def notch_outside(motion: Motion, attempt: Attempt) -> Finding | None:
    """The point inside the target when the needle sampled, and less than half of what could be of the notch.

    Evidence: plain geometry; the bound is ours.
    """
    lost, inside = _share_lost(motion, attempt, "notch_in_target_mm"), number(attempt, "notch_in_target_mm")
    core, best = attempt.core, best_notch_mm(motion, attempt)
    if core is None or lost is None or inside is None or best is None or lost <= 1 - POOR_NOTCH_SHARE:
        return None
    row = int(np.clip(core.frame - motion.span.first_frame, 0, len(motion.time_s) - 1))
    if not motion.edge_mm[row] < 0:
        return None
    sd = doubt(attempt, "notch_in_target_mm")
    return Finding(
        row,
        f"The point was inside the target, but {_notch_part(inside, sd, only='only ')} of the notch; "
        f"{millimetres(best, sd)} could have been.",
        "A core needle samples from the notch behind its point, so a point in the target is not yet a sample "
        "from it.",
        "Watch the notch, not the point: bring the middle of the notch to the middle of the target.",
        lost,
        sure(POOR_NOTCH_SHARE * best - inside, sd),
    )


def fired_towards_the_edge(motion: Motion, attempt: Attempt) -> Finding | None:
    """The fired point under 5 mm from the picture's edge, or beyond. Evidence: common practice, no source."""
    left = number(attempt, "fired_tip_to_edge_mm")
    if attempt.core is None or left is None or left >= EDGE_MM or _sampled_as_it_stood(attempt):
        return None
    sd = doubt(attempt, "fired_tip_to_edge_mm")
    where = (
        f"{millimetres(left, sd)} before the picture's edge"
        if left > 0
        else f"{millimetres(-left, sd)} outside the picture"
    )
    ends = "ended" if attempt.core.fired_frame is not None else "would end"
    return Finding(
        _told_row(motion, attempt),
        f"Fired from here the point {ends} {where}.",
        "A needle that is fired out of the picture ends where nobody sees it.",
        "Before firing, move the probe along the needle until the throw fits into the picture beyond "
        "the point.",
        min(1.0, (EDGE_MM - left) / EDGE_MM),
        sure(EDGE_MM - left, sd),
    )
