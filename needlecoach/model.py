"""The values that travel from room to room: frozen, checked when made, arrays read-only.

Points are (x, y) in pixels of the original frame, x right, y down, origin at the centre of the top-left
pixel; arrays of images index [y, x]; frames count from 0; times are presentation times in seconds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from needlecoach.errors import ClipError, MarksError

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


def check_length_mm(value_mm: float, limits_mm: tuple[float, float], what: str) -> float:
    """Return a length within its limits; MarksError names it when it is not finite or outside."""
    if not limits_mm[0] <= value_mm <= limits_mm[1]:  # NaN is not within
        raise MarksError(
            f"{what} must be from {limits_mm[0]:g} to {limits_mm[1]:g} mm, got {value_mm:g}; give it again."
        )
    return value_mm


def _freeze(
    array: npt.ArrayLike, dtype: npt.DTypeLike, shape: tuple[int, ...] | None = None
) -> npt.NDArray[Any]:
    """Return a read-only copy with the wanted dtype, refusing a wrong shape."""
    frozen = np.array(array, dtype=dtype)
    if shape is not None and frozen.shape != shape:
        raise ValueError(f"Expected an array of shape {shape}, got {frozen.shape}.")
    frozen.setflags(write=False)
    return frozen


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture of a recording: `pixels` are grey values, uint8, shape (height, width)."""

    number: int
    time_s: float
    pixels: GreyImage

    def __post_init__(self) -> None:
        if self.pixels.ndim != 2 or self.pixels.dtype != np.uint8:
            raise ValueError(
                f"Frame pixels must be uint8 (height, width), got {self.pixels.dtype} {self.pixels.shape}."
            )


@dataclass(frozen=True)
class Clip:
    """What a recording is, without an open file. `n_frames` is the container's count, 0 without one."""

    path: Path
    kind: Literal["video", "images", "dicom"]
    width_px: int
    height_px: int
    n_frames: int
    nominal_fps: float

    def __post_init__(self) -> None:
        if self.width_px < 1 or self.height_px < 1:
            raise ClipError(
                f"{self.path.name}: the picture is {self.width_px} x {self.height_px} px; "
                "export the clip again."
            )

    @property
    def name(self) -> str:
        """Name of the result folder: the file's name without its ending."""
        return self.path.name if self.kind == "images" else self.path.stem


@dataclass(frozen=True)
class Region:
    """The B-mode area within the frame: a rectangle, or a sector inside its bounding box.

    `box_px` is (x, y, width, height) and covers pixels x .. x + width - 1. For a sector `apex_px` is the
    point where the beams meet, radii run from it, and `half_angle_deg` is the angle of the outer
    beams from straight down.
    """

    kind: Literal["rectangle", "sector"]
    box_px: tuple[int, int, int, int]
    apex_px: Point | None = None
    r_min_px: float = 0.0
    r_max_px: float = 0.0
    half_angle_deg: float = 0.0
    source: Literal["found", "given", "from the file"] = "found"

    def __post_init__(self) -> None:
        if self.box_px[2] < 8 or self.box_px[3] < 8:
            raise MarksError(
                f"Region must be at least 8 x 8 px, got {self.box_px[2]} x {self.box_px[3]}; "
                "give --region x,y,w,h again."
            )
        if self.kind == "sector" and (self.apex_px is None or not 0 <= self.r_min_px < self.r_max_px):
            raise ValueError("A sector needs its apex and 0 <= r_min_px < r_max_px.")

    def contains(self, points_px: npt.ArrayLike) -> BoolArray:
        """Tell which points, shape (..., 2), lie in the region; shape (...). NaN lies nowhere."""
        points = np.asarray(points_px, dtype=float)
        px, py = points[..., 0], points[..., 1]
        x, y, w, h = self.box_px
        inside: BoolArray = (px >= x - 0.5) & (px <= x + w - 0.5) & (py >= y - 0.5) & (py <= y + h - 0.5)
        if self.apex_px is not None and self.kind == "sector":
            dx, dy = px - self.apex_px[0], py - self.apex_px[1]
            radius = np.hypot(dx, dy)
            inside &= (radius >= self.r_min_px) & (radius <= self.r_max_px)
            inside &= np.abs(np.degrees(np.arctan2(dx, dy))) <= self.half_angle_deg
        return inside

    def mask(self, height_px: int, width_px: int) -> BoolArray:
        """Region as a picture, shape (height_px, width_px), True inside."""
        x, y = np.meshgrid(np.arange(width_px, dtype=float), np.arange(height_px, dtype=float))
        return self.contains(np.stack([x, y], axis=-1))

    @cached_property
    def outline_px(self) -> FloatArray:
        """Closed outline for drawing, shape (n, 2)."""
        if self.kind == "rectangle" or self.apex_px is None:
            x, y, w, h = self.box_px
            corners = [(x, y), (x + w - 1, y), (x + w - 1, y + h - 1), (x, y + h - 1)]
            return np.array(corners, dtype=float)
        angles = np.radians(np.linspace(-self.half_angle_deg, self.half_angle_deg, 64))
        beams = np.stack([np.sin(angles), np.cos(angles)], axis=-1)
        arc = np.concatenate([self.r_min_px * beams, self.r_max_px * beams[::-1]])
        return np.array(arc + np.asarray(self.apex_px), dtype=float)

    def depth_px(self, points_px: npt.ArrayLike) -> FloatArray:
        """Distance below the probe face along the beam, shape (...), for points of shape (..., 2)."""
        points = np.asarray(points_px, dtype=float)
        if self.kind == "sector" and self.apex_px is not None:
            radius = np.hypot(points[..., 0] - self.apex_px[0], points[..., 1] - self.apex_px[1])
            return np.asarray(radius - self.r_min_px, dtype=float)
        return np.asarray(points[..., 1] - self.box_px[1], dtype=float)

    @property
    def depth_range_px(self) -> float:
        """Depth of the picture's far edge."""
        return self.r_max_px - self.r_min_px if self.kind == "sector" else float(self.box_px[3] - 1)


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


