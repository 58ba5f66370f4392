"""What stands out against the same place at other times: the evidence that a needle came and went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage

FloatImages = npt.NDArray[np.float32]
# What is kept for every block of a window is kept small.
HalfImages = npt.NDArray[np.float16]
GreyImages = npt.NDArray[np.uint8]

# The two ends of a shaft, (2, 2) in working pixels.
Shaft = npt.NDArray[np.float64]

BLOCK_S = 0.25
# Sums of times are off by less than this: a picture that falls on a block's beginning is always in it.
ROUNDING_S = 1e-4
# What drifts by less than this must not look new: the reference is dilated by it.
JITTER_MM = 0.3
EDGE_MM = 0.5
# Where either only the past or only the future of a place is darker (a trail left behind, a needle that is in
# from the first frame or still in at the last), the change counts for this share.
ONE_SIDED_SHARE = 0.3
# A place that is never still for so long sways all the time (an interface, by a pixel): it is scenery too.
QUIET_S = 0.75
# A shaft covers what lies this close to its line.
SHAFT_SIDE_MM = 1.5


@dataclass(frozen=True, eq=False)
class Changes:
    """Pictures of change, shape (n_blocks, height, width) in grey values, each the mean of a block of frames.

    `block_of` gives the block of every frame, `time_s` the middle of every block; `past` and `future` are the
    darkest looks of every place before each block's end and after its start, shape as `pictures`. Without
    `hindsight` the past alone counts, and in full.
    """

    pictures: HalfImages
    block_of: npt.NDArray[np.intp]
    time_s: FloatArray
    mask: BoolArray
    past: GreyImages
    future: GreyImages
    hindsight: bool = True

    def excess_at(
        self, pictures: Sequence[GreyImage], block: int, points: npt.NDArray[np.float32]
    ) -> npt.NDArray[np.float32]:
        """What stands out in the mean of a few pictures of one block, at points (..., 2); shape (...)."""
        grey = np.mean([_at(picture, points) for picture in pictures], axis=0)
        sides = []
        if block > 0:
            sides.append(grey - _at(self.past[block - 1], points))
        if block < len(self.past) - 1 and self.hindsight:
            sides.append(grey - _at(self.future[block + 1], points))
        excess = _over(sides, grey, hindsight=self.hindsight)
        return np.asarray(np.where(_at(self.mask.astype(np.uint8), points) > 0.5, excess, 0), np.float32)


def find_changes(
    pictures: npt.NDArray[np.uint8] | list[GreyImage],
    time_s: FloatArray,
    *,
    mask: BoolArray,
    step_mm: float,
    hindsight: bool = True,
    block_s: float = BLOCK_S,
    shafts: Sequence[Shaft | None] = (),
) -> Changes:
    """Show, block by block, what is brighter than the same place was before and will be after.

    Parameters
    ----------
    pictures : n_frames working pictures, steadied against drift
    time_s : (n_frames,)
    mask : (height, width) bool, where the picture shows anything
    step_mm : width of a pixel
    hindsight : whether what a place looks like later tells of it too; while a needle is in, that is the
        needle itself
    block_s : length of a block
    shafts : what is known of the needle in each frame; places that it left look as they do then. Only without
        hindsight

    Notes
    -----
    A needle is brighter than the darkest look of its place both before and after; scenery is not, nor is a
    trail once it has been laid, since from then on it stays.
    """
    # Live, the same pictures make the same blocks whichever are still looked at.
    began_s = time_s[0] if hindsight else -ROUNDING_S
    block_of = np.floor((time_s - began_s) / block_s).astype(np.intp)
    block_of = np.unique(block_of, return_inverse=True)[1]
    n_blocks = int(block_of[-1]) + 1
    counts = np.bincount(block_of, minlength=n_blocks)
    means = np.zeros((n_blocks, *mask.shape), dtype=np.float16)
    ends = np.cumsum(counts)
    for block in range(n_blocks):
        total = np.zeros(mask.shape, dtype=np.float32)
        for i in range(ends[block] - counts[block], ends[block]):
            cv2.accumulate(pictures[i], total)
        means[block] = _half(cv2.GaussianBlur(total / counts[block], (0, 0), 1.0))
    past, future = _darkest(means, step_mm)
    if any(shaft is not None for shaft in shafts):
        _renew_left(past, means, _covers(shafts, block_of, mask.shape, step_mm), step_mm)
    changed = means  # written over block by block: a window of it is large
    for block in range(n_blocks):
        mean = single(means[block])
        sides = [mean - past[block - 1]] if block > 0 else []
        if block < n_blocks - 1 and hindsight:
            sides.append(mean - future[block + 1])
        changed[block] = _half(_over(sides, mean, hindsight=hindsight))
    inner = without_rim(mask, step_mm)
    flicker = np.where(inner, _flicker(changed, block_s), np.inf).astype(np.float32)
    before = here = np.zeros(0, dtype=np.float32)
    after = np.maximum(single(changed[0]) - flicker, 0)
    for block in range(n_blocks):
        before, here = here, after
        if block < n_blocks - 1:
            after = np.maximum(single(changed[block + 1]) - flicker, 0)
        changed[block] = _half((before + here + after) / 3 if 0 < block < n_blocks - 1 else here)
    middle = np.bincount(block_of, weights=time_s) / counts
    return Changes(changed, block_of, middle, inner, past, future, hindsight)


def single(picture: npt.NDArray[np.float16]) -> FloatImages:
    """A picture in single precision; OpenCV converts in a quarter of numpy's time, to the same numbers."""
    return _as(picture, cv2.CV_32F)


