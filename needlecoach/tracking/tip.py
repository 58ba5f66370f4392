"""The tip along the axis: a hidden Markov model over "absent" and "at position s"."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

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
# At the edge a needle comes and goes within one frame's travel, and at least within this.
EDGE_REACH_MM = 2.0
# Chances, per frame, of coming in, of leaving when at the edge, and of being in from the first frame.
ENTER_PROBABILITY = 0.01
LEAVE_PROBABILITY = 0.3
IN_AT_START = 0.05
# Live, the first picture looked at is one of before a needle came in: only so is it told without hindsight.
IN_BEFORE_LIVE = 1e-40
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
    log_likelihood: FloatArray,
    moving: FloatArray,
    time_s: FloatArray,
    *,
    thrown_mm: float = 0.0,
    in_at_start: float = IN_AT_START,
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
    in_at_start : chance that a needle is in in the first frame

    Notes
    -----
    Rabiner, Proc IEEE 1989;77:257. A needle can appear only near the entry, and leave only there; it may be
    in from the first frame on. It rests, advances or withdraws, and goes on doing so for a while.
    """
    dynamics = Dynamics(log_likelihood.shape[1], thrown_mm)
    likely = _Likely.of(log_likelihood, moving)
    steps = [dynamics.over(float(step)) for step in np.diff(time_s)]
    return _forward_backward(likely, steps, in_at_start)


def last_belief(
    log_likelihood: FloatArray,
    moving: FloatArray,
    time_s: FloatArray,
    *,
    thrown_mm: float = 0.0,
    in_at_start: float = IN_AT_START,
) -> Belief:
    """Where the tip may be in the last frame, given all frames; parameters as for `follow_tip`."""
    dynamics = Dynamics(log_likelihood.shape[1], thrown_mm)
    likely = _Likely.of(log_likelihood, moving)
    belief = _start(likely, in_at_start)
    for t, step_s in enumerate(np.diff(time_s), start=1):
        belief = _step(belief, likely, t, dynamics.over(float(step_s)))
    return belief


class Dynamics:
    """Steps in time over n places along the axis, each length of step worked out once."""

    def __init__(self, n: int, thrown_mm: float = 0.0) -> None:
        self._n, self._thrown_mm = n, thrown_mm
        self._known: dict[int, _Dynamics] = {}

    def over(self, step_s: float) -> _Dynamics:
        """The step over so long."""
        key = round(step_s * 500)
        if key not in self._known:
            self._known[key] = _Dynamics.over(max(step_s, 0.002), self._n, self._thrown_mm)
        return self._known[key]


@dataclass(frozen=True, eq=False)
class Belief:
    """Where the tip may be, given the pictures so far: (3, n) by mode and place, and the chance of none."""

    state: FloatArray
    absent: float

    def after(self, log_likelihood: FloatArray, moving: float, step: _Dynamics) -> Belief:
        """Belief after the next picture, its log likelihood (n,), a step of `Dynamics` later."""
        return _step(self, _Likely.of(log_likelihood[None], np.array([moving])), 0, step)

    def read(self) -> tuple[float, float, float]:
        """Position and its sd in mm, NaN where absent is likelier; the chance that a needle is in."""
        return self._told

    @cached_property
    def _told(self) -> tuple[float, float, float]:
        path = TipPath(np.full(1, np.nan), np.full(1, np.nan), np.zeros(1))
        _read_off(path, 0, self.state.sum(axis=0), self.absent)
        return float(path.position_mm[0]), float(path.sd_mm[0]), float(path.present[0])


@dataclass(frozen=True, eq=False)
class _Likely:
    """Likelihood of every frame by mode and place, (n_frames, 3, n), and without a needle, (n_frames,)."""

    like: FloatArray
    absent: FloatArray

    @classmethod
    def of(cls, log_likelihood: FloatArray, moving: FloatArray) -> _Likely:
        modes = np.exp(-MODE_NATS * np.stack([moving, 1 - moving, 1 - moving], axis=1))
        top = np.maximum(log_likelihood.max(axis=1), 0)
        # However strong the evidence, what it speaks against stays possible: no frame underflows to nothing.
        like = np.exp(np.maximum(log_likelihood - top[:, None], -MOST_NATS))[:, None, :] * modes[:, :, None]
        return cls(like, np.exp(-np.minimum(top, MOST_NATS)))


def _start(likely: _Likely, in_at_start: float) -> Belief:
    n = likely.like.shape[2]
    state = np.full((3, n), in_at_start / (3 * n)) * likely.like[0]
    absent = (1 - in_at_start) * likely.absent[0]
    total = state.sum() + absent
    return Belief(state / total, absent / total)


def _step(before: Belief, likely: _Likely, t: int, step: _Dynamics) -> Belief:
    """One step of the forward algorithm, to frame t."""
    mixed = step.switch.T @ (before.state * step.stay)
    moved = np.stack([_spread(mixed[k], step.kernels[k]) for k in range(3)])
    gone = float((before.state @ step.leave).sum())
    state = (moved + before.absent * step.enter / 3) * likely.like[t]
    absent = (before.absent * step.wait + gone) * likely.absent[t]
    total = state.sum() + absent
    return Belief(state / total, absent / total)


def _forward_backward(likely: _Likely, dynamics: list[_Dynamics], in_at_start: float) -> TipPath:
    """Posterior of every frame given all frames, and what it says of the tip.

    The most likely sequence of states would not do: it punishes every fast move by the number of places the
    move could have ended at, and so prefers a needle that hides to one that is pulled out quickly.
    """
    n_frames, _, n = likely.like.shape
    like, like_absent = likely.like, likely.absent
    forward, forward_absent = np.zeros((n_frames, 3, n), dtype=np.float32), np.zeros(n_frames)
    moved = np.empty((3, n))
    belief = _start(likely, in_at_start)
    for t in range(n_frames):
        if t:
            belief = _step(belief, likely, t, dynamics[t - 1])
        forward[t], forward_absent[t] = belief.state, belief.absent
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
