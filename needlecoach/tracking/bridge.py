"""The tip's path where the tip is out of sight: bridged between two sights, left open where it is lost."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.between import onward_mm, out_and_back_mm, unspent_mm_s
from needlecoach.tracking.doubt import BRIDGE_SD_MM, DEEPER_SD_SHARE, OUT_SD_SHARE, astray_mm
from needlecoach.tracking.tip import TipPath, spells

# A tip known to no better than this is not reported at the ends of a stay.
LOST_SD_MM = 6.0
# A needle last seen within this of the edge has left; one lost deeper, for no longer than this, was out of
# sight.
BRIDGE_DEPTH_MM = 8.0
BRIDGE_S = 4.0
# A shorter loss of sight is motion blur: the path itself knows better.
BRIDGE_FROM_S = 0.3
# For so long after it is found again, or before it is lost, a tip's place may be vague (over this sd) or off
# the line that it follows further on (by over so much).
SETTLE_S, SETTLED_SD_MM, SETTLED_MM = 0.15, 1.2, 1.0
MOST_INNER = 20
# Motion alone runs ahead of the tip by up to about this much.
BRIDGE_BEYOND_MM = 3.0
# A tip out of sight is dimmer than one that is seen, so its picture reaches less far beyond it: by anything
# from nothing to as much, by half on average.
HIDDEN_LEAD_SHARE = 0.5
# What moved this far beyond an end at rest (slower than this, over this span) was deeper than that end.
BEYOND_SIGHT_MM = 5.0
DIM_GREY = 20.0
RESTING_MM_S = 8.0
REST_SPAN_S = 0.3
# An end that makes so long and so quick a way in so short a time, from rest to rest, is not moved by a hand.
LEAP_S, LEAP_MM, LEAP_MM_S = 0.2, 6.0, 55.0
# A single stray change deep down pulls motion there for a moment, not for this long.
LEAST_REST_S = 0.4
# A path this sure is kept where it does not draw back behind the bridge by more than this.
KNOWN_SD_MM = 1.0
DRAWN_BACK_MM = 1.0


def beyond_sight(path: TipPath, by_motion: TipPath, end_grey: FloatArray, time_s: FloatArray) -> BoolArray:
    """Tell where the strip has moved well beyond a dim end that is seen at rest, (n_frames,).

    Then that end is not the tip, which is the whitest point, but the place where the shaft leaves the beam's
    plane. Only where both rest: motion runs ahead of a tip that moves.

    Parameters
    ----------
    end_grey : (n_frames,)
        Grey value of the end that is seen; NaN without one.
    """
    seen_mm, moved_mm = np.nan_to_num(path.position_mm), np.nan_to_num(by_motion.position_mm)
    at_rest = np.maximum(speed_mm_s(seen_mm, time_s), speed_mm_s(moved_mm, time_s)) < RESTING_MM_S
    dim = end_grey < np.nanmedian(end_grey) - DIM_GREY if np.isfinite(end_grey).any() else False
    beyond = dim & (seen_mm > 0) & (moved_mm > seen_mm + BEYOND_SIGHT_MM)
    doubtful = np.zeros(len(time_s), dtype=bool)
    for first, end in spells(beyond & at_rest):
        if time_s[end - 1] - time_s[first] >= LEAST_REST_S:
            # Just before and after such a rest it is the same end that is seen.
            doubtful |= (time_s > time_s[first] - REST_SPAN_S) & (time_s < time_s[end - 1] + REST_SPAN_S)
    return np.asarray(beyond & doubtful)


def leapt_back(position_mm: FloatArray, time_s: FloatArray) -> BoolArray:
    """Tell where the end that is seen has leapt back and not yet leapt forward again, (n_frames,).

    As a tip slides out of the plane, the end of what shows of the shaft runs back along it, faster than a
    needle is drawn back, stops at once, and runs forward again when the tip comes back. A hand speeds up and
    slows down.
    """
    back, forth = (_leaps(sign * position_mm, time_s) for sign in (-1.0, 1.0))
    hidden = np.zeros(len(time_s), dtype=bool)
    for start, landed in back:
        for left, end in forth:
            if left >= landed and time_s[left] - time_s[landed] < BRIDGE_S:
                shallow = min(position_mm[start], position_mm[end]) - BRIDGE_BEYOND_MM
                hidden[start + 1 : end] |= bool(np.nanmax(position_mm[landed : left + 1]) < shallow)
                break
    return hidden


def _leaps(position_mm: FloatArray, time_s: FloatArray) -> list[tuple[int, int]]:
    """First and last frame of every quick forward move between two rests."""
    n, leaps = len(time_s), []
    spacing_s = float(np.median(np.diff(time_s))) if n > 1 else LEAP_S
    for reach in range(1, max(1, round(LEAP_S / spacing_s)) + 1):
        start = np.arange(reach, n - 2 * reach)
        leap = position_mm[start + reach] - position_mm[start]
        rest = 0.3 * leap
        quick = (leap >= LEAP_MM) & (leap >= LEAP_MM_S * (time_s[start + reach] - time_s[start]))
        quick &= np.abs(position_mm[start] - position_mm[start - reach]) <= rest
        quick &= np.abs(position_mm[start + 2 * reach] - position_mm[start + reach]) <= rest
        leaps += [(int(at), int(at + reach)) for at in start[quick]]
    return sorted(leaps)


def speed_mm_s(position_mm: FloatArray, time_s: FloatArray) -> FloatArray:
    """Speed over a third of a second about each frame, (n_frames,): one frame's jitter is no movement."""
    if len(time_s) < 2:
        return np.zeros(len(time_s))
    half = max(1, round(REST_SPAN_S / 2 / float(np.median(np.diff(time_s)))))
    frames = np.arange(len(time_s))
    early, late = np.maximum(frames - half, 0), np.minimum(frames + half, len(frames) - 1)
    return np.asarray(np.abs(position_mm[late] - position_mm[early]) / (time_s[late] - time_s[early]))


