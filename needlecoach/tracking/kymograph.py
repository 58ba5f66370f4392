"""Position along the shaft by time: strips of the picture, and of its places without a needle."""

from __future__ import annotations

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
# Frame averaging leaves up to about this share of a needle for about this long.
GHOST_SHARE = 0.3
GHOST_S = 0.15


def sample_strip(picture: npt.ArrayLike, axis: Axis, frame: int, n: int) -> FloatArray:
    """Mean grey value over the needle's width at n places along the shaft of a frame, (n,); 0 outside."""
    offsets = np.array([-HALF_WIDTH_MM, 0.0, HALF_WIDTH_MM])[:, None]
    points = axis.points(frame, np.arange(n) * SAMPLE_MM, offsets).astype(np.float32)
    strip = cv2.remap(np.asarray(picture), points[..., 0], points[..., 1], cv2.INTER_LINEAR)
    return np.asarray(np.asarray(strip, dtype=float).mean(axis=0))


def strips(pictures: list[GreyImage], axis: Axis, mask: BoolArray) -> tuple[FloatImages, BoolArray]:
    """Recorded strips of all frames and which of their samples lie in the region."""
    n = int(np.hypot(*mask.shape) * axis.step_mm / SAMPLE_MM)
    area = mask.astype(np.uint8) * 255
    grey = np.zeros((len(pictures), n), dtype=np.float32)
    inside = np.zeros((len(pictures), n), dtype=bool)
    for i, picture in enumerate(pictures):
        grey[i] = sample_strip(picture, axis, i, n)
        inside[i] = sample_strip(area, axis, i, n) > 200
    used = int(np.flatnonzero(inside.any(axis=0)).max(initial=0)) + 1
    return grey[:, :used], inside[:, :used]


def background_strips(
    pictures: list[GreyImage], time_s: FloatArray, axis: Axis, covered_mm: FloatArray, n: int
) -> FloatImages:
    """Strips of the most recent look of each place when no needle covered it.

    Parameters
    ----------
    covered_mm : (n_frames,)
        How far from the entry the needle reaches at most in each frame; 0 or less where it is absent.

    Returns
    -------
    (n_frames, n) float32
        NaN where the place has not been seen uncovered yet. Feed everything reversed in time for the next
        look instead of the last one.
    """
    height, width = pictures[0].shape
    background = np.zeros((height, width), dtype=np.float32)
    known = np.zeros((height, width), dtype=np.uint8)
    covered_before = np.full((height, width), 255, dtype=np.uint8)
    out = np.full((len(pictures), n), np.nan, dtype=np.float32)
    thickness = max(1, round(2 * SIDE_MM / axis.step_mm))
    for i, picture in enumerate(pictures):
        if i:
            strip = sample_strip(background, axis, i, n)
            seen = sample_strip(known, axis, i, n)
            out[i] = np.where(seen > 250, strip, np.nan)
        cover = np.zeros((height, width), dtype=np.uint8)
        if covered_mm[i] > 0:
            shaft = axis.points(i, np.linspace(-3.0, covered_mm[i], 8))
            cv2.polylines(cover, [np.rint(shaft).astype(np.int32)], False, 255, thickness)
        free = cv2.bitwise_not(cover)
        step_s = abs(time_s[i] - time_s[i - 1]) if i else 0.04
        new = picture.astype(np.float32)
        cv2.accumulateWeighted(new, background, float(1 - np.exp(-step_s / BACKGROUND_TIME_S)), mask=free)
        # A place that has just come free shows what is there now, not a blend with what was there long ago.
        cv2.copyTo(new, cv2.bitwise_and(free, covered_before), background)
        cv2.bitwise_or(known, free, known)
        covered_before = cover
    return out


def stand_out(grey: FloatImages, before: FloatImages, after: FloatImages) -> FloatImages:
    """By how much strips leave the range of both references when these may slide a little; shape as `grey`.

    Against the look before the needle came only an excess counts (a needle brightens its place); against the
    look once it has gone any difference counts, since a trail left behind can be brighter than the needle
    was.
    """
    reach = 2 * round(SLIDE_MM / SAMPLE_MM) + 1
    kernel = np.ones((1, reach), dtype=np.uint8)
    over_before = grey - cv2.dilate(np.nan_to_num(before, nan=0.0), kernel)
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


def motion_strips(
    pictures: list[GreyImage], time_s: FloatArray, axis: Axis, n: int, *, over_s: float
) -> FloatImages:
    """Change of every strip over a time around its frame, sliding allowed; (n_frames, n), grey values."""
    frames = np.arange(len(pictures))
    reach = max(1, round(over_s / 2 / float(np.median(np.diff(time_s))))) if len(pictures) > 1 else 0
    early, late = (np.clip(frames + by, 0, len(pictures) - 1) for by in (-reach, reach))
    pair = [
        np.stack([sample_strip(pictures[j], axis, i, n) for i, j in enumerate(at)]) for at in (early, late)
    ]
    first, second = (side.astype(np.float32) for side in pair)
    return np.asarray(cv2.blur(np.maximum(_beyond(first, second), _beyond(second, first)), (3, 1)))


def _beyond(strip: FloatImages, reference: FloatImages) -> FloatImages:
    """By how much a strip leaves the range of its reference when that may slide a little."""
    kernel = np.ones((1, 3), dtype=np.uint8)
    above, below = strip - cv2.dilate(reference, kernel), cv2.erode(reference, kernel) - strip
    return np.asarray(np.maximum(np.maximum(above, below), 0))


def without_ghosts(change: FloatImages, time_s: FloatArray) -> FloatImages:
    """Change without what the scanner's frame averaging still shows of a needle that has just left its place.

    A place that has lost most of its change within a moment is being left; what remains there fades by
    itself.
    """
    step_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else GHOST_S
    reach = max(1, round(GHOST_S / step_s))
    recent = change.copy()
    for by in range(1, reach + 1):
        recent[by:] = np.maximum(recent[by:], change[:-by])
    kept = change / np.maximum(recent, 1e-3)
    return change * np.clip((kept - GHOST_SHARE) / (1 - 2 * GHOST_SHARE), 0, 1).astype(np.float32)
