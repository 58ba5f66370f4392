"""The figures of one attempt that need no target: sight, depth, angle, travel, speed and smoothness.

One function per column of attempts.csv, each from a `Motion` to a `Reading`. Evidence grades are explained in
`columns.EVIDENCE_MEANING`.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from needlecoach.model import BoolArray, FloatArray
from needlecoach.scoring.kinematics import (
    ROUNDING_S,
    even_speed,
    log_dimensionless_jerk,
    spectral_arc_length,
    travel_mm,
    true_runs,
    turning_points,
    weighted_quantile,
)
from needlecoach.scoring.motion import Motion
from needlecoach.scoring.passes import STROKE_MM, count_strokes
from needlecoach.scoring.uncertainty import gain_sd_mm, travel_sd_mm

REDIRECTION_DEG = 3.0
LOSS_S = 0.3
# Below this the tip counts as held still: twice what 0.2 mm of tracking noise leaves in the smoothed speed.
MOVING_MM_S = 1.0
# When sight is lost or found is known to about half a frame; and a tip that slips out of the beam's plane
# fades over a few hundredths of a second, so that careful observers differ by about as much.
FRAMES_OF_DOUBT = 0.5
FADE_S = 0.04
# What stays within this of one place is jitter, not travel.
SLACK_MM = 0.25
# By so much travel differs from the true one over drawn clips, root mean square, beside what is told apart.
ROUGH_SHARE = 0.04


class Reading(NamedTuple):
    """A value and its standard uncertainty; None means unknown."""

    value: float | int | None
    sd: float | None = None


BLANK = Reading(None)


def passes(motion: Motion) -> Reading:
    """Number of passes: forward excursions of at least 3 mm after an entry or a withdrawal.

    Unit: none. Evidence: common practice. Source: none for these limits.
    """
    return Reading(len(motion.passes))


def strokes(motion: Motion) -> Reading:
    """Number of to-and-fro movements of 1.5 to under 5 mm that are no pass.

    Unit: none. Evidence: ours, untested. Source: none.
    """
    return Reading(count_strokes(motion.depth_mm, motion.passes, first_frame=motion.span.first_frame))


def redirections(motion: Motion) -> Reading:
    """Number of passes whose median angle on the way in differs by over 3 degrees from the pass before.

    The angle of a pass is the time-weighted median from its first frame to its deepest, where it is steered.

    Unit: none. Evidence: common practice. Source: none for these limits.
    """
    track = motion.scene.track
    medians = []
    for one in motion.passes:
        rows = slice(one.first_frame, one.deepest_frame + 1)
        medians.append(weighted_quantile(track.angle_deg[rows], track.frame_durations_s[rows], 0.5))
    if any(angle is None for angle in medians):
        return BLANK if len(medians) > 1 else Reading(0)
    known = [angle for angle in medians if angle is not None]
    return Reading(sum(abs(b - a) > REDIRECTION_DEG for a, b in pairwise(known)))


def _share(weight_s: FloatArray, part: BoolArray) -> Reading:
    total = float(weight_s.sum())
    return Reading(float(weight_s[part].sum()) / total) if total > 0 else BLANK


def tip_visibility_share(motion: Motion) -> Reading:
    """Time with the tip visible over the time with the needle in, 0-1.

    Closed gaps count as time with the needle in; blank for a single frame, which stands for no time.

    Unit: none. Evidence: common practice. Source: none, and no published norm.
    """
    return _share(motion.weight_s, motion.visible)


def _advancing(motion: Motion) -> BoolArray:
    return motion.advance_mm_s > MOVING_MM_S


def tip_visibility_advancing(motion: Motion) -> Reading:
    """The same share over the time the tip moves forward at over 1 mm/s, 0-1.

    Blank when it never does.

    Unit: none. Evidence: common practice. Source: none, and no published norm.
    """
    moving = _advancing(motion)
    return _share(motion.weight_s[moving], motion.visible[moving])


def _blind_runs(motion: Motion) -> list[Reading]:
    """New depth gained in each unbroken run of frames without a visible tip, over all passes.

    The step that ends in a hidden frame is blind. So is the step back into sight as far as it is longer than
    those beside it: a tip that reappears deeper than it was lost got there unseen. A needle that was well in
    before its tip was first seen tells nothing: where that tip was is not known. What a spring threw it is no
    advance of the hand.
    """
    runs: list[Reading] = []
    for one in motion.passes:
        start = one.first_frame - motion.span.first_frame
        rows = slice(start, one.last_frame - motion.span.first_frame + 1)
        gained = np.diff(np.maximum.accumulate(motion.sighted_depth_mm[rows]), prepend=-np.inf)
        gained[0] = 0.0
        if motion.thrown is not None:
            before, after = (max(row - start, 0) for row in motion.thrown)
            gained[before : after + 1] = 0.0
        for first, last in true_runs(~motion.visible[rows]):
            if motion.began_deep and not motion.visible[: start + first].any():
                continue
            leap = _leap_mm(gained, first, last)
            gain = float(gained[first : last + 1].sum()) + leap
            if gain > 0:
                runs.append(Reading(gain, _run_sd_mm(motion, gained, start, first, last, gain)))
    return runs


def _leap_mm(gained: FloatArray, first: int, last: int) -> float:
    """Part of the step back into sight that no step beside it explains, mm."""
    if last + 1 >= len(gained):
        return 0.0
    beside = [gained[row] for row in (first - 1, last, last + 2) if 0 <= row < len(gained)]
    return max(0.0, float(gained[last + 1]) - float(max(beside)))


def _spacing_s(motion: Motion) -> float:
    return float(np.median(np.diff(motion.time_s))) if len(motion.time_s) > 1 else FADE_S


def _run_sd_mm(
    motion: Motion, gained: FloatArray, start: int, first: int, last: int, gain_mm: float
) -> float:
    """Standard uncertainty of one run's gain: that of the depth and of the moment at both its ends.

    A run that gains up to its end, ends where the tip is seen again; another where it reached furthest.
    """
    doubt = float(np.hypot(FRAMES_OF_DOUBT, FADE_S / _spacing_s(motion)))
    found = last + 1 < len(gained) and gained[last + 1] > 0
    end = last + 1 if found else first + int(np.flatnonzero(gained[first : last + 1] > 0)[-1])
    back_mm = min(float(gained[last]), float(gained[last + 1])) if found else 0.0
    return gain_sd_mm(
        gain_mm,
        tip_sd_mm=[float(np.nan_to_num(motion.tip_sd_mm[start + row])) for row in (max(first - 1, 0), end)],
        moment_sd_mm=[doubt * float(gained[first]), doubt * back_mm],
        scale_sd_share=motion.scene.scale.sd_share,
    )


def blind_advance_mm(motion: Motion) -> Reading:
    """New depth gained within passes while the tip could not be seen, mm, tremor removed.

    Its uncertainty is that of the depth and of the moment at which sight was lost and found again, for every
    run that gained depth. None is stated where nothing was gained: what was overlooked is not known.

    Unit: mm. Evidence: ours, untested. Source: of the fault, not of this measure: Sites et al.,
    Reg Anesth Pain Med 2004;29:544, where 7 of 10 novices advanced without seeing the needle.
    """
    runs = _blind_runs(motion)
    if not runs:
        return Reading(0.0)
    total = sum(float(run.value or 0.0) for run in runs)
    return Reading(total, float(np.sqrt(sum((run.sd or 0.0) ** 2 for run in runs))))


def longest_blind_mm(motion: Motion) -> Reading:
    """The longest single run of new depth gained without seeing the tip, mm.

    Unit: mm. Evidence: ours, untested. Source: none.
    """
    return max(_blind_runs(motion), key=lambda run: run.value or 0.0, default=Reading(0.0))


def _losses(motion: Motion) -> list[tuple[float, bool]]:
    """Seconds, and whether the tip was found again, of each loss of over 0.3 s after it was first seen."""
    seen = np.flatnonzero(motion.sighted)
    if len(seen) == 0:
        return []
    lost = ~motion.sighted
    lost[: seen[0]] = False
    runs = [(float(motion.weight_s[a : b + 1].sum()), b < seen[-1]) for a, b in true_runs(lost)]
    return [run for run in runs if run[0] > LOSS_S + ROUNDING_S]


def plane_losses(motion: Motion) -> Reading:
    """Times the tip, once seen, was out of sight for over 0.3 s, to the attempt's end included.

    Unit: none. Evidence: ours, untested. Source: none.
    """
    return Reading(len(_losses(motion)))


def mean_recovery_s(motion: Motion) -> Reading:
    """Mean time from losing the tip to seeing it again, s; blank when it was never lost and found.

    Unit: s. Evidence: ours, untested. Source: none.
    """
    found = [length for length, again in _losses(motion) if again]
    return Reading(float(np.mean(found))) if found else BLANK


def _angle(motion: Motion, quantile: float) -> float | None:
    track, rows = motion.scene.track, motion.frames
    weights = motion.weight_s * track.needle_present[rows]
    # A lone frame stands for no time, and still has an angle.
    return weighted_quantile(track.angle_deg[rows], weights if weights.any() else weights + 1, quantile)


def angle_deg(motion: Motion) -> Reading:
    """Median angle of the shaft to the picture's horizontal, degrees, weighted by time.

    Unit: deg. Evidence: plain reading. Source: none.
    """
    return Reading(_angle(motion, 0.5))


def angle_iqr_deg(motion: Motion) -> Reading:
    """Interquartile range of that angle, degrees.

    Unit: deg. Evidence: plain reading. Source: none.
    """
    low, high = _angle(motion, 0.25), _angle(motion, 0.75)
    return Reading(high - low) if low is not None and high is not None else BLANK


def _by_hand(motion: Motion) -> list[FloatArray]:
    """The tip's way, (n, 2), before a spring threw it and after; in one where none did."""
    if motion.thrown is None:
        return [motion.tip_mm]
    before, after = motion.thrown
    return [motion.tip_mm[: before + 1], motion.tip_mm[after:]]


