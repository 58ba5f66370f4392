"""From pixels to millimetres: the scale, and the speed of sound that depths go by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from needlecoach.errors import MarksError
from needlecoach.model.basics import LIMITS_TARGET_MM, LIMITS_TICK_MM, FloatArray, Point, check_length_mm
from needlecoach.model.target import Target


@dataclass(frozen=True)
class Scale:
    """Millimetres per pixel along x and y, where they come from, and their relative standard uncertainty.

    `points_px` and `points_mm` are the marked points behind it and their distance; None without any.
    """

    x_mm_per_px: float
    y_mm_per_px: float
    source: str
    sd_share: float
    points_px: tuple[Point, Point] | None = None
    points_mm: float | None = None

    def __post_init__(self) -> None:
        for value in (self.x_mm_per_px, self.y_mm_per_px):
            if not (np.isfinite(value) and 0.001 <= value <= 5.0):
                raise MarksError(
                    f"Scale must be between 0.001 and 5 mm per px, got {value:g}; "
                    "mark two points on the depth ruler again."
                )
        if not (np.isfinite(self.sd_share) and 0 <= self.sd_share < 1):
            raise MarksError(
                f"The scale's relative uncertainty must be from 0 to below 1, got {self.sd_share:g}."
            )

    @classmethod
    def from_points(
        cls, first_px: Point, second_px: Point, *, mm: float, marking_sd_px: float = 1.0
    ) -> Scale:
        """Scale from two marked points a known distance apart, the same along both axes.

        `marking_sd_px` is the standard deviation of one marked point along the line between both.

        Raises
        ------
        MarksError
            When a value is not finite, the distance is not above 0 mm, or the points are under 2 px apart.
        """
        if not np.isfinite([*first_px, *second_px]).all():
            raise MarksError("The scale's points must be finite px; mark two points on the ruler again.")
        if not (np.isfinite(mm) and mm > 0):
            raise MarksError(f"The scale's distance must be above 0 mm, got {mm:g}; give it again.")
        length_px = float(np.hypot(second_px[0] - first_px[0], second_px[1] - first_px[1]))
        if length_px < 2:
            raise MarksError(
                f"The scale's points are {length_px:.3g} px apart; mark two points far apart on the ruler."
            )
        # Both ends are marked by hand, each with its own error, so their variances add up.
        share = min(float(np.sqrt(2)) * marking_sd_px / length_px, 0.99)
        source = f"two marked points, {mm:g} mm apart"
        size, points = mm / length_px, (first_px, second_px)
        return cls(size, size, source=source, sd_share=share, points_px=points, points_mm=mm)

    @classmethod
    def from_ruler(cls, spacing_px: float, *, spacing_sd_px: float, tick_mm: float, n_ticks: int) -> Scale:
        """Scale from a ruler's ticks, the same along both axes: `spacing_px` apart, which means `tick_mm`.

        Raises
        ------
        MarksError
            When `tick_mm` is not from 0.1 to 50 mm, or the pixels come out at an impossible size.
        """
        check_length_mm(tick_mm, LIMITS_TICK_MM, "The distance of neighbouring ticks (tick-mm)")
        source = f"ruler on the screen, {n_ticks} ticks of {tick_mm:g} mm"
        size = tick_mm / spacing_px
        return cls(size, size, source=source, sd_share=min(spacing_sd_px / spacing_px, 0.99))

    @classmethod
    def from_target(cls, target: Target, diameter_mm: float) -> Scale:
        """Scale from a target of known size, the same along both axes.

        Parameters
        ----------
        target : its diameter in px is that of the circle with the outline's area, which for an ellipse is the
            geometric mean of both axes
        diameter_mm : the same mean diameter in millimetres

        Raises
        ------
        MarksError
            When `diameter_mm` is not from 0.5 to 300 mm, or the pixels come out at an impossible size.

        Notes
        -----
        The uncertainty is that of marking alone: both ends of a diameter are marked, each with
        `marking_sd_px` across the outline.
        """
        check_length_mm(diameter_mm, LIMITS_TARGET_MM, "The target's mean diameter (target-mm)")
        diameter_px = 2 * float(np.sqrt(target.area_px2 / np.pi))
        if diameter_px < 2:
            raise MarksError(f"The target is {diameter_px:.3g} px wide, too small to take a scale from it.")
        share = min(float(np.sqrt(2)) * target.marking_sd_px / diameter_px, 0.99)
        source = f"target {diameter_mm:g} mm across"
        return cls(diameter_mm / diameter_px, diameter_mm / diameter_px, source=source, sd_share=share)

    @classmethod
    def from_mm_per_px(cls, x: float, y: float | None = None) -> Scale:
        """Scale as stated by the user, `y` as `x` when left out; its uncertainty is unknown and taken as 0.

        Raises
        ------
        MarksError
            When a value is not finite or outside 0.001 to 5 mm per px.
        """
        return cls(x, x if y is None else y, source="stated mm per px", sd_share=0.0)

    def to_mm(self, vectors_px: npt.ArrayLike) -> FloatArray:
        """Turn points or differences of points, shape (..., 2), into mm of the same shape."""
        return np.asarray(vectors_px, dtype=float) * (self.x_mm_per_px, self.y_mm_per_px)

    @property
    def mean_mm_per_px(self) -> float:
        """Geometric mean of both axes, for sizes without a direction."""
        return float(np.sqrt(self.x_mm_per_px * self.y_mm_per_px))


# What scanners take the speed of sound to be, everywhere.
ASSUMED_M_S = 1540.0


@dataclass(frozen=True)
class Medium:
    """What the sound runs through, as the user said it: water or gel and its temperature, or a speed."""

    kind: Literal["water", "gel", "custom"]
    temperature_c: float | None = None
    speed_m_s: float | None = None

    def __post_init__(self) -> None:
        if self.kind == "custom":
            self._check_custom()
        elif self.speed_m_s is not None:
            raise MarksError(
                f"medium {self.kind} has its own speed; give a speed of sound with medium custom only."
            )
        elif self.kind == "water":
            if self.temperature_c is None:
                raise MarksError(
                    "medium water needs its temperature (--temperature, temperature_c), such as 20."
                )
            _check_within(self.temperature_c, LIMITS_WATER_C, "The water's temperature", "degrees Celsius")
        elif self.temperature_c is not None:
            _check_within(self.temperature_c, LIMITS_GEL_C, "The gel's temperature", "degrees Celsius")

    def _check_custom(self) -> None:
        if self.speed_m_s is None:
            raise MarksError("medium custom needs its speed (--speed-of-sound, speed_m_s), such as 1505.")
        if self.temperature_c is not None:
            raise MarksError("A temperature says nothing beside a stated speed of sound; give one of them.")
        _check_within(self.speed_m_s, LIMITS_SPEED_M_S, "The speed of sound", "m/s")


# Water: where the polynomial holds. Gel: where it is one. Speed: silicone is slow, hard plastic fast.
LIMITS_WATER_C, LIMITS_GEL_C, LIMITS_SPEED_M_S = (0.0, 95.0), (0.0, 40.0), (900.0, 2500.0)


def _check_within(value: float, limits: tuple[float, float], what: str, unit: str) -> None:
    if not limits[0] <= value <= limits[1]:  # NaN is not within
        raise MarksError(
            f"{what} must be from {limits[0]:g} to {limits[1]:g} {unit}, got {value:g}; give it again."
        )


@dataclass(frozen=True)
class Sound:
    """Speed of sound in the medium, its standard uncertainty, and where both come from in words."""

    speed_m_s: float
    sd_m_s: float
    source: str

    @property
    def stretch(self) -> float:
        """True depth for one millimetre of depth shown."""
        return self.speed_m_s / ASSUMED_M_S

    @property
    def sd_share(self) -> float:
        """Relative standard uncertainty that it gives to lengths along the beam."""
        return self.sd_m_s / self.speed_m_s


@dataclass(frozen=True)
class Area:
    """An ultrasound picture as the file itself tells it: its scale, and its box (x, y, width, height)."""

    box_px: tuple[int, int, int, int]
    scale: Scale
