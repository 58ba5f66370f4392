"""The outline of the thing to be sampled."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from needlecoach.errors import MarksError
from needlecoach.model.basics import FloatArray, Point, freeze


@dataclass(frozen=True, eq=False)
class Target:
    """Outline of the thing to be sampled as marked on one frame: `outline_px` (n >= 3, 2), not closed."""

    outline_px: FloatArray
    frame: int = 0
    marking_sd_px: float = 1.0
    centre_px: Point = field(default=(np.nan, np.nan))

    def __post_init__(self) -> None:
        outline = freeze(self.outline_px, np.float64)
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
