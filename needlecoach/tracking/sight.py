"""Whether the tip itself can be seen, frame by frame: its contrast, held against how long sights last."""

from __future__ import annotations

import numpy as np

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.bridge import RESTING_MM_S, speed_mm_s
from needlecoach.tracking.follow import Course
from needlecoach.tracking.kymograph import SAMPLE_MM, FloatImages
from needlecoach.tracking.spot import Spot, tip_places_mm
from needlecoach.tracking.tip import USUAL_MM_S

# A tip stands out when its echo is brighter than the brighter side of its surroundings (mean over so far) and
# than the brightest of what lay at that very place before. Bare speckle does the first by 20 greys, since its
# peaks do, and the second by none; what stands out by 14 dB (60 greys) counts as seen in drawn clips. A tip
# is as likely seen as not when both together give so many on average: a fit to 4162 frames of drawn clips
# gave 46, a little less is taken for the sake of what is borderline.
AS_LIKELY_GREY = 40.0
GREY_PER_NAT = 6.0
DARKEST_GREY = 40.0
# Two looks at the same speckle differ by this much. What is no brighter than that while nothing moves is what
# was there before, however long it shines.
NEW_GREY = 8.0
NOTHING_NEW_NATS = -1.0
NEAR_MM, WIDE_MM, SLIDE_MM, TOP_MM = 1.0, 4.0, 1.0, 0.5
# No single frame is certain. One in which nothing ends where the tip is looked for speaks against it at rest,
# but says little of a fast tip, whose place may be off by some millimetres. It says as little where the tip
# may as well be elsewhere; at the edge of the picture, where needles come and go, that is so more often.
MOST_NATS = 4.0
NO_SPOT_NATS, NO_SPOT_MOVING_NATS = -3.0, -1.0
UNSURE_NATS = -1.0
SIGHT_SD_MM = 3.0
EDGE_MM, EDGE_SD_MM = 8.0, 6.0
# A spot no further from the one in the frame before, on top of the usual speed's way, is the same one.
SAME_SPOT_MM = 0.5
# A hand loses the tip for about half a second at a time and keeps it in sight for several: guesses of ours.
SEEN_FOR_S = 5.0
HIDDEN_FOR_S = 0.7
USUAL_SIGHT = np.array([HIDDEN_FOR_S, SEEN_FOR_S]) / (HIDDEN_FOR_S + SEEN_FOR_S)
CHANGES_PER_S = 1 / HIDDEN_FOR_S + 1 / SEEN_FOR_S
# A scanner draws some 25 pictures a second; a recording that takes more shows each of them several times.
INDEPENDENT_S = 0.04


def tip_in_sight(course: Course, evidence: FloatArray, time_s: FloatArray) -> BoolArray:
    """Tell in which frames the tip itself can be seen, (n_frames,), from their evidence and from each other.

    Notes
    -----
    Two states, in sight or not, that last for a while, and a contrast that speaks for one of them: the
    forward-backward algorithm (Rabiner, Proc IEEE 1989;77:257). A frame or two blurred by a quick move do not
    hide a tip; a lasting loss is dated by the contrast alone.
    """
    near_edge = course.path.position_mm < EDGE_MM
    sure = course.path.sd_mm <= np.where(near_edge, EDGE_SD_MM, SIGHT_SD_MM)
    sure = _followed_on(sure, tip_places_mm(course.spots), evidence, time_s)
    state = lasting(np.where(sure, evidence, np.minimum(evidence, UNSURE_NATS)), time_s)
    return state & np.isfinite(course.path.position_mm)


def _followed_on(
    sure: BoolArray, places_mm: FloatArray, evidence: FloatArray, time_s: FloatArray
) -> BoolArray:
    """Frames that are sure, and those whose bright spot is a sure frame's, followed from one to the next."""
    way_mm = SAME_SPOT_MM + USUAL_MM_S * np.diff(time_s)
    same = (evidence[1:] > 0) & (evidence[:-1] > 0) & (np.abs(np.diff(places_mm)) <= way_mm)
    known = sure.copy()
    for i in np.flatnonzero(same):
        known[i + 1] |= known[i]
    for i in np.flatnonzero(same)[::-1]:
        known[i] |= known[i + 1]
    return known


