"""A core needle thrown forward by its spring: where its path was, and what else must not take it for."""

from __future__ import annotations

import numpy as np

from needlecoach.model import Core, FloatArray
from needlecoach.tracking.tip import FASTEST_MM_S, TipPath, spells

# No spring throws further; where its throw is known, it and the place at which it was held may be off by so
# much together.
MOST_THROW_MM, THROW_SLACK_MM = 35.0, 3.0
# What goes less far at once may be a misread place.
LEAST_THROW_MM = 5.0
# Motion alone can't tell when, before a throw, a needle at rest began to reach as far as that shows.
FOREBODED_S = 2.0


def farthest_throw_mm(core: Core | None) -> float:
    """How far a needle may be thrown forward at once, mm; 0 for one without a spring."""
    if core is None:
        return 0.0
    return MOST_THROW_MM if core.throw_mm is None else core.throw_mm + THROW_SLACK_MM


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