def resting(position_mm: FloatArray, time_s: FloatArray) -> BoolArray:
    """Where a path moves no faster than a needle at rest seems to, (n_frames,)."""
    return np.asarray(speed_mm_s(np.nan_to_num(position_mm), time_s) < RESTING_MM_S)


def bridge_hidden(
    path: TipPath, by_motion: TipPath, seen: BoolArray, time_s: FloatArray, doubt_mm: FloatArray | None = None
) -> TipPath:
    """Replace the path between two sights of the tip by what those sights and the strip's motion allow.

    While the tip is out of sight the end of what can be seen says little: a shaft that leaves the beam's
    plane looks like one that is pulled back. The tip is taken to move evenly from where it went out of sight
    to where it came back, to have gone on and turned where it was lost going on and found coming back, or to
    be as deep as anything was seen moving.

    Parameters
    ----------
    path, by_motion : paths from the whole evidence, and from motion alone
    seen : (n_frames,) bool
        Where the tip itself can be seen. A glimpse shorter than 0.3 s and far
        behind the sights around it is an echo of something else.
    doubt_mm : (n_frames,), optional
        Error of the sights, where it is not that of the path.
    """
    doubt_mm = path.sd_mm if doubt_mm is None else doubt_mm
    position, sd = path.position_mm.copy(), path.sd_mm.copy()
    present = path.present.copy()
    ahead_mm = HIDDEN_LEAD_SHARE * _lead_mm(path, by_motion, seen, time_s)
    ahead_sd_mm = ahead_mm / np.sqrt(3)
    for first, last in _gaps_in_sight(position, sd, seen, time_s):
        hidden = np.arange(first + 1, last)
        if not hidden.size:  # a hole in the recording
            continue
        share = (time_s[hidden] - time_s[first]) / (time_s[last] - time_s[first])
        between = onward_mm(path.position_mm, seen, time_s, int(first), int(last))
        moved = np.nan_to_num(by_motion.position_mm[hidden], nan=0.0)
        # Where the whole evidence agrees on one place no shallower than that, it knows better.
        shown, shown_sd = path.position_mm[hidden], path.sd_mm[hidden]
        known = (shown_sd <= KNOWN_SD_MM) & (shown >= between - DRAWN_BACK_MM)
        deeper = ~known & (moved > max(position[first], position[last]) + BRIDGE_BEYOND_MM)
        deeper = _on_the_way(deeper, ~known & (moved - ahead_mm > between))
        position[hidden] = np.where(known, shown, np.where(deeper, moved - ahead_mm, between))
        way_mm = float(position[last] - position[first])
        unspent = unspent_mm_s(path.position_mm, seen, time_s, int(first), int(last))
        sight_s = time_s[first : last + 1]
        out = np.zeros(len(hidden)) if known.mean() > 0.5 else out_and_back_mm(way_mm, sight_s, unspent)
        position[hidden] = np.maximum(position[hidden] + np.where(known | deeper, 0.0, out), 0.0)
        astray = np.hypot(
            astray_mm(way_mm, sight_s, unspent if not out.any() else (0.0, 0.0)),
            OUT_SD_SHARE * out,
        )
        beyond = np.hypot(DEEPER_SD_SHARE * (position[hidden] - between), ahead_sd_mm)
        ends = (1 - share) * doubt_mm[first] + share * doubt_mm[last]
        loose = np.sqrt(BRIDGE_SD_MM**2 + ends**2 + np.where(deeper, beyond, astray) ** 2)
        sd[hidden] = np.where(known, shown_sd, loose)
        present[hidden] = np.maximum(present[hidden], 0.5)
    return TipPath(position, sd, present)


def _on_the_way(deeper: BoolArray, beyond: BoolArray) -> BoolArray:
    """Frames that are deeper, and those just before and after them in which the tip is on its way there."""
    way = deeper.copy()
    for first, end in spells(deeper | beyond):
        way[first:end] = deeper[first:end].any()
    return way


