"""The firing of a core needle: a throw of its point, or the sheath closing over the bare notch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from needlecoach.model import Core, FloatArray, Strip
from needlecoach.scoring.along import Along
from needlecoach.scoring.motion import Motion, advance_mm
from needlecoach.scoring.sheath import MOST_FRAMES, clearest_closing

# A spring throws the needle by 5-35 mm within three pictures, far faster than the 80 mm/s of the quickest
# hand (guesses of ours).
LEAST_JUMP_MM, MOST_JUMP_MM, LEAST_MM_S = 5.0, 35.0, 150.0
# Spread over two steps from picture to picture a short throw seems slower; one of the length given may.
LEAST_AS_GIVEN_MM_S = 100.0
# A jump agrees with the throw given when it is off by less than this, or three of its uncertainties. One that
# does not is still told when no hand can have made it: what was given may be wrong.
THROW_OFF_MM = 3.0
# Before and after, so long, the point keeps to its place within so much and is seen in so much of the time.
REST_S, REST_MM, SEEN_SHARE = 0.15, 2.5, 0.7
# So long before and after the jump the surest look at the point is taken for its error.
LOOK_S = 0.3
# All but so much of the jump is made at its end, and so much at most before it begins.
ARRIVED_MM, LEFT_MM = 1.5, 0.5


@dataclass(frozen=True)
class Firing:
    """A firing that was seen.

    Attributes
    ----------
    frame : first frame of the clip after the jump
    part : "tip" when the point jumped forward, "sheath" when the sheath closed over the bare notch
    jump_mm, sd_mm : way of the point, or length of what the sheath was seen to cover, and its uncertainty
    last_before : last frame before the point jumped; None when the sheath closed, which moves no point
    """

    frame: int
    part: Literal["tip", "sheath"]
    jump_mm: float
    sd_mm: float
    last_before: int | None = None


def find_firing(motion: Motion, core: Core, strip: Strip | None = None) -> Firing | None:
    """Find the firing in one attempt; None when none was seen.

    Parameters
    ----------
    motion : the attempt
    core : the needle's sizes; a jump that agrees with its throw may be slower than another
    strip : greys along the shaft, of the whole clip; without them only a throw of the point is found

    Returns
    -------
    Firing or None
        Also None when the point is out of sight just before the jump or just after: how far it went and when
        is not known then.

    Notes
    -----
    Thresholds are ours, chosen on drawn clips and far from what a hand does; no published norm was found.
    """
    thrown = _thrown(motion, core)
    if thrown is not None or strip is None:
        return thrown
    along = Along.of(strip, motion.scene.track.tip_px, motion.scene.scale).cut(motion.frames)
    closed = clearest_closing(along, motion.time_s, motion.visible, core)
    if closed is None:
        return None
    return Firing(motion.span.first_frame + closed.row, "sheath", closed.bare_mm, closed.sd_mm)


def _thrown(motion: Motion, core: Core) -> Firing | None:
    """The jump of the point that is nearest to the throw, or the longest while that is not known."""
    place_mm = np.nancumsum(advance_mm(motion.raw_tip_mm, motion.direction))
    found = [
        jump
        for before in range(len(place_mm) - 1)
        if (jump := _jump_from(before, motion, place_mm, core)) is not None
    ]
    wanted_mm = core.throw_mm if core.throw_mm is not None else MOST_JUMP_MM
    return min(found, key=lambda jump: abs(jump.jump_mm - wanted_mm), default=None)


def _jump_from(before: int, motion: Motion, place_mm: FloatArray, core: Core) -> Firing | None:
    """The jump that begins after a frame; None when there is none."""
    ends = range(before + 1, min(before + MOST_FRAMES, len(place_mm) - 1) + 1)
    final_mm = max(place_mm[end] for end in ends)
    after = next(end for end in ends if place_mm[end] >= final_mm - ARRIVED_MM)
    if not (motion.visible[before] and motion.visible[after]):
        return None
    jump_mm = float(np.median(place_mm[after : after + 3]) - place_mm[before])
    sd_mm = _jump_sd_mm(motion, before, after, jump_mm)
    wanted = LEAST_JUMP_MM <= jump_mm <= max(MOST_JUMP_MM, core.throw_mm or 0.0) + THROW_OFF_MM
    as_given = core.throw_mm is not None and abs(jump_mm - core.throw_mm) <= max(THROW_OFF_MM, 3 * sd_mm)
    least_mm_s = LEAST_AS_GIVEN_MM_S if as_given else LEAST_MM_S
    fast = jump_mm >= least_mm_s * (motion.time_s[after] - motion.time_s[before])
    if not (wanted and fast):
        return None
    if not (_rests(motion, place_mm, before, -1) and _rests(motion, place_mm, after, 1)):
        return None
    first = motion.span.first_frame
    left = next(row for row in range(after, before, -1) if place_mm[row - 1] <= place_mm[before] + LEFT_MM)
    return Firing(first + after, "tip", jump_mm, sd_mm, last_before=first + left - 1)


def _jump_sd_mm(motion: Motion, before: int, after: int, jump_mm: float) -> float:
    """Error of a jump from those of its two ends, along the shaft alone, and of the scale."""
    since_s = motion.time_s - motion.time_s[after]
    rests = [(since_s <= 0) & (np.arange(len(since_s)) <= before), since_s >= 0]
    # At rest all looks are at one place: the surest tells it.
    ends = np.array([np.nanmin(motion.tip_sd_mm[rest & (np.abs(since_s) <= LOOK_S)]) for rest in rests])
    return float(np.sqrt((ends**2).sum() / 2 + (motion.scene.scale.sd_share * jump_mm) ** 2))


def _rests(motion: Motion, place_mm: FloatArray, at: int, way: int) -> bool:
    """Whether the point is seen to keep its place from a row on, forward or back; needs another row."""
    away_s = way * (motion.time_s - motion.time_s[at])
    near = (away_s >= 0) & (away_s <= REST_S)
    near[[row for row in (at + way,) if 0 <= row < len(near)]] = True
    kept = np.abs(place_mm[near] - place_mm[at]).max() <= REST_MM
    return bool(near.sum() > 1 and kept and motion.visible[near].mean() >= SEEN_SHARE)
