"""How far off the tip's stated place may be, from the evidence that errors come with."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.spot import Spot, half_width_mm, place_doubts_mm, tip_places_mm
from needlecoach.tracking.tip import USUAL_MM_S, TipPath

# The constants are fits to 100 drawn scenes, such that the truth lies within twice the doubt in about 96 % of
# the frames; those with the tip in sight and the others count alike, a long recording only as its root.
# A point's place, as a share of the half-width of its picture, and at least.
POINT_SHARE, POINT_MM = 0.2, 0.03
# A spot that falls slowly: the tip lies further off than if any place along the fall were as likely.
FALL_SHARE = 1.5
# The tip is the whitest point of the needle. A spot dimmer than this clip's bright ones by over so many greys
# (5 dB at a dynamic range of 60 dB), in full so many further on, is more often an echo drawn beside the tip,
# or a bright piece of shaft.
DIM_GREY, DIMMER_GREY, DIM_MM = 20.0, 25.0, 0.5
BRIGHT_PERCENT = 90.0
# Path and spot are two readings of one place: where they differ by over half a sample of the path, either may
# be wrong by about so much of that.
ALIKE_MM, APART_SHARE = 0.15, 0.6
# The path takes frames for independent looks, but speckle, trail and false ends stay as they are from one to
# the next: it is surer than it may be. The widest spread within this time counts, and so many times.
SHARED_S, SPREAD_SHARE = 0.15, 2.0
# Motion shows so far ahead of the tip, its picture's reach, and about so long after it has passed. What moves
# further ahead may be the needle, and what was taken for its tip the place where the shaft leaves the plane.
AHEAD_MM, AHEAD_S, AHEAD_SHARE = 2.5, 0.12, 2.0
# Where the tip is not seen nothing but the path tells where it is: quite well while it moves, since that
# shows; hardly once it rests, since nothing new shows then. And nothing tells how far it lies off the axis.
MOVING_SPREAD_SHARE, RESTING_SPREAD_SHARE, UNSEEN_MM = 1.5, 4.0, 0.4
# Error of a bridged tip. At once; half-way between the sights, as a share of the way between them, since when
# that way was made is not known. And a hand may have gone on and come back meanwhile: with the speed at which
# it was seen, as far as the bridge leaves that unspent, or else at half the usual speed since it rests as
# often; it keeps to that for a while, and so is lost like a particle in a liquid.
BRIDGE_SD_MM = 0.5
BRIDGE_SD_SHARE = 0.15
WANDER_MM_S, WANDER_S = USUAL_MM_S / 2, 0.5
# How far out it went before it came back is known to such a share.
OUT_SD_SHARE = 0.35
# Where motion reached beyond the sights the tip is deeper, but by more or less than so much of that way.
DEEPER_SD_SHARE = 0.4


def spread_mm(
    path: TipPath, seen: BoolArray, time_s: FloatArray, number: FloatArray | None = None
) -> FloatArray:
    """Widest spread of a path's posterior within 0.15 s of each frame, beyond half a sample, (n,), mm.

    Only among frames of the same `number` (n,), where it is given.
    """
    sd_mm = np.nan_to_num(path.sd_mm)
    near = (np.abs(time_s[:, None] - time_s[None, :]) <= SHARED_S) & (seen[:, None] == seen[None, :])
    if number is not None:
        near &= number[:, None] == number[None, :]
    widest = np.where(near, sd_mm[None, :], 0.0).max(axis=1, initial=0.0)
    return np.asarray(np.maximum(widest - ALIKE_MM, 0.0))


def seen_doubt_mm(
    path: TipPath,
    by_motion: TipPath,
    spots: Sequence[Spot | None],
    seen: BoolArray,
    time_s: FloatArray,
    number: FloatArray | None = None,
) -> FloatArray:
    """Expected root-mean-square error of a tip that is seen, both axes together, (n,), mm.

    Parameters
    ----------
    path, by_motion : paths along the shaft, from the whole evidence and from motion alone
    spots : what was found at the tip in each frame
    seen : (n,) bool, where the tip is in sight
    number : (n,), optional
        Frames of different numbers, as before and after a throw, tell nothing of each other.
    """
    places = tip_places_mm(spots)
    apart = np.abs(np.nan_to_num(places - path.position_mm))
    taken = np.where(np.isnan(places), path.position_mm, places)
    return np.sqrt(
        max(POINT_SHARE * half_width_mm(spots), POINT_MM) ** 2
        + (FALL_SHARE * place_doubts_mm(spots)) ** 2
        + (DIM_MM * _dim_share(spots, seen)) ** 2
        + (APART_SHARE * np.maximum(apart - ALIKE_MM, 0.0)) ** 2
        + (SPREAD_SHARE * spread_mm(path, seen, time_s, number)) ** 2
        + (AHEAD_SHARE * _ahead_mm(taken, by_motion, time_s)) ** 2
    )


def unseen_doubt_mm(
    path: TipPath, bridged: TipPath, seen: BoolArray, at_rest: BoolArray, time_s: FloatArray
) -> FloatArray:
    """Expected root-mean-square error of a tip that is not seen, both axes together, (n,), mm.

    Parameters
    ----------
    path, bridged : the path before and after what lies between two sights was bridged
    seen, at_rest : (n,) bool, where the tip is in sight, and where the path rests
    """
    share = np.where(at_rest, RESTING_SPREAD_SHARE, MOVING_SPREAD_SHARE)
    own = share * spread_mm(path, seen, time_s)
    along = np.where(bridged.position_mm == path.position_mm, own, bridged.sd_mm)
    return np.hypot(along, UNSEEN_MM)


def _ahead_mm(place_mm: FloatArray, by_motion: TipPath, time_s: FloatArray) -> FloatArray:
    """How far motion reaches ahead of what was taken for the tip, beyond what its own would, (n,), mm."""
    speed_mm_s = np.abs(np.gradient(np.nan_to_num(place_mm), time_s))
    ahead_mm = np.nan_to_num(by_motion.position_mm - place_mm)
    return np.asarray(np.maximum(ahead_mm - AHEAD_MM - AHEAD_S * speed_mm_s, 0.0))


def _dim_share(spots: Sequence[Spot | None], seen: BoolArray) -> FloatArray:
    """How surely each spot is too dim for the tip, 0-1, (n,); 1 without a spot."""
    grey = np.array([0.0 if spot is None else spot.grey for spot in spots])
    known = seen & (grey > 0)
    usual = float(np.percentile(grey[known], BRIGHT_PERCENT)) if known.any() else 0.0
    return np.asarray(np.clip((usual - DIM_GREY - grey) / DIMMER_GREY, 0.0, 1.0))


def astray_mm(way_mm: float, time_s: FloatArray, unspent_mm_s: tuple[float, float]) -> FloatArray:
    """How far a tip may be off the bridge between two sights, root of the mean square, (n - 2,), mm.

    Parameters
    ----------
    way_mm : from one sight to the other
    time_s : (n,)
        Times of the two sights and of the frames between them.
    unspent_mm_s : part of the speed at either sight of which the bridge makes nothing

    Notes
    -----
    A speed that is forgotten exponentially: Uhlenbeck & Ornstein, Phys Rev 1930;36:823 (from memory). What is
    known from both sights is weighed as two measurements are.
    """
    precision = np.zeros(len(time_s) - 2)
    for away_s, unspent in zip((time_s - time_s[0], time_s[-1] - time_s), unspent_mm_s, strict=True):
        ratio = away_s[1:-1] / WANDER_S
        reach_mm = np.hypot(WANDER_MM_S, unspent) * WANDER_S
        precision += 1 / (reach_mm**2 * 2 * (ratio - 1 + np.exp(-ratio)))
    done = (time_s[1:-1] - time_s[0]) / (time_s[-1] - time_s[0])
    half_way_mm = 2 * np.sqrt(done * (1 - done)) * abs(way_mm)
    return np.asarray(np.sqrt(1 / precision + (BRIDGE_SD_SHARE * half_way_mm) ** 2))