def _lead_mm(path: TipPath, by_motion: TipPath, seen: BoolArray, time_s: FloatArray) -> float:
    """How far motion reaches beyond a tip that is seen at rest: the tip's picture moves with it."""
    lead = by_motion.position_mm - path.position_mm
    speed = speed_mm_s(np.nan_to_num(path.position_mm), time_s)
    known = seen & (speed < RESTING_MM_S) & (np.abs(lead) < BRIDGE_BEYOND_MM)
    return max(float(np.median(lead[known])), 0.0) if known.any() else 0.0


def without_loose_ends(path: TipPath, seen: BoolArray) -> TipPath:
    """Drop frames before the first and after the last sight of each spell where the tip could be anywhere.

    As a needle leaves, "gone" and "hidden somewhere inside" can be equally likely for a moment; a place that
    is not known to within centimetres is not reported.
    """
    loose = np.zeros(len(seen), dtype=bool)
    for first, end in spells(np.isfinite(path.position_mm)):
        sights = first + np.flatnonzero(seen[first:end])
        if sights.size:
            loose[first : sights[0]] = loose[sights[-1] + 1 : end] = True
    return path.without(loose & ~(path.sd_mm <= LOST_SD_MM))


def _gaps_in_sight(
    position: FloatArray, sd: FloatArray, seen: BoolArray, time_s: FloatArray
) -> list[tuple[int, int]]:
    """Pairs of frames with sight of the tip between which it stayed in, out of sight, for 0.3 s or longer."""
    gaps = []
    for start, end in _stays(position, seen):
        stay = slice(start, end)
        trusted = seen[stay] & ~_retreating_glimpses(seen[stay], position[stay], time_s[stay])
        trusted &= ~_unsettled(trusted, position[stay], sd[stay], time_s[stay])
        sights = start + np.flatnonzero(trusted)
        for first, last in pairwise(sights):
            lost = np.isnan(position[first:last]).any()
            if time_s[last] - time_s[first] >= BRIDGE_FROM_S and (
                not lost or time_s[last] - time_s[first] < BRIDGE_S
            ):
                gaps.append((int(first), int(last)))
    return gaps


def _stays(position: FloatArray, seen: BoolArray) -> list[tuple[int, int]]:
    """Cut the clip where the needle was seen near the edge of the picture before, or after, it was gone."""
    cuts = [0]
    gone = spells(np.isnan(position))
    for first, end in gone:
        before, after = np.flatnonzero(seen[:first]), end + np.flatnonzero(seen[end:])
        if (
            not before.size
            or not after.size
            or min(position[before[-1]], position[after[0]]) < BRIDGE_DEPTH_MM
        ):
            cuts.append((first + end) // 2)
    return list(zip(cuts, [*cuts[1:], len(position)], strict=True))


def _unsettled(seen: BoolArray, position: FloatArray, sd: FloatArray, time_s: FloatArray) -> BoolArray:
    """Tell in which frames just after sight is found, or just before it is lost, its place is not sure yet.

    A tip that slips into the plane or out of it is dim for a moment, and the shaft behind it brighter; and a
    path that stayed behind while the tip was hidden needs some frames to catch up.
    """
    unsettled = np.zeros(len(seen), dtype=bool)
    for first, end in spells(seen):
        found, lost = np.arange(first, end), np.arange(first, end)[::-1]
        for frames, borders in ((found, first > 0), (lost, end < len(seen))):
            astray = _astray(position[frames], sd[frames], np.abs(time_s[frames] - time_s[frames[0]]))
            if borders and not astray.all():
                unsettled[frames[: int(np.argmin(astray))]] = True
    return unsettled


def _astray(position: FloatArray, sd: FloatArray, since_s: FloatArray) -> BoolArray:
    """Frames of a sight, counted from its edge, whose place is vague or off the line of those further in."""
    astray = (since_s <= SETTLE_S) & (sd > SETTLED_SD_MM)
    inner = np.flatnonzero(since_s > SETTLE_S)[:MOST_INNER]
    inner = inner[since_s[inner] <= max(2 * SETTLE_S, since_s[inner[:2]].max(initial=0.0))]
    if len(inner) > 1:
        slope, start = np.polyfit(since_s[inner], position[inner], 1)
        off_mm = np.abs(position - (start + slope * since_s))
        astray |= (since_s <= SETTLE_S) & (off_mm > SETTLED_MM)
    return np.asarray(astray)


def _retreating_glimpses(seen: BoolArray, position: FloatArray, time_s: FloatArray) -> BoolArray:
    """Tell which short spells of sight lie well behind the lasting ones around them, (n_frames,)."""
    sights = spells(seen)
    lasting = [time_s[end - 1] - time_s[first] >= BRIDGE_FROM_S for first, end in sights]
    doubtful = np.zeros(len(seen), dtype=bool)
    for k, (first, end) in enumerate(sights):
        before = [sights[j] for j in range(k) if lasting[j]]
        after = [sights[j] for j in range(k + 1, len(sights)) if lasting[j]]
        if lasting[k] or not before or not after:
            continue
        shallowest = min(position[before[-1][1] - 1], position[after[0][0]])
        doubtful[first:end] = position[first:end].max() < shallowest - BRIDGE_BEYOND_MM
    return doubtful
