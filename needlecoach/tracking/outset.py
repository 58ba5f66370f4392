"""A needle before it sets out: in from the start without having stirred yet, or waiting outside."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from needlecoach.model import FloatArray, GreyImage
from needlecoach.tracking.axis import Axis
from needlecoach.tracking.kymograph import SAMPLE_MM, FloatImages
from needlecoach.tracking.spot import find_spot
from needlecoach.tracking.tip import TipPath, spells

# A tip this close to the edge tells no needle from the skin's own echo, but for so long on its way (8 mm/s).
EDGE_MM = 0.5
ON_ITS_WAY_S = 0.06
# Whatever comes in brightens its place: a needle that is this deep so soon after it first stirs, and has
# brightened it by less, was in before.
DEEP_MM = 8.0
SET_OUT_S = 0.2
IN_BEFORE_GREY = 8.0
# From where it is that deep for sure it is traced back by its tip's echo, which must stay about as bright
# and where it was.
KNOWN_SD_MM = 1.0
KNOWN_MM = 3.0
SAME_GREY = 30.0
FURTHEST_MM = 1.5
TRACED_SHARE = 0.8
TRACED_SD_MM = 0.5


def not_at_the_edge(path: TipPath, time_s: FloatArray) -> TipPath:
    """Drop frames at both ends of each spell in which the tip only lies at the very edge."""
    outside = np.zeros(len(time_s), dtype=bool)
    for first, end in spells(np.isfinite(path.position_mm)):
        inside = first + np.flatnonzero(path.position_mm[first:end] >= EDGE_MM)
        spell = slice(first, end)
        if not inside.size:
            outside[spell] = True
            continue
        outside[spell] |= time_s[spell] < time_s[inside[0]] - ON_ITS_WAY_S
        outside[spell] |= time_s[spell] > time_s[inside[-1]] + ON_ITS_WAY_S
    return path.without(outside)


def in_before(
    path: TipPath,
    by_motion: TipPath,
    grey: FloatImages,
    pictures: Sequence[GreyImage],
    axis: Axis,
    time_s: FloatArray,
) -> TipPath:
    """Trace a needle that was in from the first frame back from where it first stirred.

    No look of its place without it is known yet, and the trail that it leaves may outshine it: change tells
    nothing of it.

    Parameters
    ----------
    path, by_motion : from the whole evidence, and from motion alone
    grey : strips, (n_frames, n_samples)
    """
    stirring = spells(np.isfinite(by_motion.position_mm))
    if not stirring or stirring[0][0] == 0:
        return path
    first, end = stirring[0]
    soon = min(end, int(np.searchsorted(time_s, time_s[first] + SET_OUT_S)) + 1)
    held_mm = float(by_motion.position_mm[first:soon].max())
    shaft = slice(round(1.0 / SAMPLE_MM), round(held_mm / SAMPLE_MM))
    if held_mm < DEEP_MM or grey[soon - 1, shaft].mean() - grey[:first, shaft].mean() >= IN_BEFORE_GREY:
        return path
    deep = path.position_mm[first:end] >= held_mm - KNOWN_MM
    known = np.flatnonzero(deep & (path.sd_mm[first:end] <= KNOWN_SD_MM))
    return _traced_back(path, pictures, axis, first + int(known[0])) if known.size else path


def _traced_back(path: TipPath, pictures: Sequence[GreyImage], axis: Axis, known: int) -> TipPath:
    """The path from the first frame on, by the tip's echo; as it was where that is lost too often."""
    position, sd, present = path.position_mm.copy(), path.sd_mm.copy(), path.present.copy()
    at, look, traced = float(position[known]), np.nan, 0
    for i in range(known, -1, -1):
        spot = find_spot(pictures[i], axis, i, at, TRACED_SD_MM)
        place = np.nan if spot is None else spot.tip_mm
        if spot is not None and abs(place - at) <= FURTHEST_MM and not abs(spot.grey - look) > SAME_GREY:
            at, look, traced = float(place), spot.grey, traced + 1
        position[i] = at
    if traced < TRACED_SHARE * (known + 1):
        return path
    before = np.arange(len(sd)) < known
    return TipPath(position, np.where(before, TRACED_SD_MM, sd), np.where(before, 1.0, present))
