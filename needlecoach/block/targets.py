"""Graded targets: what size, how deep and at which angle, from easy to hard by their index of difficulty."""

from __future__ import annotations

from math import asin, degrees, radians, sin
from typing import Literal

from needlecoach.block.materials import MATERIALS
from needlecoach.errors import BlockError
from needlecoach.model.plan import GradedTarget
from needlecoach.scoring.approach import difficulty_bits

Standing = Literal["new", "practised", "sure"]

# Easiest and hardest, bits, by standing. No source: our choice, about what common things allow (a grape 20 mm
# deep to a pea at 50). A programme's own learners give better ones: the cohort's page has indices mastered.
RANGES_BITS: dict[Standing, tuple[float, float]] = {
    "new": (1.2, 2.4),
    "practised": (2.0, 3.2),
    "sure": (2.8, 4.2),
}
# Beyond what is mastered one practises a little harder: from so much easier to so much harder (our choice).
_BELOW_BITS, _ABOVE_BITS = 0.6, 0.8
# Depth of centres as shares of the picture's: from below the near field to well above its end (our choice).
_DEPTH_SHARES = (0.35, 0.7)
# A needle shows best below 30 degrees to the skin and worse the steeper it is (Schafhalter-Zoppoth et al.,
# Reg Anesth Pain Med 2004): so steeper is harder, though the path gets shorter.
_ANGLES_DEG = (30.0, 50.0)
# Smaller things are lost in gel, larger ones fill the picture (common practice, no source).
_WIDTHS_MM = (4.0, 40.0)
# Of a needle this much stays outside, to hold it by (our choice).
_OUTSIDE_MM = 10.0
_LIMITS_PROBE_MM, _LIMITS_BITS, _MOST = (20.0, 300.0), (0.5, 6.0), 20


def range_bits(standing: Standing | None, masters_bits: float | None) -> tuple[float, float]:
    """Easiest and hardest index of difficulty for a standing, or about the index that a learner masters.

    Raises
    ------
    BlockError
        When both or neither are given, or an index can't be one.
    """
    if (standing is None) == (masters_bits is None):
        raise BlockError("Give one of --standing (new, practised, sure) and --masters (bits).")
    if standing is not None:
        return RANGES_BITS[standing]
    assert masters_bits is not None
    if not _LIMITS_BITS[0] <= masters_bits <= _LIMITS_BITS[1]:
        raise BlockError(
            f"--masters must be from {_LIMITS_BITS[0]:g} to {_LIMITS_BITS[1]:g} bits, got {masters_bits:g}; "
            "give the index of difficulty that the learner masters."
        )
    return max(masters_bits - _BELOW_BITS, _LIMITS_BITS[0]), masters_bits + _ABOVE_BITS


def graded_targets(
    probe_depth_mm: float,
    bits: tuple[float, float],
    *,
    count: int = 5,
    needle_mm: float = 90.0,
) -> tuple[GradedTarget, ...]:
    """Targets from the easiest to the hardest index, evenly spaced.

    Depth and angle grow with the grade; the width follows from the index. Where that is less than the
    smallest (or more than the largest) thing, the angle is changed as far as picture and needle let it, and
    what index comes of that is said.

    Parameters
    ----------
    probe_depth_mm : how deep the picture reaches
    bits : easiest and hardest index of difficulty
    needle_mm : length of the needle

    Raises
    ------
    BlockError
        When a number can't be.
    """
    if not _LIMITS_PROBE_MM[0] <= probe_depth_mm <= _LIMITS_PROBE_MM[1]:
        raise BlockError(
            f"--probe-depth must be from {_LIMITS_PROBE_MM[0]:g} to {_LIMITS_PROBE_MM[1]:g} mm, got "
            f"{probe_depth_mm:g}; give how deep the picture reaches."
        )
    if not 1 <= count <= _MOST:
        raise BlockError(f"--count must be from 1 to {_MOST}, got {count}; give it again.")
    if not 20 <= needle_mm <= 500:
        raise BlockError(f"--needle must be from 20 to 500 mm, got {needle_mm:g}; give the needle’s length.")
    grades = [place / (count - 1) if count > 1 else 0.5 for place in range(count)]
    return tuple(
        _graded(_between(bits, grade), grade, probe_depth_mm, needle_mm - _OUTSIDE_MM) for grade in grades
    )


def _graded(wanted_bits: float, grade: float, probe_depth_mm: float, longest_mm: float) -> GradedTarget:
    depth = min(_between(_DEPTH_SHARES, grade) * probe_depth_mm, longest_mm * sin(radians(_ANGLES_DEG[0])))
    path = depth / sin(radians(_between(_ANGLES_DEG, grade)))
    reach = 2**wanted_bits - 1
    width = min(max(path / reach, _WIDTHS_MM[0]), _WIDTHS_MM[1])
    # A width at its bound: a longer (or shorter) path to it, by a flatter (or steeper) needle.
    longest = min(longest_mm, depth / sin(radians(_ANGLES_DEG[0])))
    path = min(max(width * reach, depth / sin(radians(_ANGLES_DEG[1]))), longest)
    width, path = round(width, 1), round(path, 1)
    return GradedTarget(
        width_mm=width,
        depth_mm=round(depth, 1),
        angle_deg=round(degrees(asin(min(depth / path, 1.0)))),
        path_mm=path,
        bits=difficulty_bits(path, width),
        wanted_bits=wanted_bits,
        things=_things(width),
    )


def _things(width_mm: float) -> tuple[str, ...]:
    """Things without gas that usually have such a width; what can be cut to it last."""
    fit = [
        one
        for one in MATERIALS.values()
        if not one.gas and one.usual_mm[0] * 0.9 <= width_mm <= one.usual_mm[1] * 1.1
    ]
    fit.sort(key=lambda one: one.usual_mm[1] - one.usual_mm[0])
    return tuple(one.name for one in fit[:3])


def _between(ends: tuple[float, float], share: float) -> float:
    return ends[0] + share * (ends[1] - ends[0])