@dataclass(frozen=True, eq=False)
class Target:
    """Outline of the thing to be sampled as marked on one frame: `outline_px` (n >= 3, 2), not closed."""

    outline_px: FloatArray
    frame: int = 0
    marking_sd_px: float = 1.0
    centre_px: Point = field(default=(np.nan, np.nan))

    def __post_init__(self) -> None:
        outline = _freeze(self.outline_px, np.float64)
        if outline.ndim != 2 or outline.shape[1] != 2 or len(outline) < 3 or not np.isfinite(outline).all():
            raise MarksError(
                "The target's outline needs at least three points (x, y) in pixels; mark it again."
            )
        object.__setattr__(self, "outline_px", outline)
        if self.frame < 0:
            raise MarksError(f"The target's frame must be 0 or more, got {self.frame}.")
        if not np.isfinite(self.centre_px).all():
            object.__setattr__(self, "centre_px", _centroid(outline))

    @classmethod
    def from_ellipse(
        cls, centre_px: Point, semi_axes_px: Point, *, tilt_deg: float = 0.0, frame: int = 0
    ) -> Target:
        """Target from an ellipse; `tilt_deg` turns the first semi-axis from +x towards +y.

        Raises
        ------
        MarksError
            When a value is not finite or a semi-axis is not above 0.
        """
        if not np.isfinite([*centre_px, *semi_axes_px, tilt_deg]).all() or min(semi_axes_px) <= 0:
            raise MarksError(
                f"Target must be cx,cy,rx,ry with radii above 0 px, got {(*centre_px, *semi_axes_px)}; "
                "mark it again."
            )
        # 360 corners keep the polygon within r * 4e-5 of the ellipse: under 0.01 px for any target.
        phase = np.linspace(0, 2 * np.pi, 360, endpoint=False)
        tilt = np.radians(tilt_deg)
        turn = np.array([[np.cos(tilt), np.sin(tilt)], [-np.sin(tilt), np.cos(tilt)]])
        rim = np.stack([semi_axes_px[0] * np.cos(phase), semi_axes_px[1] * np.sin(phase)], axis=-1) @ turn
        return cls(outline_px=rim + np.asarray(centre_px), frame=frame, centre_px=centre_px)

    @property
    def area_px2(self) -> float:
        """Area within the outline."""
        return abs(float(_crosses(self.outline_px - self.outline_px[0]).sum())) / 2


def _crosses(outline: FloatArray) -> FloatArray:
    """Cross product of each corner with the next, shape (n,): twice the area between them and the origin."""
    following = np.roll(outline, -1, axis=0)
    return np.asarray(outline[:, 0] * following[:, 1] - following[:, 0] * outline[:, 1], dtype=float)


def _centroid(outline: FloatArray) -> Point:
    """Centre of area of a polygon, shape (n, 2); mean of corners when the area is nil."""
    shifted = np.roll(outline, -1, axis=0)
    cross = _crosses(outline)
    area = cross.sum() / 2
    if abs(area) < 1e-9:
        return float(outline[:, 0].mean()), float(outline[:, 1].mean())
    centre = ((outline + shifted) * cross[:, None]).sum(axis=0) / (6 * area)
    return float(centre[0]), float(centre[1])


