"""The tip along the axis: a hidden Markov model over "absent" and "at position s"."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.kymograph import SAMPLE_MM

FASTEST_MM_S = 80.0
USUAL_MM_S = 15.0
# Share of moves at any speed up to the fastest: a needle is often pulled out in one go.
SHARE_FAST = 0.4
TREMOR_MM = 0.2
# Share of moves of an advancing core needle in which its spring throws it.
SHARE_THROWN = 1e-3
# How long a needle rests, advances or withdraws before it does something else,
# in the order resting, advancing, withdrawing.
HOLD_S = (1.5, 0.5, 0.5)
# Price of resting in a frame whose strip moves for certain, and of moving in one where nothing stirs.
MODE_NATS = 1.0
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
# At the edge a needle comes and goes within one frame's travel, and at least within this.
EDGE_REACH_MM = 2.0
# Chances, per frame, of coming in, of leaving when at the edge, and of being in from the first frame.
ENTER_PROBABILITY = 0.01
LEAVE_PROBABILITY = 0.3
IN_AT_START = 0.05
MOST_NATS = 500.0


@dataclass(frozen=True, eq=False)
class TipPath:
    """Most likely position per frame, mm from the entry, NaN where absent; its sd in mm; presence, 0-1."""

    position_mm: FloatArray
    sd_mm: FloatArray
    present: FloatArray

    def placed_at(self, position_mm: FloatArray) -> TipPath:
        """The same path with other positions, (n_frames,) mm from the entry."""
        return TipPath(position_mm, self.sd_mm, self.present)

    def without(self, frames: BoolArray) -> TipPath:
        """The same path with no needle in the given frames, (n_frames,) bool."""
        position, sd = (np.where(frames, np.nan, values) for values in (self.position_mm, self.sd_mm))
        return TipPath(position, sd, np.where(frames, 0.0, self.present))


def spells(state: BoolArray) -> list[tuple[int, int]]:
    """First frame and end (one past the last) of every run of yes."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], state.astype(int), [0]])))
    return [(int(first), int(end)) for first, end in zip(edges[::2], edges[1::2], strict=True)]


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
    s = np.arange(change.shape[1]) * SAMPLE_MM
    guess = np.nan_to_num(position_mm, nan=-10.0)[:, None]
    behind = inside & (s < guess - 1.0)
    ahead = inside & (s > guess + 2.0)
    edges = np.concatenate([[-0.5, 0.5, 1.5, 2.5, 4, 6, 8, 11, 14, 18, 23, 29, 36, 45, 60, 80, 256]])
    lit = np.histogram(change[behind], edges)[0] + 0.5
    dark = np.histogram(change[ahead], edges)[0] + 0.5
    stray = -np.diff(np.exp(-np.maximum(edges, 0) / STRAY_GREY))
    p_lit, p_dark = lit / lit.sum(), (1 - STRAY_SHARE) * dark / dark.sum() + STRAY_SHARE * stray
    # More change never speaks against a needle; rare bins are noise.
    ratio = np.maximum.accumulate(np.clip(p_lit / p_dark, 0.05, 50))
    table = np.log((1 - SHARE_HIDDEN) * ratio + SHARE_HIDDEN) * (SAMPLE_MM / INDEPENDENT_MM)
    odds = table[np.clip(np.digitize(change, edges) - 1, 0, len(table) - 1)]
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
    beyond = np.pad(grey, ((0, 0), (0, ahead)), mode="edge")[:, ahead:]
    before = np.pad(grey, ((0, 0), (1, 0)), mode="edge")[:, :-1]
    after = np.pad(grey, ((0, 0), (0, 1)), mode="edge")[:, 1:]
    fall = np.clip((grey - beyond - TIP_FALL_GREY / 2) / TIP_FALL_GREY, 0, 1)
    peak = (grey >= before) & (grey >= after)
    changed = np.clip(odds / (TIP_SURE_NATS * SAMPLE_MM / INDEPENDENT_MM), 0, 1)
    bright = np.clip((grey - usual_grey + 3 * TIP_DIM_GREY) / (2 * TIP_DIM_GREY), 0, 1)
    return np.asarray(TIP_NATS * fall * bright * changed * np.where(peak, 1.0, 0.6))


