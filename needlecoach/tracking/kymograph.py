"""Position along the shaft by time: strips of the picture, and of its places without a needle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.axis import Axis

FloatImages = npt.NDArray[np.float32]

SAMPLE_MM = 0.25
HALF_WIDTH_MM = 0.25
SIDE_MM = 1.5
BACKGROUND_TIME_S = 0.15
# A strip and its reference may be shifted by this much before a difference counts.
SLIDE_MM = 0.5
# Frame averaging has been undone, but for what is too weak to be told (a tenth) and what coding adds: a
# needle leaves up to about this share of itself for about this long. A tip drawn back over its own trail
# stands out by a third or a quarter of what the shaft before it did, and must not be taken for that.
GHOST_SHARE = 0.15
WHOLE_SHARE = 0.3
GHOST_S = 0.15


@dataclass(frozen=True, eq=False)
class Sheet:
    """Where the strips of all frames lie: places (n_frames, 3, n_samples, 2) in working pixels, float32."""

    axis: Axis
    places: FloatImages
    inside: BoolArray

    @classmethod
    def along(cls, axis: Axis, mask: BoolArray) -> Sheet:
        """Strips from the entry to the far edge of the region; `inside` tells which samples lie in it."""
        n = int(np.hypot(*mask.shape) * axis.step_mm / SAMPLE_MM)
        s = np.arange(n) * SAMPLE_MM
        bend = axis.bow_per_mm[:, None] * s**2
        offsets = np.array([-HALF_WIDTH_MM, 0.0, HALF_WIDTH_MM])
        across = (bend[:, None, :] + offsets[:, None])[..., None] * axis.below[:, None, None, :]
        straight = s[:, None] * axis.direction[:, None, None, :]
        places = axis.entry[:, None, None, :] + (straight + across) / axis.step_mm
        column, row = np.moveaxis(np.rint(places[:, 1]).astype(np.intp), -1, 0)
        height, width = mask.shape
        inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        inside[inside] = mask[row[inside], column[inside]]
        # Beyond the outermost pixels' centres a sample fades to black: no part of its width may lie there.
        inside &= ((places >= 0) & (places <= (width - 1, height - 1))).all(axis=(1, 3))
        used = int(np.flatnonzero(inside.any(axis=0)).max(initial=0)) + 1
        return cls(axis, places[:, :, :used].astype(np.float32), inside[:, :used])

    def reversed(self) -> Sheet:
        """The same with time running backwards."""
        return Sheet(self.axis.reversed(), self.places[::-1], self.inside[::-1])

    def sample(self, picture: npt.NDArray[Any], frame: int) -> FloatImages:
        """Mean value over the needle's width at every place along the shaft of a frame, (n_samples,)."""
        places = self.places[frame]
        # Places as pairs are read as they lie; OpenCV's annotations do not know of that.
        strip = cv2.remap(picture, places, None, cv2.INTER_LINEAR)  # type: ignore[call-overload]
        return np.asarray(np.asarray(strip, dtype=np.float32).mean(axis=0))

    def strips(self, pictures: Sequence[GreyImage]) -> FloatImages:
        """Strips of all frames, (n_frames, n_samples)."""
        return np.array([self.sample(picture, i) for i, picture in enumerate(pictures)], dtype=np.float32)


def background_strips(
    pictures: Sequence[GreyImage], time_s: FloatArray, sheet: Sheet, covered_mm: FloatArray
) -> FloatImages:
    """Strips of the most recent look of each place when no needle covered it.

    Parameters
    ----------
    covered_mm : (n_frames,)
        How far from the entry the needle reaches at most in each frame; 0 or less where it is absent.

    Returns
    -------
    (n_frames, n_samples) float32
        NaN where the place has not been seen uncovered yet. Feed everything reversed in time for the next
        look instead of the last one.
    """
    # Only where some strip lies does anything need to be remembered.
    (left, top), (right, bottom) = _box(sheet.places, pictures[0].shape)
    size = (bottom - top, right - left)
    background, known = np.zeros(size, dtype=np.float32), np.zeros(size, dtype=np.uint8)
    covered_before: npt.NDArray[Any] | None = np.full(size, 255, dtype=np.uint8)
    all_known = False
    out = np.full(sheet.inside.shape, np.nan, dtype=np.float32)
    places = sheet.places - np.array([left, top], dtype=np.float32)
    near = Sheet(sheet.axis, places, sheet.inside)
    shafts = sheet.axis.places(np.linspace(-3.0, covered_mm, 8, axis=1)) - (left, top)
    shafts = np.rint(shafts).astype(np.int32, order="C")
    thickness = max(1, round(2 * SIDE_MM / sheet.axis.step_mm))
    for i, picture in enumerate(pictures):
        if i:
            out[i] = near.sample(background, i)
            if not all_known:
                out[i, near.sample(known, i) <= 250] = np.nan
        new = picture[top:bottom, left:right]
        step_s = abs(time_s[i] - time_s[i - 1]) if i else 0.04
        share = float(1 - np.exp(-step_s / BACKGROUND_TIME_S))
        if covered_mm[i] <= 0 and covered_before is None:
            cv2.accumulateWeighted(new, background, share)
            continue
        cover, free = None, np.full(size, 255, dtype=np.uint8)
        if covered_mm[i] > 0:
            cv2.polylines(free, [shafts[i]], False, 0, thickness)
            cover = cv2.bitwise_not(free)
        cv2.accumulateWeighted(new, background, share, mask=free)
        # A place that has just come free shows what is there now, not a blend with what was there long ago.
        if covered_before is not None:
            cv2.copyTo(new.astype(np.float32), cv2.bitwise_and(free, covered_before), background)
        if not all_known:
            cv2.bitwise_or(known, free, known)
            all_known = bool(known.all())
        covered_before = cover
    return out


