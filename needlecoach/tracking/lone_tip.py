"""A needle of which the tip alone shows: its line is where the bright dot has been."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray, GreyImage
from needlecoach.tracking.axis import Axis, find_axis
from needlecoach.tracking.changes import BLOCK_S, Changes
from needlecoach.tracking.kymograph import SAMPLE_MM, FloatImages, Sheet
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.tip import TipPath, follow_tip, spells

# So long before and after a moment the dot's way is drawn together: a few centimetres of line.
TRACE_S = 1.5
# From the faintest change to 14 dB above the surroundings the evidence for a dot grows to so many nats.
FAINT_GREY, CLEAR_GREY = 12.0, 35.0
CLEAR_NATS = 4.0
DARK_NATS = 0.1
# Where more than a dot shows, as of a shaft that leaves what had hidden it, the tip is the end of it: nothing
# shines so far beyond.
BEYOND_MM = 2.0
# A dot is a tip when it travelled this far, could be seen in this share of its time and was then, in this
# share, brighter by so many greys than any change further than so many mm from the needle behind it: bubbles
# rise in numbers, and in a sweep or a slide everything changes.
LEAST_TRAVEL_MM = 8.0
LEAST_SEEN = 0.5
LEAST_BRIGHTEST = 0.6
ALONE_GREY = 20.0
NEAR_MM = 2.0


def follow_lone_tip(
    pictures: Sequence[GreyImage], changes: Changes, time_s: FloatArray, plane: Plane
) -> tuple[Sheet, TipPath, FloatImages, FloatImages] | None:
    """Follow a bright dot that runs along a line from the edge of the picture.

    Parameters
    ----------
    pictures : steadied and levelled working pictures
    changes : see `changes.find_changes`
    time_s : (n_frames,)

    Returns
    -------
    sheet, path, grey, look
        The strips along its line; where it is; what the strips show and what they look like without it,
        (n_frames, n_samples) both. None when there is no such dot.
    """
    evidence = find_axis(
        pictures,
        replace(changes, pictures=_traces(pictures, changes)),
        time_s,
        depth_share=plane.depth_share,
        step_mm=plane.step_mm,
    )
    if evidence is None:
        return None
    sheet = Sheet.along(evidence.fit(), changes.mask)
    grey = sheet.strips(pictures)
    look = np.array([sheet.sample(_without(changes, block), i) for i, block in enumerate(changes.block_of)])
    excess = np.where(sheet.inside, cv2.blur(grey - look, (3, 1)), 0)
    clear = np.clip((excess - FAINT_GREY) / (CLEAR_GREY - FAINT_GREY), 0, 1)
    ends = np.clip(clear - _beyond(clear), 0, 1)
    path = follow_tip(np.maximum(CLEAR_NATS * ends, -DARK_NATS), np.full(len(time_s), 0.5), time_s)
    path = _real_tip(path, clear, partial(_outshines, pictures, changes, sheet.axis))
    return (sheet, path, grey, look) if np.isfinite(path.position_mm).any() else None


def _without(changes: Changes, block: int) -> GreyImage:
    """What the pictures of a block look like without a needle: the lighter of past and future."""
    sides = [changes.past[block - 1]] if block > 0 else []
    if block < len(changes.future) - 1:
        sides.append(changes.future[block + 1])
    return np.asarray(np.maximum.reduce(sides)) if sides else np.full(changes.mask.shape, 255, dtype=np.uint8)


def _traces(pictures: Sequence[GreyImage], changes: Changes) -> npt.NDArray[np.float16]:
    """Whatever stood out within some time of each block, (n_blocks, h, w).

    A dot that moves is faint in the mean of a block.
    """
    n_blocks = len(changes.time_s)
    most = np.zeros((n_blocks, *changes.mask.shape), dtype=np.uint8)
    for i, excess in _excesses(pictures, changes, np.arange(len(pictures))):
        block = int(changes.block_of[i])
        cv2.max(most[block], excess, dst=most[block])
    reach = round(TRACE_S / BLOCK_S)
    traces = [most[max(0, b - reach) : b + reach + 1].max(axis=0) for b in range(n_blocks)]
    return np.array(traces, dtype=np.float16)


def _excesses(
    pictures: Sequence[GreyImage], changes: Changes, frames: npt.NDArray[np.intp]
) -> Iterator[tuple[int, GreyImage]]:
    """What stands out in single frames, each with its number."""
    inner = changes.mask.astype(np.uint8)
    without, known = np.zeros(0, dtype=np.uint8), -1
    for i in frames.tolist():
        block = int(changes.block_of[i])
        if block != known:
            without, known = _without(changes, block), block
        excess = cv2.subtract(pictures[i], without, mask=inner)
        yield i, np.asarray(cv2.GaussianBlur(excess, (0, 0), 1.0))


def _outshines(
    pictures: Sequence[GreyImage],
    changes: Changes,
    axis: Axis,
    frames: npt.NDArray[np.intp],
    at_mm: FloatArray,
) -> FloatArray:
    """By how many greys a needle with its tip at places (n,) along the axis outshines all else, (n,)."""
    by = np.zeros(len(frames))
    near_px = NEAR_MM / axis.step_mm
    for row, (i, excess) in enumerate(_excesses(pictures, changes, frames)):
        needle = np.zeros_like(excess)
        ends = np.rint(axis.points(i, [0.0, at_mm[row]])).astype(np.int32)
        cv2.polylines(needle, [ends], False, 255, max(1, round(2 * near_px)))
        here, there = (cv2.minMaxLoc(excess, part)[1] for part in (needle, cv2.bitwise_not(needle)))
        by[row] = here - there
    return by


def _beyond(clear: FloatArray) -> FloatArray:
    """How clearly something shines beyond each place, as `clear` (n_frames, n_samples)."""
    lag = round(BEYOND_MM / SAMPLE_MM)
    return np.pad(clear[:, lag:], ((0, 0), (0, min(lag, clear.shape[1]))))


def _real_tip(
    path: TipPath, clear: FloatArray, outshines: Callable[[npt.NDArray[np.intp], FloatArray], FloatArray]
) -> TipPath:
    """Keep the spells in which a dot came a long way, could be seen and outshone all other change."""
    stray = np.zeros(len(path.position_mm), dtype=bool)
    for first, end in spells(np.isfinite(path.position_mm)):
        at_mm = path.position_mm[first:end]
        seen = clear[np.arange(first, end), np.rint(at_mm / SAMPLE_MM).astype(int)] >= 0.5
        stray[first:end] = (
            np.ptp(np.percentile(at_mm, [5, 95])) < LEAST_TRAVEL_MM
            or seen.mean() < LEAST_SEEN
            or (outshines(first + np.flatnonzero(seen), at_mm[seen]) >= ALONE_GREY).mean() < LEAST_BRIGHTEST
        )
    return path.without(stray)
