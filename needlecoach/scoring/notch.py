"""A core needle's notch as the picture shows it: the duller stretch behind the point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, Core, FloatArray, Strip
from needlecoach.scoring.along import Along
from needlecoach.scoring.firing import Firing
from needlecoach.scoring.motion import Motion
from needlecoach.scoring.stretch import raised_stretch

# What begins and ends so far behind the point is looked at; a shaft lit for so far behind it closes it.
BEGINS_MM, LONG_MM, BEHIND_MM = (1.5, 20.0), (5.0, 40.0), 6.0
# The point's own picture is left out.
POINT_MM = 1.0
# Places along the way are looked at alike, however long the needle rested at each: steps of so much, this
# many of them at least; each place behind the point in so many of them.
STEP_MM, LEAST_STEPS, LEAST_LOOKS = 1.0, 6, 4
# The stretch is duller than all else by so many greys, than each side by half of that, and tells so much of
# what there is to tell.
DULL_GREY, SIDE_SHARE, LEAST_GAIN = 10.0, 0.5, 0.4
# An end is seen no sharper than the picture is; one known no better than this is not stated.
SHARP_SD_MM, WORST_SD_MM = 0.5, 1.2
# Less of a disagreement with what was given is none.
APART_MM, APART_SD = 2.0, 2.0


@dataclass(frozen=True)
class NotchSeen:
    """A notch's ends as seen, mm behind the point, with their standard uncertainties."""

    dead_space_mm: float
    dead_space_sd_mm: float
    notch_end_mm: float
    notch_end_sd_mm: float
    notch_sd_mm: float

    @property
    def notch_mm(self) -> float:
        """Length of the notch as seen."""
        return self.notch_end_mm - self.dead_space_mm

    def note(self, core: Core) -> str:
        """What disagrees with the sizes that were given, in words; empty when they agree or may."""
        ends = (
            ("begins", self.dead_space_mm, self.dead_space_sd_mm, core.dead_space_mm),
            ("ends", self.notch_end_mm, self.notch_end_sd_mm, core.dead_space_mm + core.notch_mm),
        )
        apart = [
            f"{verb} {seen:.0f} ± {sd:.0f} mm behind the point, by the sizes given {given:g} mm"
            for verb, seen, sd, given in ends
            if abs(seen - given) > max(APART_MM, APART_SD * sd)
        ]
        if not apart:
            return ""
        return f"In the picture the notch {' and '.join(apart)}: check the dead space and the notch length."


def notch_seen(motion: Motion, core: Core, strip: Strip, firing: Firing | None = None) -> NotchSeen | None:
    """Find the duller stretch behind the point over the frames of an attempt; None when it does not show.

    Parameters
    ----------
    motion : the attempt
    core : sizes given, which tell how far behind the point to look and nothing else
    strip : greys along the shaft, of the whole clip
    firing : of the attempt; a notch that a sheath closed over was bare for a part of it only, and is not told

    Notes
    -----
    Greys at the same distance behind the point are averaged over the attempt: what belongs to the needle
    stays, what belongs to the gel passes by. Thresholds are ours. A sheath that covers the notch most of the
    time hides it.
    """
    if firing is not None and firing.part == "sheath":
        return None
    along = Along.of(strip, motion.scene.track.tip_px, motion.scene.scale).cut(motion.frames)
    profile = _profile(along, motion.visible, core.dead_space_mm + core.notch_mm + 2 * BEHIND_MM)
    if profile is None:
        return None
    known = len(profile)
    found = raised_stretch(-profile, along.step_mm, front_mm=_less(BEGINS_MM), length_mm=LONG_MM)
    if found is None or found.excess < DULL_GREY or found.gain < LEAST_GAIN:
        return None
    front, back = (round(end / along.step_mm) for end in (found.front_mm, found.back_mm))
    inside = float(profile[front:back].mean())
    sides = profile[: max(front, 1)], profile[back:]
    closed = (known - back) * along.step_mm >= BEHIND_MM / 2
    if not closed or min(float(side.mean()) for side in sides) - inside < SIDE_SHARE * found.excess:
        return None
    ends_sd_mm = np.hypot([found.front_sd_mm, found.back_sd_mm], SHARP_SD_MM)
    if ends_sd_mm.max() > WORST_SD_MM:
        return None
    length_sd_mm = float(np.hypot(found.length_sd_mm, SHARP_SD_MM))
    front_mm, back_mm = found.front_mm + POINT_MM, found.back_mm + POINT_MM
    return NotchSeen(front_mm, float(ends_sd_mm[0]), back_mm, float(ends_sd_mm[1]), length_sd_mm)


def _less(ends_mm: tuple[float, float]) -> tuple[float, float]:
    return ends_mm[0] - POINT_MM, ends_mm[1] - POINT_MM


def _profile(along: Along, visible: BoolArray, reach_mm: float) -> FloatArray | None:
    """Mean grey from `POINT_MM` behind the point on, (m,), in steps of the strip; None without enough looks.

    It ends where too few places along the way show what lies so far behind the point.
    """
    n = round((reach_mm - POINT_MM) / along.step_mm)
    looks = []
    steps = np.floor(along.tip_mm / STEP_MM)
    for step in np.unique(steps[visible & np.isfinite(steps)]):
        rows = np.flatnonzero(visible & (steps == step))
        at = (along.tip_mm[rows, None] - POINT_MM) / along.step_mm - np.arange(n)
        looks.append(_sampled(along.grey, rows, at).mean(axis=0))
    if len(looks) < LEAST_STEPS:
        return None
    table = np.array(looks)
    counts = np.isfinite(table).sum(axis=0)
    upto = int(np.argmin(counts >= LEAST_LOOKS)) if (counts < LEAST_LOOKS).any() else n
    return np.nanmean(table[:, :upto], axis=0) if upto > 2 else None


def _sampled(grey: FloatArray, rows: npt.NDArray[np.intp], at: FloatArray) -> FloatArray:
    """Greys of rows (k,) at places (k, n) in samples, NaN where the strip has none."""
    there = (at >= 0) & (at <= grey.shape[1] - 1)
    whole = np.clip(np.floor(at).astype(int), 0, grey.shape[1] - 2)
    share = at - whole
    row = rows[:, None]
    values = (1 - share) * grey[row, whole] + share * grey[row, whole + 1]
    return np.where(there, values, np.nan)
