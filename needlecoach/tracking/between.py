"""The way between two sights of the tip, told by the speeds at them."""

from __future__ import annotations

import numpy as np

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.doubt import WANDER_S

# The speed at a sight is taken over this long; the fastest one there over two looks at least this far apart.
SPEED_S, LEAST_S = 0.16, 0.04
# A tip was lost going on and found coming back if it was faster than this at both; slower ones rest.
GOING_MM_S = 8.0
# It went out this many times as far as from one sight to the other.
OUT_TO_WAY = 1.5


def onward_mm(
    position_mm: FloatArray, seen: BoolArray, time_s: FloatArray, first: int, last: int
) -> FloatArray:
    """Positions in the frames between two sights, keeping the speed at each of them as far as it leads on.

    Parameters
    ----------
    position_mm, time_s : (n,)
    seen : (n,) bool
    first, last : the frames of the two sights
    """
    span_s, way = time_s[last] - time_s[first], position_mm[last] - position_mm[first]
    speeds = []
    for at, beside in ((first, slice(max(first - 20, 0), first + 1)), (last, slice(last, last + 21))):
        near = seen[beside] & (np.abs(time_s[beside] - time_s[at]) <= SPEED_S)
        reach = position_mm[beside][near]
        took_s = np.ptp(time_s[beside][near]) if near.any() else 0.0
        speeds.append((reach[-1] - reach[0]) / took_s if took_s > 0 else 0.0)
    start, end = (_leading_on(speed, way / span_s) * span_s / way if way else 0.0 for speed in speeds)
    u = (time_s[first + 1 : last] - time_s[first]) / span_s
    shape = u * u * (3 - 2 * u) + start * u * (1 - u) ** 2 - end * u * u * (1 - u)
    return np.asarray(position_mm[first] + way * shape)


def unspent_mm_s(
    position_mm: FloatArray, seen: BoolArray, time_s: FloatArray, first: int, last: int
) -> tuple[float, float]:
    """Part of the fastest speed about each of two sights that does not lead to the other one."""
    mean = (position_mm[last] - position_mm[first]) / (time_s[last] - time_s[first])
    lost, found = (_fastest(position_mm, seen, time_s, at) for at in (first, last))
    return lost - _leading_on(lost, mean), found - _leading_on(found, mean)


def out_and_back_mm(way_mm: float, time_s: FloatArray, unspent_mm_s: tuple[float, float]) -> FloatArray:
    """How far beyond the even way a tip was that was lost going on and found coming back, (n - 2,).

    Positive is deeper; nothing unless both speeds lead out the same way, and further than from one sight to
    the other: a path may stay behind for a moment where a shaft slips out of the plane and back into it.

    Parameters
    ----------
    way_mm : from one sight to the other
    time_s : (n,)
        Times of the two sights and of the frames between them.

    Notes
    -----
    The cubic that has both speeds, its way out no longer than a hand keeps to one.
    """
    lost, found = unspent_mm_s
    u = (time_s[1:-1] - time_s[0]) / (time_s[-1] - time_s[0])
    if min(abs(lost), abs(found)) < GOING_MM_S or lost * found > 0:
        return np.zeros(len(u))
    span_s = min(time_s[-1] - time_s[0], 4 * WANDER_S)
    out = np.asarray(span_s * (lost * u * (1 - u) ** 2 - found * u * u * (1 - u)))
    return out if np.abs(out).max() > OUT_TO_WAY * abs(way_mm) else np.zeros(len(u))


def _leading_on(speed_mm_s: float, mean_mm_s: float) -> float:
    """Part of a speed that leads on: more than thrice the mean would overshoot, the other way turn round."""
    return float(np.clip(speed_mm_s / mean_mm_s, 0, 3) * mean_mm_s) if mean_mm_s else 0.0


def _fastest(position_mm: FloatArray, seen: BoolArray, time_s: FloatArray, at: int) -> float:
    """Fastest speed from sight to sight within a moment of a frame; 0 without two."""
    near = np.flatnonzero(seen & (np.abs(time_s - time_s[at]) <= SPEED_S) & np.isfinite(position_mm))
    later = np.searchsorted(time_s[near], time_s[near] + LEAST_S - 1e-6)
    pairs = [(i, near[k]) for i, k in zip(near, later, strict=True) if k < len(near)]
    speeds = [float((position_mm[j] - position_mm[i]) / (time_s[j] - time_s[i])) for i, j in pairs]
    return max(speeds, key=abs, default=0.0)
