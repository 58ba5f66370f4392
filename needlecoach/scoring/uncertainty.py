"""What a distance is worth: tip, target marking and scale combined, and how far an attempt can be trusted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from needlecoach.model import BoolArray, FloatArray


def distance_sd_mm(
    distance_mm: FloatArray | float,
    *,
    tip_sd_mm: FloatArray | float,
    marking_sd_mm: float,
    scale_sd_share: float,
) -> FloatArray:
    """Standard uncertainty of a distance between the tip and something marked.

    Parameters
    ----------
    distance_mm : the distance itself, any shape; its sign does not matter.
    tip_sd_mm : root-mean-square error of the tip, both axes together, same shape.
    marking_sd_mm : standard deviation of the mark across its outline; 0 where nothing marked takes part.
    scale_sd_share : relative standard uncertainty of the scale.

    Returns
    -------
    FloatArray
        Millimetres, NaN where the distance or the tip's error is unknown.

    Notes
    -----
    First-order propagation of independent errors. A distance feels the tip's error along one direction only,
    which is 1 / sqrt(2) of the error of both axes together. The scale stretches the distance, so its share
    grows with it.
    """
    distance = np.asarray(distance_mm, dtype=float)
    tip = np.asarray(tip_sd_mm, dtype=float)
    return np.sqrt(tip**2 / 2 + marking_sd_mm**2 + (scale_sd_share * distance) ** 2)


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