def emission(odds: FloatArray, bonus: FloatArray | None = None, *, fade_share: float = 0.0) -> FloatArray:
    """Log likelihood of every strip with the tip at each sample, against no needle at all; shape as `odds`.

    Either the shaft shows up to the tip, or it shows up to some point behind it and the rest has left the
    beam's plane (at a fixed price, however long, and a share of the evidence for the rest), or all of it has
    (at a higher price).
    """
    shown = np.cumsum(odds, axis=1)
    faded = (1 - fade_share) * np.maximum.accumulate(shown, axis=1) - FADE_NATS
    # The tip's picture reaches beyond the tip by the width of the point-spread function.
    halo = round(HALO_MM / SAMPLE_MM)
    padded = np.pad(shown, ((0, 0), (0, halo)), mode="edge")
    shown = np.lib.stride_tricks.sliding_window_view(padded, halo + 1, axis=1).max(axis=2)
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


def motion_odds(motion: npt.NDArray[np.float32], inside: BoolArray) -> FloatArray:
    """Log odds, sample by sample, that a strip shows a moving shaft there.

    What moves along the axis changes the strip up to the tip and nothing beyond it, whether the needle is
    brighter or darker than the trail it lies on. A strip that does not change says nothing.

    Parameters
    ----------
    motion : (n_frames, n_samples)
        Change of the strip over a short time, grey values.
    """
    noise = max(1.5, float(np.median(motion[inside]))) if inside.any() else 1.5
    odds = np.clip((motion - 3 * noise) / (6 * noise), 0.0, 1.0) * (SAMPLE_MM / INDEPENDENT_MM)
    odds[~inside] = 0
    odds[odds.sum(axis=1) < STRAY_MOTION_NATS] = 0
    return np.where(inside, np.where(odds > 0, odds, -STILL_PRICE * moving_share(odds)[:, None]), -1.0)


def moving_share(odds: FloatArray) -> FloatArray:
    """How surely each strip moves, (n_frames,), 0-1, from `motion_odds`."""
    return np.asarray(np.clip(np.maximum(odds, 0).sum(axis=1) / MOVING_NATS, 0, 1))


@dataclass(frozen=True, eq=False)
class _Dynamics:
    """Probabilities of a step in time: between modes, along the axis in each, into the picture and out."""

    switch: FloatArray
    kernels: FloatArray
    enter: FloatArray
    leave: FloatArray

    @cached_property
    def stay(self) -> FloatArray:
        """Probability of not leaving, by place."""
        return np.asarray(1 - self.leave)

    @cached_property
    def wait(self) -> float:
        """Probability of not coming in."""
        return float(1 - self.enter.sum())

    @classmethod
    def over(cls, step_s: float, n: int, thrown_mm: float = 0.0) -> _Dynamics:
        m = max(2, int(np.ceil(FASTEST_MM_S * step_s / SAMPLE_MM)))
        move_mm = np.arange(-m, m + 1) * SAMPLE_MM
        resting = np.exp(-0.5 * (move_mm / TREMOR_MM) ** 2)
        usual = np.where(move_mm >= 0, np.exp(-move_mm / (USUAL_MM_S * step_s)), 0)
        fast = np.where(move_mm >= 0, 1.0, 0.0)
        advancing = (1 - SHARE_FAST) * usual / usual.sum() + SHARE_FAST * fast / fast.sum()
        kernels = np.stack([resting, advancing, advancing[::-1]])
        if thrown_mm > move_mm[-1]:
            kernels = _with_throw(kernels, thrown_mm)
        change = 1 - np.exp(-step_s / np.array(HOLD_S))[:, None]
        switch = np.where(np.eye(3, dtype=bool), 1 - change, change / 2)
        s = np.arange(n) * SAMPLE_MM
        at_edge = (s <= max(EDGE_REACH_MM, FASTEST_MM_S * step_s)).astype(float)
        return cls(
            switch,
            kernels / kernels.sum(axis=1, keepdims=True),
            ENTER_PROBABILITY * at_edge / at_edge.sum(),
            LEAVE_PROBABILITY * at_edge,
        )


