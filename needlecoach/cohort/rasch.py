"""The fit of learners against targets: a Rasch model with learning, by penalised likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize
from scipy.special import expit

from needlecoach.model import FloatArray

IntArray = npt.NDArray[np.intp]

# Standard deviations of the priors, in logits: of the cohort's chance at its first attempt (3 reaches from 5
# to 95 % within one), and of what ten attempts add (novices gain some 2 logits in their first 30; ours).
START_SD, GROWTH_SD = 3.0, 1.0
# A spread is held away from 0, where too little is known of it to tell it from 0, by a gamma prior of shape 2
# (Chung et al., Psychometrika 2013;78:685, from memory); its most likely value of 1 logit is ours.
SPREAD_RATE = 1.0
# Spreads are looked for between these, in logits: beyond them chances differ by nothing, or by everything.
LEAST_SPREAD, MOST_SPREAD = 0.02, 20.0
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

    @property
    def n_learners(self) -> int:
        """Number of learners."""
        return int(self.learner.max()) + 1

    @property
    def n_targets(self) -> int:
        """Number of targets."""
        return int(self.target.max()) + 1


@dataclass(frozen=True)
class Spreads:
    """Standard deviation of learners' abilities and of targets' difficulties, logits."""

    learners: float
    targets: float


@dataclass(frozen=True, eq=False)
class Fitted:
    """Learners and targets apart, in logits, against this cohort's mean target.

    `ability` (learners,) is of each learner after `tens` (learners,) of attempts; `difficulty` (targets,) has
    mean 0. Every `_sd` is a standard uncertainty, with the spreads taken as known.
    """

    ability: FloatArray
    ability_sd: FloatArray
    difficulty: FloatArray
    difficulty_sd: FloatArray
    growth: float
    growth_sd: float
    spreads: Spreads


@dataclass(frozen=True, eq=False)
class Peak:
    """Where the penalised likelihood is highest for given spreads, and how it curves there.

    `own` (learners,) is each learner's deviation; `common` (2 + targets,) holds the start, the growth, and
    the targets' ease. The curvature is `own_curve` (learners,), `cross` (learners, 2 + targets), and `schur`,
    what is left of the common block once the learners are eliminated. `cost` is minus the log of the
    penalised likelihood.
    """

    own: FloatArray
    common: FloatArray
    own_curve: FloatArray
    cross: FloatArray
    schur: FloatArray
    cost: float


def fit_rasch(trials: Trials, now_tens: FloatArray) -> Fitted:
    """Fit learners, targets, growth and both spreads.

    Parameters
    ----------
    trials : the attempts
    now_tens : (learners,) after how many attempts, in tens, each ability is to be told

    Returns
    -------
    Fitted

    Notes
    -----
    logit P(success) = start + growth x tens + own(learner) - difficulty(target), own and difficulty normal
    around 0 with spreads of their own. Rasch 1960 with the term for practice of Cen, Koedinger and Junker,
    LNCS 2006;4053:164 (from memory). The spreads maximise the likelihood with all else integrated out by
    Laplace's approximation (Breslow and Clayton, J Am Stat Assoc 1993;88:9, from memory), times weak priors.
    """
    spreads, peak = _best_spreads(trials)
    return _told(peak, spreads, now_tens)


def peak_of(trials: Trials, spreads: Spreads, start: Peak | None = None) -> Peak:
    """Find the peak for given spreads by Newton's method, from an earlier peak where there is one.

    A step that makes things worse is halved. The function is convex, so there is one peak, and the priors
    keep it finite for learners who always or never hit.
    """
    own = np.zeros(trials.n_learners) if start is None else start.own
    common = np.zeros(2 + trials.n_targets) if start is None else start.common
    peak = _curved(trials, spreads, own, common)
    for _ in range(_STEPS):
        own_step, common_step, gain = _newton(trials, spreads, peak)
        if gain < 1e-9:
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
    """Prior precision of start, growth and the targets' ease, (2 + targets,)."""
    precision = np.full(2 + n_targets, spreads.targets**-2)
    precision[:2] = START_SD**-2, GROWTH_SD**-2
    return precision


def _logits(trials: Trials, own: FloatArray, common: FloatArray) -> FloatArray:
    mean: FloatArray = common[0] + common[1] * trials.tens
    return mean + own[trials.learner] + common[2:][trials.target]


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
    """Curvature between each learner and the common terms, (learners, 2 + targets)."""
    learners, targets = trials.n_learners, trials.n_targets
    cells = np.bincount(trials.learner * targets + trials.target, weight, learners * targets)
    by_target = cells.reshape(learners, targets)
    grown = np.bincount(trials.learner, weight * trials.tens, learners)
    return np.column_stack([by_target.sum(axis=1), grown, by_target])


