"""Arrays, points, and the limits of what a user can mean by a length."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from needlecoach.errors import MarksError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
GreyImage = npt.NDArray[np.uint8]
Point = tuple[float, float]
Corners = tuple[Point, Point, Point, Point]


# What a user can mean by the distance of a ruler's ticks, by a target's diameter, and by a needle's sizes.
LIMITS_TICK_MM = (0.1, 50.0)
LIMITS_TARGET_MM = (0.5, 300.0)
# Needles for practice are some 25 to 200 mm long, throws some 10 to 35 mm (common practice, no source): wide
# enough for any, narrow enough to catch cm or inches.
LIMITS_NEEDLE_MM = (10.0, 500.0)
LIMITS_THROW_MM = (2.0, 60.0)
# From the point of a core needle to where its notch begins: a bevel at least (common practice, no source).
LIMITS_DEAD_SPACE_MM = (0.0, 20.0)


def check_length_mm(value_mm: float, limits_mm: tuple[float, float], what: str) -> float:
    """Return a length within its limits; MarksError names it when it is not finite or outside."""
    if not limits_mm[0] <= value_mm <= limits_mm[1]:  # NaN is not within
        raise MarksError(
            f"{what} must be from {limits_mm[0]:g} to {limits_mm[1]:g} mm, got {value_mm:g}; give it again."
        )
    return value_mm


def freeze(
    array: npt.ArrayLike, dtype: npt.DTypeLike, shape: tuple[int, ...] | None = None
) -> npt.NDArray[Any]:
    """Return a read-only copy with the wanted dtype, refusing a wrong shape."""
    frozen = np.array(array, dtype=dtype)
    if shape is not None and frozen.shape != shape:
        raise ValueError(f"Expected an array of shape {shape}, got {frozen.shape}.")
    frozen.setflags(write=False)
    return frozen
