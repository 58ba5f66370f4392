"""How far a figure of needle and target may be off, by what it makes of errors of what it is made from."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from needlecoach.model import FloatArray

# The places where three-point Gauss-Hermite quadrature looks: 0 and the root of 3 sd to either side.
REACH = float(np.sqrt(3.0))


@dataclass(frozen=True, eq=False)
class Pose:
    """Where needle and outline lie in some frames.

    Attributes
    ----------
    tip_mm, direction : (n, 2) float
        Tip from the outline's centre, and unit vectors along the shaft, pointing inwards.
    outline_mm : (m, 2) float
        Corners about its centre, not closed.
    """

    tip_mm: FloatArray
    direction: FloatArray
    outline_mm: FloatArray


@dataclass(frozen=True, eq=False)
class Errors:
    """Standard deviations of what a `Pose` is made of, independent of each other.

    Attributes
    ----------
    tip_mm : (n,) float
        Root-mean-square error of the tip, both axes together.
    place_mm : (n,) float
        Of the outline as a whole, along one direction.
    size_mm : float
        Of its radius.
    scale_share : float
        Relative, of the scale.
    angle_deg : float
        Of the shaft's angle; the tip stays where it is.
    """

    tip_mm: FloatArray
    place_mm: FloatArray
    size_mm: float
    scale_share: float
    angle_deg: float

    @classmethod
    def of_marking(
        cls,
        tip_mm: FloatArray,
        marking_sd_mm: float,
        *,
        following_mm: FloatArray | float = 0.0,
        scale_share: float,
        angle_deg: float,
    ) -> Errors:
        """Errors where the outline was marked by hand with that deviation across itself; NaN counts as 0.

        Opposite walls are marked each with its own error: half of the variance moves the outline, half of it
        changes its radius. `following_mm` is the error with which it was followed from there, along one
        direction.
        """
        tip = np.nan_to_num(np.asarray(tip_mm, dtype=float))
        part = marking_sd_mm / float(np.sqrt(2))
        place = np.hypot(np.full(tip.shape, part), following_mm)
        return cls(tip, place, part, scale_share, angle_deg)


Measure = Callable[[Pose], FloatArray]


def propagated_sd(measure: Measure, pose: Pose, errors: Errors) -> FloatArray:
    """Standard uncertainty of a figure.

    Parameters
    ----------
    measure : gives the figure, (n,) float, for any pose.

    Returns
    -------
    (n,) float
        NaN where the figure is unknown, or would be with an error of 1.7 sd.

    Notes
    -----
    Errors are independent, so their variances add up. Each is taken by three-point Gauss-Hermite quadrature:
    exact where the figure is a quadratic of that error, as first order where it is straight, and fair where
    it bends within the error, as a length inside does that is about to become nil.
    """
    middle = measure(pose)
    variance = np.zeros(len(pose.tip_mm))
    for below, above in _either_side(pose, errors):
        low, high = measure(below), measure(above)
        mean = 2 / 3 * middle + (low + high) / 6
        variance += 2 / 3 * (middle - mean) ** 2 + (low - mean) ** 2 / 6 + (high - mean) ** 2 / 6
    return np.sqrt(variance)


def _either_side(pose: Pose, errors: Errors) -> Iterator[tuple[Pose, Pose]]:
    """The pose with each error in turn, REACH sd to either side."""
    across = np.stack([-pose.direction[:, 1], pose.direction[:, 0]], axis=-1)
    shift = np.hypot(errors.tip_mm / np.sqrt(2), errors.place_mm)[:, None]
    growth = errors.size_mm / float(np.hypot(*pose.outline_mm.T).mean())
    turn = np.radians(errors.angle_deg)

    def moved(unit: FloatArray, by: float) -> Pose:
        return replace(pose, tip_mm=pose.tip_mm + by * shift * unit)

    def grown(by: float) -> Pose:
        return replace(pose, outline_mm=pose.outline_mm * (1 + by * growth))

    def scaled(by: float) -> Pose:
        factor = 1 + by * errors.scale_share
        return replace(pose, tip_mm=pose.tip_mm * factor, outline_mm=pose.outline_mm * factor)

    def turned(by: float) -> Pose:
        return replace(pose, direction=pose.direction * np.cos(by * turn) + across * np.sin(by * turn))

    yield moved(pose.direction, -REACH), moved(pose.direction, REACH)
    yield moved(across, -REACH), moved(across, REACH)
    yield grown(-REACH), grown(REACH)
    yield scaled(-REACH), scaled(REACH)
    yield turned(-REACH), turned(REACH)