def _common_curve(trials: Trials, weight: FloatArray) -> FloatArray:
    """Curvature of the common terms among themselves, (2 + targets, 2 + targets), priors left out."""
    targets = trials.n_targets
    by_target = np.bincount(trials.target, weight, targets)
    grown = np.bincount(trials.target, weight * trials.tens, targets)
    curve = np.diag(np.r_[by_target.sum(), np.sum(weight * trials.tens**2), by_target])
    curve[0, 1:] = curve[1:, 0] = np.r_[grown.sum(), by_target]
    curve[1, 2:] = curve[2:, 1] = grown
    return curve


def _newton(trials: Trials, spreads: Spreads, at: Peak) -> tuple[FloatArray, FloatArray, float]:
    """Newton's step for learners and common terms, and the gain it promises."""
    left = trials.success - expit(_logits(trials, at.own, at.common))
    own_slope = np.bincount(trials.learner, left, trials.n_learners) - at.own / spreads.learners**2
    common_slope = np.r_[
        left.sum(), np.sum(left * trials.tens), np.bincount(trials.target, left, trials.n_targets)
    ]
    common_slope -= _precision(spreads, trials.n_targets) * at.common
    reduced = common_slope - np.einsum("ij,i->j", at.cross, own_slope / at.own_curve)
    common_step = cho_solve(cho_factor(at.schur), reduced)
    own_step = (own_slope - np.einsum("ij,j->i", at.cross, common_step)) / at.own_curve
    return own_step, common_step, float(np.sum(own_slope * own_step) + np.sum(common_slope * common_step))


def laplace_cost(peak: Peak, spreads: Spreads) -> float:
    """Minus the log marginal likelihood of the spreads by Laplace's approximation, up to a constant."""
    curve = np.log(peak.own_curve).sum() + np.linalg.slogdet(peak.schur)[1]
    scale = peak.own.size * np.log(spreads.learners) + (peak.common.size - 2) * np.log(spreads.targets)
    return float(peak.cost + scale + 0.5 * curve)


def _best_spreads(trials: Trials) -> tuple[Spreads, Peak]:
    """Spreads with the highest penalised marginal likelihood, and the peak at them."""
    peak: Peak | None = None

    def cost(logs: FloatArray) -> float:
        nonlocal peak
        spreads = _spreads(logs)
        peak = peak_of(trials, spreads, peak)
        weak = sum(SPREAD_RATE * one - np.log(one) for one in (spreads.learners, spreads.targets))
        return float(laplace_cost(peak, spreads) + weak)

    limits = [(np.log(LEAST_SPREAD), np.log(MOST_SPREAD))] * 2
    first = [[0.0, 0.0], [-0.7, 0.0], [0.0, -0.7]]
    options = {"xatol": 0.01, "fatol": 1e-3, "initial_simplex": first}
    found = minimize(cost, first[0], method="Nelder-Mead", bounds=limits, options=options)
    spreads = _spreads(found.x)
    return spreads, peak_of(trials, spreads, peak)


def _spreads(logs: FloatArray) -> Spreads:
    return Spreads(float(np.exp(logs[0])), float(np.exp(logs[1])))


def _told(peak: Peak, spreads: Spreads, now_tens: FloatArray) -> Fitted:
    """Read estimates and their uncertainties off the peak, against the mean target."""
    common, targets = peak.common, peak.common.size - 2
    inverse = cho_solve(cho_factor(peak.schur), np.eye(common.size))
    mean = np.r_[0.0, 0.0, np.full(targets, 1 / targets)]
    from_mean = mean - np.eye(common.size)[2:]
    now = np.tile(mean, (peak.own.size, 1))
    now[:, 0], now[:, 1] = 1.0, now_tens
    # What a learner's own deviation leaves open, and what the common terms leave open given it.
    given = now - peak.cross / peak.own_curve[:, None]
    return Fitted(
        ability=peak.own + now @ common,
        ability_sd=np.sqrt(1 / peak.own_curve + np.einsum("ij,jk,ik->i", given, inverse, given)),
        difficulty=from_mean @ common,
        difficulty_sd=np.sqrt(np.einsum("ij,jk,ik->i", from_mean, inverse, from_mean)),
        growth=float(common[1]),
        growth_sd=float(np.sqrt(inverse[1, 1])),
        spreads=spreads,
    )
