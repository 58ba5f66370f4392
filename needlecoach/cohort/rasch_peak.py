"""Where a Rasch model with learning fits best for given spreads of learners and targets."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.special import expit

from needlecoach.model import FloatArray

IntArray = npt.NDArray[np.intp]

# Standard deviations of the priors, in logits: of the cohort's chance at its first attempt (3 reaches from 5
# to 95 % within one), of what ten attempts add (novices gain some 2 logits in their first 30; ours), and of
# how much harder targets are that come ten attempts later, which is left next to free.
START_SD, GROWTH_SD, TURN_SD = 3.0, 1.0, 4.0
# How many common terms come before the targets: start, growth, and what a target's turn tells of it.
FIXED = 3
_STEPS = 60


@dataclass(frozen=True, eq=False)
class Trials:
    """Attempts as numbers, all (n,): who, at what, after how many attempts (in tens), and whether a hit.

    `learner` and `target` count from 0 without a gap; `success` is 0 or 1.
    """

    learner: IntArray
    target: IntArray
    tens: FloatArray
    success: FloatArray

    @cached_property
    def n_learners(self) -> int:
        """Number of learners."""
        return int(self.learner.max()) + 1

    @cached_property
    def n_targets(self) -> int:
        """Number of targets."""
        return int(self.target.max()) + 1

    @cached_property
    def made(self) -> FloatArray:
        """What each common term adds to the ease of each target, (FIXED + targets, targets).

        The start 1, growth nothing (it goes by attempt), turn the mean `tens` of the target's attempts
        against that of all targets.
        """
        turns = np.bincount(self.target, self.tens) / np.bincount(self.target)
        ones = np.ones(self.n_targets)
        return np.vstack([ones, 0 * ones, turns - turns.mean(), np.eye(self.n_targets)])


@dataclass(frozen=True)
class Spreads:
    """Standard deviation of learners' abilities and of targets' difficulties, logits."""

    learners: float
    targets: float


@dataclass(frozen=True, eq=False)
class Peak:
    """Where the penalised likelihood is highest for given spreads, and how it curves there.

    `own` (learners,) is each learner's deviation; `common` (FIXED + targets,) holds start, growth, what a
    target's turn tells of it, and the targets' own ease. The curvature is `own_curve` (learners,), `cross`
    (learners, FIXED + targets), and `schur`, what is left of the common block once the learners are
    eliminated. `cost` is minus the log of the penalised likelihood.
    """

    own: FloatArray
    common: FloatArray
    own_curve: FloatArray
    cross: FloatArray
    schur: FloatArray
    cost: float


def peak_of(trials: Trials, spreads: Spreads, start: Peak | None = None) -> Peak:
    """Find the peak for given spreads by Newton's method, from an earlier peak where there is one.

    A step that makes things worse is halved. The function is convex, so there is one peak, and the priors
    keep it finite for learners who always or never hit.
    """
    own = np.zeros(trials.n_learners) if start is None else start.own
    common = np.zeros(FIXED + trials.n_targets) if start is None else start.common
    peak = _curved(trials, spreads, own, common)
    for _ in range(_STEPS):
        own_step, common_step, gain = _newton(trials, spreads, peak)
        if gain < 1e-7:  # in units of log likelihood; the step after it would gain its square
            break
        size = 1.0
        while size > 1e-6:
            tried = _curved(trials, spreads, peak.own + size * own_step, peak.common + size * common_step)
            if tried.cost <= peak.cost:
                break
            size /= 2
        else:
            break
        peak = tried
    return peak


def _precision(spreads: Spreads, n_targets: int) -> FloatArray:
    """Prior precision of start, growth and the targets' ease, (FIXED + targets,)."""
    precision = np.full(FIXED + n_targets, spreads.targets**-2)
    precision[:FIXED] = START_SD**-2, GROWTH_SD**-2, TURN_SD**-2
    return precision


def _logits(trials: Trials, own: FloatArray, common: FloatArray) -> FloatArray:
    ease: FloatArray = np.einsum("i,ij->j", common, trials.made)
    logits: FloatArray = own[trials.learner] + common[1] * trials.tens + ease[trials.target]
    return logits


def _curved(trials: Trials, spreads: Spreads, own: FloatArray, common: FloatArray) -> Peak:
    """Cost and curvature at a place."""
    logits = _logits(trials, own, common)
    prior = _precision(spreads, trials.n_targets)
    cost = (np.logaddexp(0, logits) - trials.success * logits).sum()
    cost += 0.5 * (np.sum(own**2) / spreads.learners**2 + np.sum(prior * common**2))
    chance = expit(logits)
    weight = chance * (1 - chance)
    cross = _cross(trials, weight)
    own_curve = cross[:, 0] + spreads.learners**-2
    # By einsum, as all sums here are: on a busy machine the threads of a matrix product wait for one another,
    # which took ten times as long as the sums.
    schur = _common_curve(trials, weight) + np.diag(prior)
    schur -= np.einsum("ij,ik->jk", cross, cross / own_curve[:, None])
    return Peak(own, common, own_curve, cross, schur, float(cost))


def _cross(trials: Trials, weight: FloatArray) -> FloatArray:
    """Curvature between each learner and the common terms, (learners, FIXED + targets)."""
    learners, targets = trials.n_learners, trials.n_targets
    cells = np.bincount(trials.learner * targets + trials.target, weight, learners * targets)
    by_target = cells.reshape(learners, targets)
    grown = np.bincount(trials.learner, weight * trials.tens, learners)
    turned = np.einsum("ij,j->i", by_target, trials.made[2])
    return np.column_stack([by_target.sum(axis=1), grown, turned, by_target])


def _common_curve(trials: Trials, weight: FloatArray) -> FloatArray:
    """Curvature of the common terms among themselves, (FIXED + targets, FIXED + targets), priors left out."""
    targets = trials.n_targets
    by_target = np.bincount(trials.target, weight, targets)
    grown = np.bincount(trials.target, weight * trials.tens, targets)
    curve = np.diag(np.r_[np.zeros(FIXED), by_target])
    curve[:FIXED] = np.einsum("ij,kj->ik", trials.made[:FIXED] * by_target, trials.made)
    curve[:, :FIXED] = curve[:FIXED].T
    curve[1] = curve[:, 1] = np.einsum("ij,j->i", trials.made, grown)
    curve[1, 1] = np.sum(weight * trials.tens**2)
    return curve


def _newton(trials: Trials, spreads: Spreads, at: Peak) -> tuple[FloatArray, FloatArray, float]:
    """Newton's step for learners and common terms, and the gain it promises."""
    left = trials.success - expit(_logits(trials, at.own, at.common))
    own_slope = np.bincount(trials.learner, left, trials.n_learners) - at.own / spreads.learners**2
    common_slope = np.einsum("ij,j->i", trials.made, np.bincount(trials.target, left, trials.n_targets))
    common_slope[1] = np.sum(left * trials.tens)
    common_slope -= _precision(spreads, trials.n_targets) * at.common
    reduced = common_slope - np.einsum("ij,i->j", at.cross, own_slope / at.own_curve)
    common_step = cho_solve(cho_factor(at.schur), reduced)
    own_step = (own_slope - np.einsum("ij,j->i", at.cross, common_step)) / at.own_curve
    return own_step, common_step, float(np.sum(own_slope * own_step) + np.sum(common_slope * common_step))
