"""A core needle thrown forward by its spring: where its path was, and what else must not take it for."""

from __future__ import annotations

import numpy as np

from needlecoach.model import BoolArray, Core, FloatArray
from needlecoach.tracking.kymograph import SAMPLE_MM, FloatImages
from needlecoach.tracking.tip import FASTEST_MM_S, TipPath, spells

# No spring throws further, but for one whose throw is given as more; that and the place at which it was held
# may be off by so much together. A shorter throw that is given bounds nothing: it may be wrong.
MOST_THROW_MM, THROW_SLACK_MM = 35.0, 3.0
# What goes less far at once may be a misread place.
LEAST_THROW_MM = 5.0
# A spring's doing is over within so long; the needle rests for so many pictures before and after.
LONGEST_S, QUIET_FRAMES = 0.35, 3
# Where the point rests before is told by the furthest of so long: what comes draws the path back early.
LATELY_S = 1.0
# A point that is seen so near to where it rests has not left yet, or has arrived.
SAME_PLACE_MM = 0.5
# Something stirs in a strip that moves as surely as this. The needle's end, from so far behind where it was
# to so far beyond, still looks as it did; what stirred turned brighter by so much.
STIRRING, END_MM, SAME_LOOK_GREY, BRIGHTER_GREY = 0.3, (3.0, 1.0), 12.0, 8.0
# Motion alone can't tell when, before a throw, a needle at rest began to reach as far as that shows.
FOREBODED_S = 2.0


def farthest_throw_mm(core: Core | None) -> float:
    """How far a needle may be thrown forward at once, mm; 0 for one without a spring."""
    if core is None:
        return 0.0
    return max(MOST_THROW_MM, (core.throw_mm or 0.0) + THROW_SLACK_MM)


def thrown_at(path: TipPath, time_s: FloatArray) -> tuple[tuple[int, int], ...]:
    """Last frame before and first frame after every move forward that is too quick for a hand."""
    steps = np.diff(path.position_mm)
    quick = np.nan_to_num(steps) > np.maximum(FASTEST_MM_S * np.diff(time_s), 2.0)
    moves = [(first, end) for first, end in spells(quick)]
    return tuple(
        (first, end)
        for first, end in moves
        if path.position_mm[end] - path.position_mm[first] >= LEAST_THROW_MM
    )


def not_foreboded(
    by_motion: TipPath, path: TipPath, throws: tuple[tuple[int, int], ...], time_s: FloatArray
) -> TipPath:
    """A path by motion alone that lies no further out, just before each throw, than the path itself does."""
    position = by_motion.position_mm.copy()
    for before, after in throws:
        early = (time_s >= time_s[before] - FOREBODED_S) & (time_s < time_s[after])
        position[early] = np.fmin(position[early], path.position_mm[early])
    return by_motion.placed_at(position)


def rounds(n: int, throws: tuple[tuple[int, int], ...]) -> FloatArray:
    """Number of each frame's time between throws, (n,): what is known of one tells nothing of another."""
    number = np.zeros(n)
    for before, after in throws:
        number[before + 1 :] += 1
        number[after:] += 1
    return number


def surely_timed(
    path: TipPath, places_mm: FloatArray, throws: tuple[tuple[int, int], ...], seen: BoolArray
) -> TipPath:
    """A path that no longer doubts when a point was thrown, where the point itself shows it.

    Parameters
    ----------
    places_mm : (n,) where a tip was found along the shaft, NaN without one
    seen : (n,) bool, where it is in sight

    Notes
    -----
    The posterior of the frames beside a throw has two peaks, one at either end of it, and the way between
    them in its spread. A point that is seen in its place of rest tells which of the two it is: the spread is
    then that of the rest.
    """
    sd_mm = path.sd_mm.copy()
    for before, after in throws:
        early = np.arange(max(before - QUIET_FRAMES, 0), before)
        late = np.arange(after + 1, min(after + 1 + QUIET_FRAMES, len(sd_mm)))
        for frame, rest in ((before, early), (after, late)):
            rest = rest[seen[rest] & np.isfinite(places_mm[rest])]
            if len(rest) and seen[frame]:
                off_mm = abs(places_mm[frame] - np.median(places_mm[rest]))
                if off_mm <= SAME_PLACE_MM:
                    sd_mm[frame] = min(sd_mm[frame], float(np.median(path.sd_mm[rest])))
    return TipPath(path.position_mm, sd_mm, path.present)


def sheath_moves(
    by_motion: TipPath, moving: FloatArray, stirring: FloatArray, grey: FloatImages, time_s: FloatArray
) -> BoolArray:
    """Frames in which something brightens behind a point that stays: a sheath closes, the needle rests, (n,).

    Parameters
    ----------
    by_motion : the tip by motion alone, which such a change draws back to where the sheath ended
    moving, grey : (n, n_samples)
        Evidence of motion, and what the strips show.
    stirring : (n,) how surely each strip moves
    """
    found = np.zeros(len(time_s), dtype=np.bool_)
    for first, end in spells(stirring > STIRRING):
        lately = (time_s >= time_s[first] - LATELY_S) & (time_s < time_s[first])
        at_mm = float(np.fmax.reduce(by_motion.position_mm[lately], initial=np.nan))
        if end >= len(time_s) or not at_mm >= 0 or time_s[end] - time_s[first] > LONGEST_S:
            continue
        looks = grey[max(first - QUIET_FRAMES, 0) : first], grey[end : end + QUIET_FRAMES]
        change = np.median(looks[1], axis=0) - np.median(looks[0], axis=0)
        found[first:end] = _behind_the_point(change, moving[first:end], at_mm)
    return found


def _behind_the_point(change: FloatArray, moving: FloatArray, at_mm: float) -> bool:
    """Whether a change of greys (n_samples,) brightened what stirred and left the point's place as it was."""
    behind, beyond = (round(max(at_mm + by_mm, 0) / SAMPLE_MM) for by_mm in (-END_MM[0], END_MM[1]))
    stirred = np.flatnonzero((moving[:, :behind] > 0).any(axis=0))
    if behind >= beyond or not stirred.size:
        return False
    stays = float(np.median(np.abs(change[behind:beyond]))) < SAME_LOOK_GREY
    return stays and float(change[stirred].mean()) > BRIGHTER_GREY