def _with_throw(kernels: FloatArray, thrown_mm: float) -> FloatArray:
    """Let a spring throw what advances, by anything up to so far: a picture may catch it on its way."""
    before = kernels.shape[1]
    wide = np.pad(kernels, ((0, 0), (round(thrown_mm / SAMPLE_MM) - before // 2,) * 2))
    thrown = np.zeros(wide.shape[1])
    thrown[(wide.shape[1] + before) // 2 :] = 1.0
    wide[1] = (1 - SHARE_THROWN) * wide[1] / wide[1].sum() + SHARE_THROWN * thrown / thrown.sum()
    return wide


def follow_tip(
    log_likelihood: FloatArray, moving: FloatArray, time_s: FloatArray, *, thrown_mm: float = 0.0
) -> TipPath:
    """Find the tip in every frame by the forward-backward algorithm.

    Parameters
    ----------
    log_likelihood : (n_frames, n_samples)
        Of the tip at each sample, against no needle (see `emission`).
    moving : (n_frames,)
        How surely the strip shows motion, 0-1 (see `moving_share`).
    time_s : (n_frames,)
    thrown_mm : how far a spring may throw the needle forward at once; 0 for one without

    Notes
    -----
    Rabiner, Proc IEEE 1989;77:257. A needle can appear only near the entry, and leave only there; it may be
    in from the first frame on. It rests, advances or withdraws, and goes on doing so for a while.
    """
    n = log_likelihood.shape[1]
    steps = np.diff(time_s)
    known: dict[int, _Dynamics] = {}
    dynamics = []
    for step in steps:
        key = round(float(step) * 500)
        if key not in known:
            known[key] = _Dynamics.over(max(float(step), 0.002), n, thrown_mm)
        dynamics.append(known[key])
    modes = np.exp(-MODE_NATS * np.stack([moving, 1 - moving, 1 - moving], axis=1))
    return _forward_backward(log_likelihood, modes, dynamics)


def _forward_backward(log_likelihood: FloatArray, modes: FloatArray, dynamics: list[_Dynamics]) -> TipPath:
    """Posterior of every frame given all frames, and what it says of the tip.

    The most likely sequence of states would not do: it punishes every fast move by the number of places the
    move could have ended at, and so prefers a needle that hides to one that is pulled out quickly.
    """
    n_frames, n = log_likelihood.shape
    top = np.maximum(log_likelihood.max(axis=1), 0)
    # However strong the evidence, what it speaks against stays possible: no frame underflows to nothing.
    like = np.exp(np.maximum(log_likelihood - top[:, None], -MOST_NATS))[:, None, :] * modes[:, :, None]
    like_absent = np.exp(-np.minimum(top, MOST_NATS))
    forward, forward_absent = np.zeros((n_frames, 3, n), dtype=np.float32), np.zeros(n_frames)
    state, absent = np.full((3, n), IN_AT_START / (3 * n)) * like[0], (1 - IN_AT_START) * like_absent[0]
    moved = np.empty((3, n))
    for t in range(n_frames):
        if t:
            step = dynamics[t - 1]
            mixed = step.switch.T @ (state * step.stay)
            for k in range(3):
                moved[k] = _spread(mixed[k], step.kernels[k])
            gone = float((state @ step.leave).sum())
            state = (moved + absent * step.enter / 3) * like[t]
            absent = (absent * step.wait + gone) * like_absent[t]
        total = state.sum() + absent
        state, absent = state / total, absent / total
        forward[t], forward_absent[t] = state, absent
    path = TipPath(np.full(n_frames, np.nan), np.full(n_frames, np.nan), np.zeros(n_frames))
    back, back_absent = np.ones((3, n)), 1.0
    for t in range(n_frames - 1, -1, -1):
        _read_off(path, t, (forward[t] * back).sum(axis=0), forward_absent[t] * back_absent)
        if t:
            step = dynamics[t - 1]
            seen, seen_absent = like[t] * back, like_absent[t] * back_absent
            for k in range(3):
                moved[k] = _spread(seen[k], step.kernels[k][::-1])
            back_absent = float((step.enter / 3 * seen).sum() + step.wait * seen_absent)
            back = step.stay * (step.switch @ moved) + step.leave * seen_absent
            norm = back.sum() + back_absent
            back, back_absent = back / norm, back_absent / norm
    return path


def _read_off(path: TipPath, frame: int, posterior: FloatArray, absent: float) -> None:
    """Write presence, the most likely millimetre and the spread about it into one frame of a path."""
    inside = float(posterior.sum())
    path.present[frame] = inside / (inside + absent) if inside + absent > 0 else 0.0
    if path.present[frame] <= 0.5:
        return
    places = np.arange(len(posterior)) * SAMPLE_MM
    best = places[int(np.argmax(np.convolve(posterior, np.ones(5), mode="same")))]
    near = np.abs(places - best) <= 1.0
    best = float((posterior[near] * places[near]).sum() / posterior[near].sum())
    path.position_mm[frame] = best
    path.sd_mm[frame] = np.sqrt((posterior * (places - best) ** 2).sum() / inside + SAMPLE_MM**2 / 12)


def _spread(state: FloatArray, kernel: FloatArray) -> FloatArray:
    """Move a distribution along the axis by a kernel of odd length."""
    return np.convolve(state, kernel, mode="full")[len(kernel) // 2 :][: len(state)]