def sight_evidence(course: Course, time_s: FloatArray) -> FloatArray:
    """Log odds that the tip is seen rather than not, from what each frame shows at its place, (n_frames,)."""
    at_rest = speed_mm_s(np.nan_to_num(course.path.position_mm), time_s) < RESTING_MM_S
    no_spot = np.where(at_rest, NO_SPOT_NATS, NO_SPOT_MOVING_NATS)
    evidence = no_spot.astype(float)
    for i, spot in enumerate(course.spots):
        if spot is not None:
            evidence[i] = spot_evidence(spot, course.grey[i], course.before[i], at_rest=bool(at_rest[i]))
    return evidence


def spot_evidence(spot: Spot, grey: FloatImages, before: FloatImages, *, at_rest: bool) -> float:
    """Log odds that a spot is a tip that is seen; the strip (n,) as it is and as it was before."""
    if spot.grey < DARKEST_GREY:
        return -MOST_NATS
    excess, over_before = _contrast(before, grey, spot)
    shown = (excess + over_before) / 2 if np.isfinite(over_before) else excess
    evidence = float(np.clip((shown - AS_LIKELY_GREY) / GREY_PER_NAT, -MOST_NATS, MOST_NATS))
    return min(evidence, NOTHING_NEW_NATS) if at_rest and over_before < NEW_GREY else evidence


def _contrast(before: FloatImages, grey: FloatImages, spot: Spot) -> tuple[float, float]:
    """By how many greys the tip exceeds its surroundings, and what lay at its place before (NaN: unknown)."""
    centre = round(spot.tip_mm / SAMPLE_MM)
    near, wide = round(NEAR_MM / SAMPLE_MM), round(WIDE_MM / SAMPLE_MM)
    slide, top = round(SLIDE_MM / SAMPLE_MM), round(TOP_MM / SAMPLE_MM)
    known = np.isfinite(_part(before, centre - wide, centre + wide)).any()
    reference = before if known else grey.copy()
    if not known:  # the tip is none of its own surroundings
        _part(reference, centre - top, centre + top + 1)[:] = np.nan
    sides = [
        _part(reference, centre - near, centre + near + 1),
        _part(reference, centre + near, centre + wide),
    ]
    excess = spot.grey - max((float(np.nanmean(s)) for s in sides if np.isfinite(s).any()), default=0.0)
    was = _part(before, centre - slide, centre + slide + 1)
    now = _part(grey, centre - top, centre + top + 1)
    if not now.size or not np.isfinite(was).any():
        return excess, np.nan
    return excess, float(now.max()) - float(np.nanmax(was))


def _part(strip: FloatImages, first: int, end: int) -> FloatImages:
    """Samples from first up to, not including, end, as far as the strip reaches."""
    return strip[max(first, 0) : max(end, 0)]


def chance_after(before: float | None, evidence: float, step_s: float) -> float:
    """Chance that the tip is seen, 0-1, from that a step before (None at the start) and a frame's evidence.

    The forward half of what `lasting` does with all frames.
    """
    kept = np.exp(-step_s * CHANGES_PER_S)
    usual = float(USUAL_SIGHT[1])
    came = usual if before is None else kept * before + (1 - kept) * usual
    odds = came / (1 - came) * np.exp(evidence * min(step_s / INDEPENDENT_S, 1.0))
    return float(np.clip(odds / (1 + odds), 1e-6, 1 - 1e-6))


def lasting(evidence: FloatArray, time_s: FloatArray) -> BoolArray:
    """The likelier of two states in every frame, given that each lasts for a while, (n_frames,).

    Parameters
    ----------
    evidence : (n_frames,)
        Log odds of "yes" in each frame.
    time_s : (n_frames,) presentation times; frames far apart hardly tell of each other.
    """
    n = len(evidence)
    if n > 1:
        evidence = evidence * np.minimum(np.gradient(time_s) / INDEPENDENT_S, 1.0)
    like = np.exp(np.stack([np.minimum(-evidence, 0.0), np.minimum(evidence, 0.0)], axis=1))
    usual, kept = USUAL_SIGHT, np.exp(-np.diff(time_s) * CHANGES_PER_S)
    forward, back = np.zeros((n, 2)), np.ones((n, 2))
    for i in range(n):
        came = usual if i == 0 else kept[i - 1] * forward[i - 1] + (1 - kept[i - 1]) * usual
        forward[i] = came * like[i] / (came * like[i]).sum()
    for i in range(n - 2, -1, -1):
        coming = like[i + 1] * back[i + 1]
        back[i] = kept[i] * coming + (1 - kept[i]) * (usual * coming).sum()
        back[i] /= back[i].sum()
    odds = forward * back
    return np.asarray(odds[:, 1] > odds[:, 0])
