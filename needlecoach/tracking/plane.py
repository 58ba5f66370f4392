"""The working picture: the B-mode region resampled to square pixels of a known size in millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.errors import UnscorableError
from needlecoach.model import BoolArray, FloatArray, GreyImage, Region, Scale

# Finer than this only records noise: the point-spread function of a needle probe is 0.2-1 mm wide, wider at
# depth.
FINEST_STEP_MM = 0.15
DEPTH_STEPS = 330
SMALLEST_SIDE_MM = 5.0


@dataclass(frozen=True)
class Plane:
    """Geometry of the working picture; (0, 0) is the centre of its first pixel, a pixel is `step_mm` wide."""

    region: Region
    scale: Scale

    def __post_init__(self) -> None:
        width_mm, height_mm = self.scale.to_mm(self.region.box_px[2:])
        if min(width_mm, height_mm) < SMALLEST_SIDE_MM:
            raise UnscorableError(
                f"the picture is only {width_mm:.2g} x {height_mm:.2g} mm by the scale given; "
                "check --scale and --region"
            )

    @cached_property
    def step_mm(self) -> float:
        """Width of a working pixel."""
        native = max(self.scale.x_mm_per_px, self.scale.y_mm_per_px)
        depth_mm = self.region.depth_range_px * self.scale.y_mm_per_px
        return max(native, FINEST_STEP_MM, depth_mm / DEPTH_STEPS)

    @cached_property
    def size(self) -> tuple[int, int]:
        """(width, height) of the working picture."""
        width_mm, height_mm = self.scale.to_mm(self.region.box_px[2:])
        return max(16, round(width_mm / self.step_mm)), max(16, round(height_mm / self.step_mm))

    @cached_property
    def _zoom(self) -> FloatArray:
        """Frame pixels per working pixel along x and y."""
        return np.array(self.region.box_px[2:], dtype=float) / self.size

    def resample(self, pixels: GreyImage) -> GreyImage:
        """Cut the region out of a frame and resample it, averaging whole pixels where it shrinks."""
        x, y, w, h = self.region.box_px
        cut: npt.NDArray[Any] = pixels[max(y, 0) : y + h, max(x, 0) : x + w]
        # Averaging by a whole number and reading in between costs a tenth of averaging by a fraction.
        whole = np.maximum(1, np.floor(self._zoom + 0.25)).astype(int)
        small = (-(-cut.shape[1] // whole[0]), -(-cut.shape[0] // whole[1]))
        if (whole > 1).any():
            right, below = small[0] * whole[0] - cut.shape[1], small[1] * whole[1] - cut.shape[0]
            if right or below:
                cut = cv2.copyMakeBorder(cut, 0, int(below), 0, int(right), cv2.BORDER_REPLICATE)
            cut = cv2.resize(cut, small, interpolation=cv2.INTER_AREA)
        zoom = self._zoom / whole
        if np.all(zoom == 1):
            return np.asarray(cut, dtype=np.uint8)
        start = (0.5 * self._zoom - 0.5 * whole) / whole
        matrix = np.array([[zoom[0], 0, start[0]], [0, zoom[1], start[1]]])
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        found = cv2.warpAffine(cut, matrix, self.size, flags=how, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(found, dtype=np.uint8)

    def to_frame_px(self, points: npt.ArrayLike) -> FloatArray:
        """Points of the working picture, shape (..., 2), in pixels of the frame."""
        corner = np.asarray(self.region.box_px[:2], dtype=float) - 0.5
        return np.asarray((np.asarray(points, dtype=float) + 0.5) * self._zoom + corner)

    def from_frame_px(self, points_px: npt.ArrayLike) -> FloatArray:
        """Points of the frame, shape (..., 2), in pixels of the working picture."""
        corner = np.asarray(self.region.box_px[:2], dtype=float) - 0.5
        return np.asarray((np.asarray(points_px, dtype=float) - corner) / self._zoom - 0.5)

    @cached_property
    def mask(self) -> BoolArray:
        """Working pixels that lie in the region."""
        x, y = np.meshgrid(np.arange(self.size[0], dtype=float), np.arange(self.size[1], dtype=float))
        return self.region.contains(self.to_frame_px(np.stack([x, y], axis=-1)))

    @cached_property
    def depth_share(self) -> FloatArray:
        """Depth of every working pixel as a share of the picture's depth, shape of `mask`."""
        x, y = np.meshgrid(np.arange(self.size[0], dtype=float), np.arange(self.size[1], dtype=float))
        points_px = self.to_frame_px(np.stack([x, y], axis=-1))
        return self.region.depth_px(points_px) / self.region.depth_range_px


def slope_deg(way: FloatArray) -> float:
    """Acute angle of a way (2,) in working pixels to the picture's horizontal."""
    return float(np.degrees(np.arctan2(abs(way[1]), abs(way[0]))))