@dataclass(frozen=True)
class Marks:
    """All a user said of a clip; None where nothing was said. `scale` and `target` are checked values.

    `tick_mm` is what neighbouring ticks of the ruler are apart, `target_mm` the target's mean diameter.
    `screen` is for a camera's recording of the screen: its four corners on the first frame in the order round
    it, or "auto" to find them. `needle_length_mm`, `throw_mm` and `notch_mm` (of a core needle),
    `target_name`, `phantom` (a code) and `date` (YYYY-MM-DD) go into the record; `target_true_mm`, the true
    mean diameter, is held against the marked one and makes no scale.
    """

    target: Target | None = None
    scale: Scale | None = None
    region_box_px: tuple[int, int, int, int] | None = None
    tick_mm: float | None = None
    target_mm: float | None = None
    medium: Medium | None = None
    learner: str | None = None
    task: Literal["aspirate", "core"] = "aspirate"
    needle_gauge: int | None = None
    notes: str = ""
    screen: Literal["auto"] | Corners | None = None
    needle_length_mm: float | None = None
    throw_mm: float | None = None
    notch_mm: float | None = None
    target_name: str = ""
    target_true_mm: float | None = None
    phantom: str | None = None
    date: str | None = None


@dataclass(frozen=True)
class Needle:
    """The needle in one frame: where the shaft meets the region's edge, its angle, its tip or None."""

    entry_px: Point
    angle_deg: float
    tip_px: Point | None
    tip_visible: bool


@dataclass(frozen=True, eq=False)
class Track:
    """The needle and the target over a clip, one row per frame; NaN where unknown.

    Attributes
    ----------
    time_s : (n,) float
    needle_present : (n,) bool
        A needle is in the picture, seen or inferred.
    tip_px : (n, 2) float
        Best estimate of the tip; NaN without one.
    tip_visible : (n,) bool
        The tip itself can be seen; False with a finite `tip_px` means inferred.
    tip_sd_mm : (n,) float
        Expected root-mean-square error of the tip, both axes together.
    entry_px : (n, 2) float
    angle_deg : (n,) float
        Acute angle between shaft and the picture's horizontal, measured in millimetres.
    shaft_visible_share : (n,) float
    target_px : (n, 2) float
        Target centre, NaN throughout when no target was marked.
    target_found : (n,) bool
        False where the target could not be followed and its last place is held.
    trail_end_px : (n, 2) float
        End of the bright trail left behind, where one can be made out in a frame without needle.
    """

    time_s: FloatArray
    needle_present: BoolArray
    tip_px: FloatArray
    tip_visible: BoolArray
    tip_sd_mm: FloatArray
    entry_px: FloatArray
    angle_deg: FloatArray
    shaft_visible_share: FloatArray
    target_px: FloatArray
    target_found: BoolArray
    trail_end_px: FloatArray

    def __post_init__(self) -> None:
        n = len(self.time_s)
        for item in fields(self):
            shape = (n, 2) if item.name.endswith("_px") else (n,)
            dtype = np.bool_ if item.name in {"needle_present", "tip_visible", "target_found"} else np.float64
            object.__setattr__(self, item.name, _freeze(getattr(self, item.name), dtype, shape))
        if n and (not np.isfinite(self.time_s).all() or (np.diff(self.time_s) <= 0).any()):
            raise ValueError("Times of a track must be finite and rise from frame to frame.")
        if (self.tip_visible & ~self.needle_present).any():
            raise ValueError("A tip can't be visible in a frame without a needle.")

    def __len__(self) -> int:
        return len(self.time_s)

    def needle(self, frame: int) -> Needle | None:
        """Return the needle in one frame, None where there is none."""
        if not self.needle_present[frame]:
            return None
        tip = self.tip_px[frame]
        return Needle(
            entry_px=(float(self.entry_px[frame, 0]), float(self.entry_px[frame, 1])),
            angle_deg=float(self.angle_deg[frame]),
            tip_px=(float(tip[0]), float(tip[1])) if np.isfinite(tip).all() else None,
            tip_visible=bool(self.tip_visible[frame]),
        )

    @cached_property
    def frame_durations_s(self) -> FloatArray:
        """Time each frame stands for, shape (n,): up to the next one, for the last one the median."""
        if len(self) < 2:
            return np.zeros(len(self))
        steps = np.diff(self.time_s)
        return np.append(steps, np.median(steps))