def _box(places: FloatImages, shape: tuple[int, ...]) -> tuple[tuple[int, int], tuple[int, int]]:
    """Corners (left, top), (right, bottom) of the part of a picture in which places lie."""
    limit = np.array(shape[::-1])
    # A strip is straight, or nearly so: a place in eight tells its extent to a pixel.
    some = places[:, :, [*range(0, places.shape[2], 8), -1]]
    low = np.clip(np.floor(some.min(axis=(0, 1, 2))) - 2, 0, limit - 1).astype(int)
    high = np.clip(np.ceil(some.max(axis=(0, 1, 2))) + 3, low + 1, limit).astype(int)
    return (int(low[0]), int(low[1])), (int(high[0]), int(high[1]))


def stand_out(grey: FloatImages, before: FloatImages, after: FloatImages | None = None) -> FloatImages:
    """By how much strips leave the range of both references when these may slide a little; shape as `grey`.

    Against the look before the needle came only an excess counts (a needle brightens its place); against the
    look once it has gone any difference counts, since a trail left behind can be brighter than the needle
    was. Without `after` that look is not known anywhere.
    """
    reach = 2 * round(SLIDE_MM / SAMPLE_MM) + 1
    kernel = np.ones((1, reach), dtype=np.uint8)
    over_before = grey - cv2.dilate(np.nan_to_num(before, nan=0.0), kernel)
    if after is None:
        over_before[np.isnan(before)] = 0
        return np.asarray(cv2.blur(np.maximum(over_before, 0).astype(np.float32), (3, 1)))
    high = cv2.dilate(np.nan_to_num(after, nan=0.0), kernel)
    low = cv2.erode(np.nan_to_num(after, nan=0.0), kernel)
    off_after = np.maximum(grey - high, low - grey)
    no_before, no_after = np.isnan(before), np.isnan(after)
    # Where the first look is missing (in from the first frame) a needle must at least outshine what it
    # leaves.
    change = np.where(
        no_before, grey - high, np.where(no_after, over_before, np.minimum(over_before, off_after))
    )
    change[no_before & no_after] = 0
    return np.asarray(cv2.blur(np.maximum(change, 0).astype(np.float32), (3, 1)))


def motion_reach(time_s: FloatArray, over_s: float) -> int:
    """How many frames to either side `motion_strips` looks."""
    return max(1, round(over_s / 2 / float(np.median(np.diff(time_s))))) if len(time_s) > 1 else 0


def motion_strips(
    pictures: Sequence[GreyImage], time_s: FloatArray, sheet: Sheet, *, over_s: float
) -> FloatImages:
    """Change of every strip over a time around its frame, sliding allowed; (n_frames, n_samples), greys."""
    frames = np.arange(len(pictures))
    reach = motion_reach(time_s, over_s)
    early, late = (np.clip(frames + by, 0, len(pictures) - 1) for by in (-reach, reach))
    first, second = (
        np.array([sheet.sample(pictures[j], i) for i, j in enumerate(at)], dtype=np.float32)
        for at in (early, late)
    )
    return moved_by(first, second)


def moved_by(first: FloatImages, second: FloatImages) -> FloatImages:
    """Change between two looks at each strip, sliding allowed; shape as either."""
    return np.asarray(cv2.blur(np.maximum(_beyond(first, second), _beyond(second, first)), (3, 1)))


def _beyond(strip: FloatImages, reference: FloatImages) -> FloatImages:
    """By how much a strip leaves the range of its reference when that may slide a little."""
    kernel = np.ones((1, 3), dtype=np.uint8)
    above, below = strip - cv2.dilate(reference, kernel), cv2.erode(reference, kernel) - strip
    return np.asarray(np.maximum(np.maximum(above, below), 0))


def without_ghosts(change: FloatImages, time_s: FloatArray) -> FloatImages:
    """Change without what the pictures still show of a needle that has just left its place.

    A place that has lost most of its change within a moment is being left; what remains there fades by
    itself.
    """
    step_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else GHOST_S
    reach = max(1, round(GHOST_S / step_s))
    recent = change.copy()
    for by in range(1, reach + 1):
        recent[by:] = np.maximum(recent[by:], change[:-by])
    return unghosted(change, recent)


def unghosted(change: FloatImages, recent: FloatImages) -> FloatImages:
    """Change without ghosts, given the most of it a moment ago; shape as either."""
    kept = change / np.maximum(recent, 1e-3)
    return change * np.clip((kept - GHOST_SHARE) / (WHOLE_SHARE - GHOST_SHARE), 0, 1).astype(np.float32)
