"""What lies along a line from the region's edge on: the band of a shaft, its sides and its end."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage

# Steps along and across the line; it is averaged along by about two speckles.
ALONG_MM, ACROSS_MM, AVERAGE_MM, BLUR_MM = 0.25, 0.15, 1.5, 0.3
QUIETEST_GREY = 3.0
# Half the band a shaft's echo fills; its sides; the shaft's last stretch; how far the strip goes sideways.
BAND_MM, SIDE_MM, END_MM, ACROSS_REACH_MM = 0.5, (1.1, 2.6), 7.0, 6.0
# The brightest of a band of speckle lies this many noise levels over its sides; a shaft one more.
LUCK, CLEAR = 1.6, 1.0
# A shorter shaft is any bright dash; with less picture beyond the end, nothing tells that it ends.
SHORTEST_MM, FREE_MM = 8.0, 3.0


@dataclass(frozen=True, eq=False)
class Scene:
    """A picture in units of its own noise, and its geometry; `inside` is 1 in the region, 0 outside."""

    picture: npt.NDArray[np.float32]
    inside: GreyImage
    depth_share: FloatArray
    step_mm: float

    @classmethod
    def of(cls, picture: GreyImage, mask: BoolArray, depth_share: FloatArray, step_mm: float) -> Scene:
        """Smooth a picture a little and measure it in levels of its noise, as left by the finest detail."""
        smooth = cv2.GaussianBlur(np.asarray(picture, dtype=np.float32), (0, 0), BLUR_MM / step_mm)
        fine = smooth - cv2.GaussianBlur(smooth, (0, 0), 4 * BLUR_MM / step_mm)
        noise = max(1.4826 * float(np.median(np.abs(fine[mask]))), QUIETEST_GREY)
        inside = np.asarray(mask, dtype=np.uint8)
        return cls(np.asarray(smooth / noise, dtype=np.float32), inside, depth_share, step_mm)

    @cached_property
    def beams(self) -> FloatArray:
        """Unit vectors down the beam, (height, width, 2)."""
        down = np.stack(np.gradient(np.asarray(self.depth_share, dtype=float))[::-1], axis=-1)
        return np.asarray(down / np.maximum(np.linalg.norm(down, axis=-1, keepdims=True), 1e-9))

    def strip(self, point: FloatArray, direction: FloatArray) -> Strip | None:
        """The strip along a line through the region; None where that is too short for a shaft with an end."""
        reach, step = 2 * float(np.hypot(*self.inside.shape)), ALONG_MM / self.step_mm
        points = point + np.arange(-reach, reach, step)[:, None] * direction
        inside = np.flatnonzero(np.isfinite(self.sample(points[None])[0]))
        if inside.size < (SHORTEST_MM + FREE_MM) / ALONG_MM:
            return None
        points = points[inside[0] : inside[-1] + 1]
        below = np.array([-direction[1], direction[0]]) * (1 if direction[0] >= 0 else -1)
        across_mm = np.arange(-ACROSS_REACH_MM, ACROSS_REACH_MM + ACROSS_MM / 2, ACROSS_MM)
        raw = self.sample(points[:, None] + across_mm[:, None] * below / self.step_mm)
        return Strip(points, direction, below, across_mm, raw, _mean_along(raw, AVERAGE_MM))

    def sample(self, points: FloatArray) -> FloatArray:
        """Values at points, (n, m, 2); NaN outside the region."""
        x, y = points[..., 0].astype(np.float32), points[..., 1].astype(np.float32)
        values = cv2.remap(self.picture, x, y, cv2.INTER_LINEAR)
        known = cv2.remap(self.inside, x, y, cv2.INTER_NEAREST, borderValue=0)
        return np.where(known > 0, values, np.nan)


def mean_known(values: FloatArray, axis: int = 0) -> FloatArray:
    """Mean along an axis, leaving NaN out; NaN where nothing is known."""
    known = np.isfinite(values).sum(axis=axis)
    return np.where(known > 0, np.nansum(values, axis=axis) / np.maximum(known, 1), np.nan)


def _mean_along(values: FloatArray, length_mm: float) -> FloatArray:
    """Running mean along the first axis, leaving NaN out."""
    flat = values.reshape(len(values), -1)
    parts = (np.nan_to_num(flat).astype(np.float32), np.isfinite(flat).astype(np.float32))
    size = (1, round(length_mm / ALONG_MM) | 1)
    total, weight = (cv2.blur(part, size, borderType=cv2.BORDER_REPLICATE) for part in parts)
    mean = np.where(weight > 0.2, total / np.maximum(weight, 1e-6), np.nan)
    return np.asarray(mean, dtype=float).reshape(values.shape)


@dataclass(frozen=True, eq=False)
class Strip:
    """What lies along a line from the edge on: `points` (n_along, 2), values (n_along, n_across)."""

    points: FloatArray
    direction: FloatArray
    below: FloatArray
    across_mm: FloatArray
    raw: FloatArray
    mean: FloatArray

    @property
    def slope_deg(self) -> float:
        """Acute angle to the horizontal; negative for a line that rises."""
        return float(np.degrees(np.arctan2(self.direction[1], abs(self.direction[0]))))

    @cached_property
    def too_short(self) -> bool:
        """Whether the shaft, or what follows beyond it, is too short to tell."""
        first, last = self.shaft
        return (last - first) * ALONG_MM < SHORTEST_MM or (len(self.points) - last) * ALONG_MM < FREE_MM

    @cached_property
    def sides(self) -> tuple[FloatArray, FloatArray]:
        """What lies above and below the band, (n_along,) each; NaN outside the region."""
        chosen = [
            (sign * self.across_mm - SIDE_MM[0]) * (sign * self.across_mm - SIDE_MM[1]) for sign in (-1, 1)
        ]
        above, below = (mean_known(self.mean[:, part <= 1e-6], axis=1) for part in chosen)
        return above, below

    @cached_property
    def contrast(self) -> FloatArray:
        """How far the band stands out from what lies above it, in noise levels over chance, (n_along,)."""
        band = np.nan_to_num(self.mean[:, np.abs(self.across_mm) < BAND_MM]).max(axis=1)
        return np.asarray(np.nan_to_num(band - self.sides[0] - LUCK))

    @cached_property
    def shaft(self) -> tuple[int, int]:
        """First and last sample of the stretch that stands out most in sum."""
        gain = np.concatenate([[0.0], np.cumsum(np.clip(self.contrast - CLEAR, -2, 2))])
        last = int(np.argmax(gain[1:]))
        return int(np.argmin(gain[: last + 1])), last

    @cached_property
    def tip_mm(self) -> float:
        """Where the band has fallen half way from its last millimetres to what follows."""
        last, reach = self.shaft[1], round(END_MM / 2 / ALONG_MM)
        narrow = _mean_along(self.raw, 2 * ALONG_MM)[:, np.abs(self.across_mm) < BAND_MM]
        band = np.nan_to_num(narrow).max(axis=1)
        half = (np.median(band[max(0, last - reach) : last - 2]) + np.median(band[last + 4 :][:reach])) / 2
        start = max(0, last - round(2 * AVERAGE_MM / ALONG_MM))
        bright = np.flatnonzero(band[start : last + 3] > half)
        return float((start + bright[-1] if bright.size else last) * ALONG_MM)

    @cached_property
    def edge(self) -> tuple[npt.NDArray[np.intp], FloatArray]:
        """Upper edge of the band: the shaft's samples that stand out, its place across in mm, (n,) each."""
        near = np.abs(self.across_mm) <= 2 * BAND_MM
        rise = np.nan_to_num(np.gradient(self.mean[:, near], axis=1))
        first, last = self.shaft
        on = first + np.flatnonzero(self.contrast[first : last + 1] > CLEAR)
        return on, self.across_mm[near][np.argmax(rise, axis=1)][on]

    def fitted(self, step_mm: float) -> tuple[FloatArray, FloatArray]:
        """Point and direction of the line through the band, fitted to its upper edge without what strays."""
        on, place_mm = self.edge
        if len(on) * ALONG_MM < SHORTEST_MM / 2:
            return self.points[0], self.direction
        along_mm = on * ALONG_MM
        slope, start_mm = np.polyfit(along_mm, place_mm, 1)
        for _ in range(2):
            off_mm = np.abs(place_mm - start_mm - slope * along_mm)
            near = off_mm <= max(2 * ACROSS_MM, 2 * float(np.median(off_mm)))
            slope, start_mm = np.polyfit(along_mm[near], place_mm[near], 1)
        point = self.points[0] + self.below * (start_mm + BAND_MM) / step_mm
        direction = self.direction + self.below * slope
        return point, direction / np.linalg.norm(direction)

    @cached_property
    def stray_mm(self) -> float:
        """How far the upper edge of the band strays from a straight line, smoothed over 4 mm."""
        on, place_mm = self.edge
        if len(on) * ALONG_MM < SHORTEST_MM / 2:
            return np.inf
        return float(np.std(_mean_along(place_mm - np.polyval(np.polyfit(on, place_mm, 1), on), 4.0)))

    def ending(self, values: FloatArray) -> tuple[float, float]:
        """Mean of the shaft's last stretch and of what follows beyond its end, of values (n_along,)."""
        last, n, gap = self.shaft[1], round(END_MM / ALONG_MM), round(1 / ALONG_MM)
        parts = values[max(0, last - n) : last - gap + 1], values[last + gap : last + gap + n]
        return float(mean_known(parts[0])), float(mean_known(parts[1]))
