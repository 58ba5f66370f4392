"""A recording, one picture of it, and where in it the ultrasound lies."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from needlecoach.errors import ClipError, MarksError
from needlecoach.model.basics import BoolArray, FloatArray, GreyImage, Point


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
