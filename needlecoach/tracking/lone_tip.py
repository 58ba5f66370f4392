"""A needle of which the tip alone shows: its line is where the bright dot has been."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage
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
# A dot is a tip when it travelled this far, could be seen in this share of its time and was then, in this
# share, the brightest change in the whole picture by so many greys, within so many mm: bubbles rise in
# numbers, and in a sweep or a slide everything changes.
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
    traces, brightest = _traces(pictures, changes, round(NEAR_MM / plane.step_mm))
    evidence = find_axis(
        pictures,
        replace(changes, pictures=traces),
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
    path = follow_tip(np.maximum(CLEAR_NATS * clear, -DARK_NATS), np.full(len(time_s), 0.5), time_s)
    path = _real_tip(path, clear, brightest, sheet.axis)
    return (sheet, path, grey, look) if np.isfinite(path.position_mm).any() else None


def _without(changes: Changes, block: int) -> GreyImage:
    """What the pictures of a block look like without a needle: the lighter of past and future."""
    sides = [changes.past[block - 1]] if block > 0 else []
    if block < len(changes.future) - 1:
        sides.append(changes.future[block + 1])
    return np.asarray(np.maximum.reduce(sides)) if sides else np.full(changes.mask.shape, 255, dtype=np.uint8)


def _traces(
    pictures: Sequence[GreyImage], changes: Changes, near_px: int
) -> tuple[npt.NDArray[np.float16], FloatArray]:
    """Whatever stood out within some time of each block, (n_blocks, h, w), and the brightest of it.

    The second is the (x, y) in each single frame, (n_frames, 2), NaN where something elsewhere is nearly as
    bright. A dot that moves is faint in the mean of a block.
    """
    n_blocks = len(changes.time_s)
    most = np.zeros((n_blocks, *changes.mask.shape), dtype=np.uint8)
    inner = changes.mask.astype(np.uint8)
    brightest = np.full((len(pictures), 2), np.nan)
    without, known = np.zeros(0, dtype=np.uint8), -1
    for i, picture in enumerate(pictures):
        block = int(changes.block_of[i])
        if block != known:
            without, known = _without(changes, block), block
        excess = cv2.GaussianBlur(cv2.subtract(picture, without, mask=inner), (0, 0), 1.0)
        cv2.max(most[block], excess, dst=most[block])
        _, peak, _, place = cv2.minMaxLoc(excess)
        elsewhere = cv2.circle(excess, place, near_px, 0, -1)
        if peak - cv2.minMaxLoc(elsewhere)[1] >= ALONE_GREY:
            brightest[i] = place
    reach = round(TRACE_S / BLOCK_S)
    traces = [most[max(0, b - reach) : b + reach + 1].max(axis=0) for b in range(n_blocks)]
    return np.array(traces, dtype=np.float16), brightest


def _real_tip(path: TipPath, clear: FloatArray, brightest: FloatArray, axis: Axis) -> TipPath:
    """Keep the spells in which a dot came a long way, could be seen and outshone all other change."""
    stray = np.zeros(len(path.position_mm), dtype=bool)
    for first, end in spells(np.isfinite(path.position_mm)):
        at_mm = path.position_mm[first:end]
        seen = clear[np.arange(first, end), np.rint(at_mm / SAMPLE_MM).astype(int)] >= 0.5
        places = np.array([axis.points(i, s) for i, s in zip(range(first, end), at_mm, strict=True)])
        away_mm = np.hypot(*(brightest[first:end] - places).T) * axis.step_mm
        stray[first:end] = (
            np.ptp(np.percentile(at_mm, [5, 95])) < LEAST_TRAVEL_MM
            or seen.mean() < LEAST_SEEN
            or _share(away_mm < NEAR_MM, seen) < LEAST_BRIGHTEST
        )
    return path.without(stray)


def _share(state: BoolArray, of: BoolArray) -> float:
    return float(state[of].mean()) if of.any() else 0.0
