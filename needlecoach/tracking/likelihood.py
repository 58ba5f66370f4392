"""What a strip along the axis says of a tip at each of its places."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.kymograph import SAMPLE_MM

# Neighbouring samples share the point-spread function; this far apart they speak for themselves.
INDEPENDENT_MM = 0.5
# This share of a shaft in the plane may still not stand out: what it lies on is as bright.
SHARE_HIDDEN = 0.3
# Of a strip in which nothing stirs, so long a while counts as one look.
SAME_LOOK_S = 1.0
# What exceeds a look-alike by more than this in one frame is no doubt. Motion stops so close to the tip.
DOUBT_NATS = 5.0
STOPPED_MM = 1.5
STOPPED_MM_S = 10.0
# Price, per frame, of a shaft that ends in sight before its tip, and of one that is out of sight altogether.
# Both are small, since they last for many frames; what speaks against them is a tip seen elsewhere.
FADE_NATS = 0.7
DARK_NATS = 0.1
# The picture of the tip reaches this far beyond it.
HALO_MM = 1.25
# Worth of a tip that shows as one: bright against what lies ahead (a fall of so many greys over so many mm),
# surely changed, and no darker than 5-14 dB (20-60 greys) below what this clip's tip usually is.
TIP_NATS = 8.0
TIP_FALL_MM = 0.75
TIP_FALL_GREY = 50.0
TIP_SURE_NATS = 2.0
TIP_NEAR_MM = 2.0
TIP_DIM_GREY = 20.0
# A strip with this much evidence of motion in it is moving for certain; samples that then stay as they were
# cost this.
MOVING_NATS = 4.0
STILL_PRICE = 0.12
# Less than this is noise that happened to pass the threshold.
STRAY_MOTION_NATS = 1.0
# Imperfect references (drift, coding) change places without a needle too: this share of them, by about so
# many greys.
STRAY_SHARE = 0.1
STRAY_GREY = 4.0
# How far a sample may stand out is told apart in these steps.
EDGES_GREY = np.array([-0.5, 0.5, 1.5, 2.5, 4, 6, 8, 11, 14, 18, 23, 29, 36, 45, 60, 80, 256])


def log_odds(change: npt.NDArray[np.float32], inside: BoolArray, position_mm: FloatArray) -> FloatArray:
    """Log odds, sample by sample, that a strip shows a shaft there; learned from a first guess of the path.

    Parameters
    ----------
    change : (n_frames, n_samples)
        How far each sample stands out, grey values.
    inside : (n_frames, n_samples) bool
    position_mm : (n_frames,)
        First guess of the tip; NaN where absent.

    Notes
    -----
    Two histograms are learned: behind the guessed tip and ahead of it. Part of the shaft may be hidden, so
    dark samples speak only weakly against it.
    """
    return read_odds(odds_table(change, inside, position_mm), change, inside)


def odds_table(change: npt.NDArray[np.float32], inside: BoolArray, position_mm: FloatArray) -> FloatArray:
    """Log odds by how far a sample stands out, one for each step of `EDGES_GREY`; see `log_odds`."""
    s = np.arange(change.shape[1]) * SAMPLE_MM
    guess = np.nan_to_num(position_mm, nan=-10.0)[:, None]
    behind = inside & (s < guess - 1.0)
    ahead = inside & (s > guess + 2.0)
    edges = EDGES_GREY
    lit = np.histogram(change[behind], edges)[0] + 0.5
    dark = np.histogram(change[ahead], edges)[0] + 0.5
    stray = -np.diff(np.exp(-np.maximum(edges, 0) / STRAY_GREY))
    p_lit, p_dark = lit / lit.sum(), (1 - STRAY_SHARE) * dark / dark.sum() + STRAY_SHARE * stray
    # More change never speaks against a needle; rare bins are noise.
    ratio = np.maximum.accumulate(np.clip(p_lit / p_dark, 0.05, 50))
    return np.asarray(np.log((1 - SHARE_HIDDEN) * ratio + SHARE_HIDDEN) * (SAMPLE_MM / INDEPENDENT_MM))


def read_odds(table: FloatArray, change: npt.NDArray[np.float32], inside: BoolArray) -> FloatArray:
    """Read off the log odds of samples, shape as `change`."""
    odds = table[np.clip(np.digitize(change, EDGES_GREY) - 1, 0, len(table) - 1)]
    return np.where(inside, odds, -1.0)


def usual_tip_grey(grey: npt.NDArray[np.float32], position_mm: FloatArray) -> float:
    """Grey value that a tip usually has in this clip: median of the brightest sample near its first guess."""
    near = round(TIP_NEAR_MM / SAMPLE_MM)
    brightest = [
        grey[i, max(0, at - near) : at + near + 1].max(initial=0)
        for i, at in enumerate(np.nan_to_num(position_mm / SAMPLE_MM, nan=-1).astype(int))
        if at >= near
    ]
    return float(np.median(brightest)) if brightest else 255.0


def tip_bonus(grey: npt.NDArray[np.float32], odds: FloatArray, usual_grey: float) -> FloatArray:
    """Log odds for a tip that can be seen at each sample: a bright, changed place with a fall just beyond it.

    The tip is the whitest point of the needle, and its picture falls off over the width of the point-spread
    function. What is far darker than this clip's tip usually is (`usual_grey`) is a piece of shaft left in
    the beam.
    """
    ahead = max(1, round(TIP_FALL_MM / SAMPLE_MM))
    beyond, before, after = (from_further(grey, by) for by in (ahead, -1, 1))
    fall = np.clip((grey - beyond - TIP_FALL_GREY / 2) / TIP_FALL_GREY, 0, 1)
    peak = (grey >= before) & (grey >= after)
    changed = np.clip(odds / (TIP_SURE_NATS * SAMPLE_MM / INDEPENDENT_MM), 0, 1)
    bright = np.clip((grey - usual_grey + 3 * TIP_DIM_GREY) / (2 * TIP_DIM_GREY), 0, 1)
    return np.asarray(TIP_NATS * fall * bright * changed * np.where(peak, 1.0, 0.6))


def from_further(strips: npt.NDArray[Any], by: int) -> npt.NDArray[Any]:
    """What lies so many samples further along each strip, shape as `strips`; its last one beyond its end."""
    last = strips.shape[1] - 1
    return strips[:, np.minimum(np.maximum(np.arange(by, last + 1 + by), 0), last)]


def emission(odds: FloatArray, bonus: FloatArray | None = None, *, fade_share: float = 0.0) -> FloatArray:
    """Log likelihood of every strip with the tip at each sample, against no needle at all; shape as `odds`.

    Either the shaft shows up to the tip, or it shows up to some point behind it and the rest has left the
    beam's plane (at a fixed price, however long, and a share of the evidence for the rest), or all of it has
    (at a higher price).
    """
    shown = np.cumsum(odds, axis=1)
    faded = (1 - fade_share) * np.maximum.accumulate(shown, axis=1) - FADE_NATS
    # The tip's picture reaches beyond the tip by the width of the point-spread function.
    ahead = np.ones((1, round(HALO_MM / SAMPLE_MM) + 1), np.uint8)
    shown = np.asarray(
        cv2.dilate(shown, ahead, anchor=(0, 0), borderType=cv2.BORDER_REPLICATE), dtype=shown.dtype
    )
    if bonus is not None:
        shown = shown + bonus
    return np.asarray(np.maximum(np.maximum(shown, faded), -DARK_NATS))


def where_it_stopped(
    shown: FloatArray,
    bonus: FloatArray,
    stopped_mm: FloatArray,
    moving: FloatArray,
    time_s: FloatArray,
    span: int,
) -> FloatArray:
    """Give a tip at rest, where motion stopped, the benefit of the doubt against what resembles it elsewhere.

    Noise of the picture is speckle, which moves with what moves: frames between which nothing stirred are one
    look at it, not one per frame. However long such a rest, a bubble that looks a little more like a tip than
    the tip itself gains no more by it.

    Parameters
    ----------
    shown, bonus : (n_frames, n_samples)
        Log likelihood of the tip at each sample, and what of it is for a tip that shows as one.
    stopped_mm : (n_frames,)
        The tip by motion alone, NaN where there is none.
    moving : (n_frames,)
        How surely the strip shows motion, told from `span` frames to either side.
    """
    throughout = cv2.erode(moving.reshape(1, -1), np.ones((1, 2 * span + 1), np.uint8)).ravel()
    again = 1 - np.maximum(throughout, np.minimum(np.gradient(time_s) / SAME_LOOK_S, 1.0))[:, None]
    # Places no further apart than a tip's picture is wide are one.
    near = np.ones((1, 2 * round(HALO_MM / SAMPLE_MM) + 1), np.uint8)
    behind = shown.max(axis=1, keepdims=True) - cv2.dilate(shown, near)
    # What looks like a tip now and then, for one look's time, is given the benefit of it throughout.
    step_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else SAME_LOOK_S
    look = np.ones((2 * round(SAME_LOOK_S / 2 / step_s) + 1, near.shape[1]), np.uint8)
    alike = np.minimum(cv2.dilate(bonus * again, look), DOUBT_NATS)
    at_rest = np.abs(np.gradient(stopped_mm, time_s)) < STOPPED_MM_S if len(time_s) > 1 else True
    stopped_mm = np.where(at_rest, stopped_mm, np.nan)
    off_mm = np.abs(np.arange(shown.shape[1]) * SAMPLE_MM - stopped_mm[:, None])
    return np.asarray(np.where(off_mm <= STOPPED_MM, shown + again * np.minimum(behind, alike), shown))


def motion_odds(
    motion: npt.NDArray[np.float32], inside: BoolArray, noise_grey: float | None = None
) -> FloatArray:
    """Log odds, sample by sample, that a strip shows a moving shaft there.

    What moves along the axis changes the strip up to the tip and nothing beyond it, whether the needle is
    brighter or darker than the trail it lies on. A strip that does not change says nothing.

    Parameters
    ----------
    motion : (n_frames, n_samples)
        Change of the strip over a short time, grey values.
    noise_grey : what strips change by where nothing moves; told from all of them when left out
    """
    noise = motion_noise(motion, inside) if noise_grey is None else noise_grey
    odds = np.clip((motion - 3 * noise) / (6 * noise), 0.0, 1.0) * (SAMPLE_MM / INDEPENDENT_MM)
    odds[~inside] = 0
    odds[odds.sum(axis=1) < STRAY_MOTION_NATS] = 0
    return np.where(inside, np.where(odds > 0, odds, -STILL_PRICE * moving_share(odds)[:, None]), -1.0)


def motion_noise(motion: npt.NDArray[np.float32], inside: BoolArray) -> float:
    """What strips change by where nothing moves, grey values."""
    return max(1.5, float(np.median(motion[inside]))) if inside.any() else 1.5


def moving_share(odds: FloatArray) -> FloatArray:
    """How surely each strip moves, (n_frames,), 0-1, from `motion_odds`."""
    return np.asarray(np.clip(np.maximum(odds, 0).sum(axis=1) / MOVING_NATS, 0, 1))