@dataclass(frozen=True, eq=False)
class Strip:
    """The recorded greys along the shaft's line by time: what the tip was told from.

    Attributes
    ----------
    grey : (n_frames, n_samples) uint8
        Mean over the needle's width; 0 where nothing was sampled.
    step_mm : float
        From sample to sample, as shown.
    start_px, end_px : (n_frames, 2) float
        Places of the first and the last sample; NaN in frames without a line.
    """

    grey: GreyImage
    step_mm: float
    start_px: FloatArray
    end_px: FloatArray

    def __post_init__(self) -> None:
        n = len(self.grey)
        object.__setattr__(self, "grey", _freeze(self.grey, np.uint8))
        for name in ("start_px", "end_px"):
            object.__setattr__(self, name, _freeze(getattr(self, name), np.float64, (n, 2)))

    @property
    def length_mm(self) -> float:
        """From the first sample to the last."""
        return float(self.grey.shape[1] - 1) * self.step_mm


CorrectionKind = Literal[
    "tip", "tip hidden", "no needle", "split attempt", "join attempts", "split pass", "join passes"
]


@dataclass(frozen=True)
class Correction:
    """What a person put right: evidence for the tracker, or where attempts and passes part.

    Attributes
    ----------
    kind : CorrectionKind
        "tip": it is at `tip_px`, and can be seen there or not (`visible`). "tip hidden", "no needle": in this
        frame. "split attempt", "split pass": a new one begins with this frame. "join attempts", "join
        passes": the one that begins with this frame belongs to the one before.
    frame : int
    tip_px : (x, y) of the original frame, for "tip" alone
    by : code of who said so
    at : when, ISO 8601 in UTC
    """

    kind: CorrectionKind
    frame: int
    tip_px: Point | None = None
    visible: bool = True
    by: str = ""
    at: str = ""

    def __post_init__(self) -> None:
        if self.frame < 0:
            raise MarksError(f"A correction's frame must be 0 or more, got {self.frame}.")
        if (self.kind == "tip") != (self.tip_px is not None):
            raise MarksError(f'A correction "{self.kind}" at frame {self.frame}: only "tip" has a place.')


@dataclass(frozen=True)
class Figure:
    """One number of an attempt. `value` None means unknown, `sd` None means no uncertainty is stated."""

    name: str
    value: float | int | str | bool | None
    sd: float | None = None
    unit: str = ""
    title: str = ""
    meaning: str = ""


@dataclass(frozen=True)
class Pass:
    """A forward excursion of the tip of at least 3 mm; frames from first to last, both included."""

    first_frame: int
    last_frame: int
    deepest_frame: int


@dataclass(frozen=True)
class Attempt:
    """From the needle's first entry until it has left (or the clip ends): what happened, in figures.

    `figures` maps the column name of attempts.csv to its `Figure`, in the order of the table.
    """

    number: int
    first_frame: int
    last_frame: int
    cut_off: bool
    passes: tuple[Pass, ...]
    closest_frame: int | None
    outcome: Literal["hit", "miss", "borderline", "unscorable"]
    figures: Mapping[str, Figure]
    reason: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "figures", MappingProxyType(dict(self.figures)))


@dataclass(frozen=True, eq=False)
class ScreenView:
    """How a camera's frame shows the screen.

    `homography` (3, 3) leads from px of the straight picture to px of the frame. Greys of the frame are
    `gain` times those of the first one plus `offset`. `found` False: the screen could
    not be made out and its last place is held.
    """

    homography: FloatArray
    gain: float = 1.0
    offset: float = 0.0
    found: bool = True


@dataclass(frozen=True, eq=False)
class FilmedScreen:
    """A screen that a camera filmed: the views (see `ScreenView`) of all n frames, and both pictures' sizes.

    Attributes
    ----------
    frame_size_px, size_px : (width, height) of the original frame and of the straight picture
    corners_px : (4, 2) the screen's corners on the first frame, clockwise from the upper left
    homographies : (n, 3, 3)
    gains, offsets : (n,) float
    found : (n,) bool
    given : Marks
        What the user said, in px of the original frames.
    """

    frame_size_px: tuple[int, int]
    size_px: tuple[int, int]
    corners_px: FloatArray
    homographies: FloatArray
    gains: FloatArray
    offsets: FloatArray
    found: BoolArray
    given: Marks

    def __post_init__(self) -> None:
        n = len(self.homographies)
        shapes = {
            "corners_px": (4, 2),
            "homographies": (n, 3, 3),
            "gains": (n,),
            "offsets": (n,),
            "found": (n,),
        }
        for name, shape in shapes.items():
            dtype = np.bool_ if name == "found" else np.float64
            object.__setattr__(self, name, _freeze(getattr(self, name), dtype, shape))

    def view(self, frame: int) -> ScreenView:
        """Return the view of one frame."""
        return ScreenView(
            self.homographies[frame],
            float(self.gains[frame]),
            float(self.offsets[frame]),
            bool(self.found[frame]),
        )

    def to_frame_px(self, points_px: npt.ArrayLike) -> FloatArray:
        """One point of the straight picture for each frame, (n, 2), in px of that original frame."""
        points = np.asarray(points_px, dtype=float)
        whole = np.concatenate([points, np.ones((len(points), 1))], axis=1)
        moved = np.einsum("nij,nj->ni", self.homographies[: len(points)], whole)
        return np.asarray(moved[:, :2] / moved[:, 2:])

    def outlines_px(self) -> FloatArray:
        """Corners of the screen in every original frame, (n, 4, 2), clockwise from the upper left."""
        width, height = self.size_px
        own = [(0, 0), (width - 1, 0), (width - 1, height - 1), (0, height - 1)]
        n = len(self.homographies)
        return np.stack([self.to_frame_px(np.tile(corner, (n, 1))) for corner in own], axis=1)