def path_mm(motion: Motion) -> Reading:
    """Distance travelled by the tip in the picture's plane, mm, jitter and a spring's throw left out.

    Its uncertainty is that of the tip where it turns, of the slack by which jitter is left out, of the scale,
    and a share for what errors and smoothing from picture to picture do to the way's length.

    Unit: mm. Evidence: common practice. Source: none for this definition.
    """
    travel = sum(float(travel_mm(part, slack_mm=SLACK_MM)[-1]) for part in _by_hand(motion))
    turns = turning_points(motion.depth_mm, threshold=STROKE_MM[0])
    if len(turns) < 2:
        return Reading(travel)
    sd = travel_sd_mm(
        travel,
        turn_sd_mm=np.nan_to_num(motion.tip_sd_mm[turns]).tolist(),
        slack_mm=SLACK_MM,
        rough_share=ROUGH_SHARE,
        scale_sd_share=motion.scene.scale.sd_share,
    )
    return Reading(travel, sd)


def path_efficiency(motion: Motion) -> Reading:
    """Straight distance from entry to closest approach over the travel up to there, 0-1.

    Where a spring threw the point before that, both up to where it was thrown from. Blank without a target,
    and when the tip travelled under a millimetre.

    Unit: none. Evidence: common practice. Source: none for this definition.
    """
    closest = motion.closest
    if closest is None:
        return BLANK
    if motion.thrown is not None:
        closest = min(closest, motion.thrown[0])
    travel = float(travel_mm(motion.tip_mm[: closest + 1])[-1])
    straight = float(np.hypot(*(motion.tip_mm[closest] - motion.tip_mm[0])))
    return Reading(min(1.0, straight / travel)) if travel >= 1.0 else BLANK


