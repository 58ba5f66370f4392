"""What a distance is worth: tip, target marking, scale and target following combined; and confidence."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from needlecoach.model import BoolArray, FloatArray


def distance_sd_mm(
    distance_mm: FloatArray | float,
    *,
    tip_sd_mm: FloatArray | float,
    marking_sd_mm: float,
    scale_sd_share: float,
    following_sd_mm: FloatArray | float = 0.0,
    lever: float = 1.0,
) -> FloatArray:
    """Standard uncertainty of a distance between the tip and something marked.

    Parameters
    ----------
    distance_mm : the distance itself, any shape; its sign does not matter.
    tip_sd_mm : root-mean-square error of the tip, both axes together, same shape.
    marking_sd_mm : standard deviation of the mark across its outline; 0 where nothing marked takes part.
    scale_sd_share : relative standard uncertainty of the scale.
    following_sd_mm : that of following the target from its marked frame on; 0 where there is none.
    lever : by how much the distance changes for each mm that tip and target come nearer: 1 for distances,
        more along a shaft that leaves the outline at a slant.

    Returns
    -------
    FloatArray
        Millimetres, NaN where the distance or the tip's error is unknown.

    Notes
    -----
    First-order propagation of independent errors. A distance feels the tip's error along one direction only,
    which is 1 / sqrt(2) of the error of both axes together. The scale stretches the distance, so its share
    grows with it. The distance to a centre that is nearer than this is known better than it says: there it
    is a length of two errors, which first order does not see.
    """
    distance = np.asarray(distance_mm, dtype=float)
    tip, following = np.asarray(tip_sd_mm, dtype=float), np.asarray(following_sd_mm, dtype=float)
    places = tip**2 / 2 + marking_sd_mm**2 + following**2
    return np.asarray(np.sqrt(lever**2 * places + (scale_sd_share * distance) ** 2), dtype=float)


def excess_sd_mm(beyond_mm: float, sd_mm: float) -> float:
    """Standard deviation of how far something lies beyond a wall, where short of it counts 0, mm.

    Parameters
    ----------
    beyond_mm : best estimate of the place, negative short of the wall
    sd_mm : its standard uncertainty

    Notes
    -----
    Mean and mean square of a normal variable of which all that is below 0 is set to 0: m P + s p and
    (m^2 + s^2) P + m s p, with P and p the normal distribution and density at m / s (by integration).
    """
    if sd_mm <= 0:
        return 0.0
    at = beyond_mm / sd_mm
    share, density = (1 + math.erf(at / math.sqrt(2))) / 2, math.exp(-(at**2) / 2) / math.sqrt(2 * math.pi)
    mean = beyond_mm * share + sd_mm * density
    square = (beyond_mm**2 + sd_mm**2) * share + beyond_mm * sd_mm * density
    return math.sqrt(max(square - mean**2, 0.0))


def travel_sd_mm(
    travel_mm: float,
    *,
    turn_sd_mm: Sequence[float],
    slack_mm: float,
    rough_share: float,
    scale_sd_share: float,
) -> float:
    """Standard uncertainty of a way made up of straight pieces, mm.

    Parameters
    ----------
    turn_sd_mm : root-mean-square error of the tip, both axes together, at the ends of each piece in order. An
        error at a turn lengthens two pieces, one at the first or last end a single one.
    slack_mm : what travel leaves out (`kinematics.travel_mm`): up to once at the start, twice at a turn.
    rough_share : by how much of itself the way is lengthened by errors that change from picture to picture,
        or shortened by what smoothing takes of tremor.

    Notes
    -----
    First-order propagation of independent errors; what is left out counts as anything in its range.
    """
    tip = np.asarray(turn_sd_mm, dtype=float)
    times = np.full(len(tip), 2.0)
    times[[0, -1]] = 1.0
    left_out = slack_mm**2 / 3 * (1 + 4 * max(len(tip) - 2, 0))
    shares = rough_share**2 + scale_sd_share**2
    return float(np.sqrt((times**2 * tip**2).sum() / 2 + left_out + shares * travel_mm**2))


def gain_sd_mm(
    gain_mm: float, *, tip_sd_mm: Sequence[float], moment_sd_mm: Sequence[float], scale_sd_share: float
) -> float:
    """Standard uncertainty of a depth gained between two moments, mm.

    Parameters
    ----------
    tip_sd_mm : root-mean-square error of the tip at each of them, both axes together; the depth feels it
        along one direction only, as in `distance_sd_mm`.
    moment_sd_mm : way that the tip makes in the time by which each moment is uncertain.
    scale_sd_share : relative standard uncertainty of the scale.

    Notes
    -----
    First-order propagation of independent errors.
    """
    tip, moment = np.asarray(tip_sd_mm, dtype=float), np.asarray(moment_sd_mm, dtype=float)
    return float(np.sqrt((tip**2).sum() / 2 + (moment**2).sum() + (scale_sd_share * gain_mm) ** 2))


def roughness_mm(tip_mm: FloatArray, seen: BoolArray) -> float:
    """How far a tip that is seen lies off the course of the pictures beside it, mm; 0 where that is unknown.

    A needle in a hand moves smoothly from picture to picture: what jumps was misread.

    Parameters
    ----------
    tip_mm : (n_frames, 2)
        Tip of frames on end; NaN where there is none.
    seen : (n_frames,) bool

    Returns
    -------
    float
        Nine tenths of the frames lie nearer than this to the cubic through two tips before and two after.
    """
    if len(tip_mm) < 5:
        return 0.0
    beside = (4 * (tip_mm[1:-3] + tip_mm[3:-1]) - tip_mm[:-4] - tip_mm[4:]) / 6
    off = np.hypot(*(tip_mm[2:-2] - beside).T)[seen[2:-2]]
    off = off[np.isfinite(off)]
    return float(np.percentile(off, 90)) if off.size else 0.0


def confidence(
    *, tip_sd_mm: float | None, rough_mm: float, followed_share: float, target_share: float
) -> float:
    """How far a result can be trusted, 0-1: the product of three plain shares.

    Parameters
    ----------
    tip_sd_mm : median error of the tip, as the tracker gives it; None counts 0.
    rough_mm : see `roughness_mm`; both errors together, as squares, count 1 at 0 mm, a half at 1 mm, a fifth
        at 2 mm.
    followed_share : share of the needle's time with the tip or a quarter of the shaft to be seen.
    target_share : share of that time with the target followed; 1 when no target was marked.

    Notes
    -----
    A ranking of our own for the reader's caution, not a probability.
    """
    if tip_sd_mm is None or not np.isfinite(tip_sd_mm):
        return 0.0
    return float(np.clip(followed_share * target_share / (1 + tip_sd_mm**2 + rough_mm**2), 0.0, 1.0))