@dataclass(frozen=True, eq=False)
class Scorecard:
    """Everything known of one scored clip: enough to write every file of its results folder.

    `distances` holds the per-frame arrays centre_distance_mm, edge_distance_mm and advance_mm, NaN where
    unknown.
    `confidence` is 0-1, how far the result can be trusted. `quality_notes` are sentences for the reader.
    `unscorable` is the reason in words, empty when the clip was scored.
    `sound` is None when nothing is corrected for the speed of sound. Otherwise `true_track` and
    `true_target` are where track and target would lie on the frame at the speed that the scanner assumes;
    everything in mm comes from those.
    `screen` is known when a camera filmed the screen: all other px are then of the straight picture.
    `strip` is None when nothing was followed. `corrections` are those that the result holds; `raw` is then
    the result without any.
    """

    clip: Clip
    clip_sha256: str
    marks: Marks
    region: Region
    scale: Scale
    track: Track
    attempts: tuple[Attempt, ...]
    distances: Mapping[str, FloatArray]
    confidence: float
    quality_notes: tuple[str, ...] = ()
    unscorable: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)
    screen: FilmedScreen | None = None
    sound: Sound | None = None
    true_track: Track | None = None
    true_target: Target | None = None
    strip: Strip | None = None
    corrections: tuple[Correction, ...] = ()
    raw: Scorecard | None = None

    @property
    def measured_track(self) -> Track:
        """Track that millimetres and angles come from."""
        return self.track if self.true_track is None else self.true_track

    @property
    def measured_target(self) -> Target | None:
        """Target that millimetres come from; None without one."""
        return self.marks.target if self.true_target is None else self.true_target


@dataclass(frozen=True)
class Storage:
    """How a clip is stored: names, bits per pixel of its region, and blocks of 8 px showing in the picture.

    `blockiness` is the mean step at the blocks' borders over that elsewhere, `compression` both in a word.
    Unknown is "" or NaN.
    """

    container: str
    codec: str
    pixel_format: str
    bits_per_px: float
    blockiness: float
    compression: Literal["fine", "noticeable", "heavy", "not known"]


@dataclass(frozen=True)
class Timing:
    """A clip in time: `fps` from the median step, spread the middle nine tenths of the steps over it.

    `same_share` is the share of the frames looked at that repeat the one before, at least.
    """

    n_frames: int
    length_s: float
    fps: float
    step_spread_share: float
    same_share: float
    interlaced: Literal["woven", "flagged", "no", "not known"]


@dataclass(frozen=True)
class Greys:
    """Grey values of the region: mean, 95th less 5th percentile, share at 250 and above, change per frame."""

    mean: float
    range: float
    saturated_share: float
    flicker: float


@dataclass(frozen=True)
class Inspection:
    """What can be told of a clip before it is scored.

    `region_problem` says why there is no region or why it is doubtful, `looks` in how many stretches moving
    lines were looked for, `looks_with_line` in how many one was found. `ruler` says what the ruler
    beside the picture is like, or why none could be read; `ticks_px` (n, 2) are its ticks. `advice` are
    sentences: what to do better in the next recording. `screen_corners_px` (4, 2) are known when a camera
    filmed the screen; all other px are then of the screen set straight.
    """

    clip: Clip
    storage: Storage
    timing: Timing
    greys: Greys
    region: Region | None
    region_problem: str
    tint: Literal["grey", "tinted", "coloured", "not known"]
    scale: Scale | None
    scale_notes: tuple[str, ...]
    ruler: str
    ticks_px: FloatArray
    looked_at: int
    looks: int
    looks_with_line: int
    advice: tuple[str, ...] = ()
    screen_corners_px: FloatArray | None = None