def mean_advance_mm_s(motion: Motion) -> Reading:
    """Mean speed along the shaft over the time the tip moves forward at over 1 mm/s, mm/s.

    A spring's throw is left out, from the last frame before it to the first after it.

    Unit: mm/s. Evidence: plain reading. Source: none.
    """
    moving = _advancing(motion)
    total = float(motion.weight_s[moving].sum())
    if total <= 0:
        return BLANK
    return Reading(float((motion.advance_mm_s[moving] * motion.weight_s[moving]).sum()) / total)


def peak_advance_mm_s(motion: Motion) -> Reading:
    """Highest smoothed forward speed along the shaft, mm/s; blank when the tip never moved forward.

    A spring's throw is left out, from the last frame before it to the first after it.

    Unit: mm/s. Evidence: plain reading. Source: none.
    """
    peak = float(motion.advance_mm_s.max())
    return Reading(peak) if peak > MOVING_MM_S else BLANK


def _even_speed(motion: Motion) -> tuple[FloatArray, float] | None:
    """Speed for the measures of smoothness; None unless the tip was seen for at least half of the time.

    Up to where a spring threw the point: to leave a piece out of the middle would make a jerk of its own.
    """
    share = tip_visibility_share(motion).value
    if share is None or share < 0.5:
        return None
    first, last = np.flatnonzero(motion.known)[[0, -1]]
    if motion.thrown is not None:
        last = min(last, motion.thrown[0])
    return even_speed(motion.time_s[first : last + 1], motion.raw_tip_mm[first : last + 1])


def smoothness_sparc(motion: Motion) -> Reading:
    """Spectral arc length of tip speed over the attempt, no unit, 0 is smoothest.

    Of a core needle that was seen to be thrown, up to the throw.
    Low-passed at 3 Hz (half power). Blank under 15 frames/s and when the tip was seen for under half of the
    time, since a guessed tip is smooth by making.

    Unit: none. Evidence: published. Source: Balasubramanian et al., IEEE Trans Biomed Eng 2012; J
    NeuroEng Rehabil 2015;12:112 (what was shown: from memory).
    """
    speed = _even_speed(motion)
    return BLANK if speed is None else Reading(spectral_arc_length(*speed))


def smoothness_ldlj(motion: Motion) -> Reading:
    """Log dimensionless jerk of tip speed over the attempt, no unit, nearer to 0 is smoother.

    Of a core needle that was seen to be thrown, up to the throw. Low-passed at 3 Hz (half power); blank as
    for `smoothness_sparc`.

    Unit: none. Evidence: published. Source: Balasubramanian et al., J NeuroEng Rehabil 2015;12:112
    (what was shown: from memory).
    """
    speed = _even_speed(motion)
    return BLANK if speed is None else Reading(log_dimensionless_jerk(*speed))
