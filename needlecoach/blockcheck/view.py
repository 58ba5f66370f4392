"""One picture made ready for looking: levels in dB, brought back from the scanner's log compression."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage, Region, Scale

Floats32 = npt.NDArray[np.float32]

# Beams of the straightened picture lie so close and so do its rows: finer than any scanner's resolution.
BEAM_STEP_MM, ROW_STEP_MM = 0.2, 0.1
# Close below the probe's face its own ringing hides the gel (common practice, no source).
FACE_MM = 3.0
# Greys beside black and white stand for all levels beyond: what they were is lost.
BLACK, WHITE = 2, 253


@dataclass(frozen=True, eq=False)
class View:
    """The region cut out of one frame; `dynamic_range_db` is what the greys 0 to 255 stand for."""

    greys: GreyImage
    inside: BoolArray
    region: Region
    scale: Scale
    dynamic_range_db: float

    @classmethod
    def of(cls, pixels: GreyImage, region: Region, scale: Scale, dynamic_range_db: float) -> View:
        """Cut the region out of a frame's pixels, uint8 (height, width)."""
        x, y, w, h = region.box_px
        inside = region.mask(*pixels.shape)[max(y, 0) : y + h, max(x, 0) : x + w]
        greys = np.ascontiguousarray(pixels[max(y, 0) : y + h, max(x, 0) : x + w])
        return cls(greys, inside, region, scale, dynamic_range_db)

    @property
    def corner_px(self) -> FloatArray:
        """Place of the cut's first pixel in the frame."""
        return np.asarray(np.maximum(self.region.box_px[:2], 0), dtype=float)

    @cached_property
    def level_db(self) -> Floats32:
        """Level of each pixel in dB: 0 is white, minus the dynamic range is black."""
        return to_db(self.greys, self.dynamic_range_db)

    @cached_property
    def depth_mm(self) -> Floats32:
        """Depth of each pixel below the probe's face, as shown."""
        h, w = self.greys.shape
        x, y = np.meshgrid(np.arange(w, dtype=float), np.arange(h, dtype=float))
        points = np.stack([x, y], axis=-1) + self.corner_px
        return np.asarray(self.region.depth_px(points) * self.scale.y_mm_per_px, dtype=np.float32)

    @property
    def deepest_mm(self) -> float:
        """Depth of the picture's far edge, as shown."""
        return float(self.region.depth_range_px * self.scale.y_mm_per_px)


def to_db(greys: npt.NDArray[np.uint8], dynamic_range_db: float) -> Floats32:
    """Level below white of greys, which a scanner spreads evenly over its dynamic range in dB."""
    return np.asarray((greys.astype(np.float32) / 255 - 1) * np.float32(dynamic_range_db))


@dataclass(frozen=True, eq=False)
class Beams:
    """A view straightened: rows are depths, columns beams side by side, so that a shadow runs straight down.

    `level_db` is (rows, columns), NaN outside the frame; `frame_px` (rows, columns, 2) where each sample
    lies; `apart_mm` (rows,) how far neighbouring beams are apart.
    """

    level_db: Floats32
    frame_px: Floats32
    apart_mm: FloatArray

    @classmethod
    def of(cls, view: View) -> Beams:
        places = _sector_px(view) if view.region.kind == "sector" else _rectangle_px(view)
        local = (places - view.corner_px).astype(np.float32)
        x, y = np.ascontiguousarray(local[..., 0]), np.ascontiguousarray(local[..., 1])
        nowhere = (np.nan,) * 4
        level = cv2.remap(
            view.level_db, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=nowhere
        )
        across = np.diff(places, axis=1) * (view.scale.x_mm_per_px, view.scale.y_mm_per_px)
        apart = np.hypot(across[..., 0], across[..., 1]).mean(axis=1)
        return cls(np.asarray(level, np.float32), places.astype(np.float32), np.asarray(apart, float))

    @property
    def depth_mm(self) -> FloatArray:
        """Depth of each row, as shown."""
        return np.asarray(np.arange(self.level_db.shape[0]) * ROW_STEP_MM, dtype=float)


def _depths_px(view: View) -> FloatArray:
    return np.asarray(np.arange(0, view.deepest_mm, ROW_STEP_MM) / view.scale.y_mm_per_px, dtype=float)


def _rectangle_px(view: View) -> FloatArray:
    x, y, w, _ = view.region.box_px
    across = np.arange(x, x + w - 1 + 1e-6, BEAM_STEP_MM / view.scale.x_mm_per_px)
    return np.stack(np.meshgrid(across, y + _depths_px(view)), axis=-1)


def _sector_px(view: View) -> FloatArray:
    """Beams of a sector; they are so far apart half way down."""
    region = view.region
    assert region.apex_px is not None
    radii = region.r_min_px + _depths_px(view)
    half = np.radians(region.half_angle_deg)
    step = BEAM_STEP_MM / view.scale.y_mm_per_px / float(np.median(radii))
    angle, radius = np.meshgrid(np.arange(-half, half, step), radii)
    places = np.stack([np.sin(angle), np.cos(angle)], axis=-1) * radius[..., None] + region.apex_px
    return np.asarray(places, dtype=float)