def _half(picture: FloatImages) -> HalfImages:
    """A picture in half precision."""
    return _as(picture, cv2.CV_16F)


def _as(picture: npt.NDArray[Any], kind: int) -> npt.NDArray[Any]:
    return np.asarray(cv2.multiply(picture, 1.0, dtype=kind))  # type: ignore[call-overload]


def _flicker(changed: HalfImages, block_s: float) -> FloatImages:
    """Change of each place in its quietest while; a needle that rests for long was out for one."""
    reach = max(1, round(QUIET_S / block_s))
    least = np.full(changed.shape[1:], np.inf, dtype=np.float32)
    recent: list[FloatImages] = []
    for number, picture in enumerate(changed, start=1):
        recent = [*recent[-reach + 1 :], single(picture)]
        if number >= min(reach, len(changed)):
            np.minimum(least, np.maximum.reduce(recent), out=least)
    return least


def without_rim(mask: BoolArray, step_mm: float) -> BoolArray:
    """The mask without its rim, where drift brings black surround in."""
    size = 2 * max(2, round(EDGE_MM / step_mm)) + 1
    padded = np.pad(mask, 1).astype(np.uint8)
    return np.asarray(cv2.erode(padded, np.ones((size, size), np.uint8))[1:-1, 1:-1] > 0)


def _darkest(means: HalfImages, step_mm: float) -> tuple[GreyImages, GreyImages]:
    """Darkest look of each place up to each block and from it on."""
    kernel = _jitter(step_mm)
    past = np.empty(means.shape, dtype=np.uint8)
    for mean, reference in zip(means, past, strict=True):
        cv2.dilate(np.rint(single(mean)).astype(np.uint8), kernel, dst=reference)
    future = past.copy()
    for block in range(1, len(means)):
        np.minimum(past[block], past[block - 1], out=past[block])
        np.minimum(future[-block - 1], future[-block], out=future[-block - 1])
    return past, future


def _covers(
    shafts: Sequence[Shaft | None], block_of: npt.NDArray[np.intp], shape: tuple[int, ...], step_mm: float
) -> GreyImages:
    """Places that the needle may cover in each block, (n_blocks, height, width)."""
    covers = np.zeros((int(block_of[-1]) + 1, *shape), dtype=np.uint8)
    thickness = max(1, round(2 * SHAFT_SIDE_MM / step_mm))
    for shaft, block in zip(shafts, block_of.tolist(), strict=True):
        if shaft is not None:
            start, end = np.rint(shaft).astype(int).tolist()
            cv2.line(covers[block], start, end, (1,), thickness)
    return covers


def _renew_left(past: GreyImages, means: HalfImages, covers: GreyImages, step_mm: float) -> None:
    """Let places that the needle has left look in the past as they do when it has: a trail is no news."""
    kernel = _jitter(step_mm)
    for block in range(1, len(means)):
        look = cv2.dilate(np.rint(single(means[block])).astype(np.uint8), kernel)
        left = covers[block - 1] > covers[block]
        past[block] = np.where(left, look, np.minimum(look, past[block - 1]))


def _jitter(step_mm: float) -> GreyImage:
    size = 2 * int(np.ceil(JITTER_MM / step_mm)) + 1
    return np.ones((size, size), np.uint8)


def _over(sides: Sequence[FloatImages], like: FloatImages, *, hindsight: bool) -> FloatImages:
    """Excess over both sides in time, and for a share that over one of them; nothing where none is known."""
    if not sides:
        return np.zeros_like(like)
    if not hindsight:
        return np.asarray(np.maximum(sides[0], 0))
    both = np.minimum(*sides) if len(sides) == 2 else np.zeros_like(like)
    return np.asarray(np.maximum(np.maximum(both, ONE_SIDED_SHARE * np.maximum.reduce(sides)), 0))


def _at(picture: npt.NDArray[np.uint8], points: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    found = cv2.remap(picture, points[..., 0], points[..., 1], cv2.INTER_LINEAR)
    return np.asarray(found, dtype=np.float32)
