"""The fit of learners against targets: a Rasch model with learning, by penalised likelihood."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from needlecoach.cohort.rasch_peak import FIXED, Peak, Spreads, Trials, peak_of
from needlecoach.model import FloatArray

# A spread is held away from 0, where too little is known to tell it from 0, by a gamma prior of shape 2
# (Chung et al., Psychometrika 2013;78:685, from memory); its rate, and so its most likely value of 2 logits,
# is ours: of 1 and 0.5 it is the one whose intervals held the truth more often for small cohorts.
SPREAD_RATE = 0.5
# Spreads are looked for between these, in logits: beyond them chances differ by nothing, or by everything.
LEAST_SPREAD, MOST_SPREAD = 0.02, 20.0
# For what a spread's own uncertainty adds: steps of its logarithm, and the least curvature taken for known.
_STEP, _LEAST_CURVE = 0.3, 0.25


@dataclass(frozen=True, eq=False)
class Fitted:
    """Learners and targets apart, in logits, against this cohort's mean target.

    `ability` (learners,) is of each learner after `now_tens` (learners,) of attempts; `difficulty` (targets,)
    has mean 0; `growth` is by ten attempts.
    """

    ability: FloatArray
    ability_sd: FloatArray
    difficulty: FloatArray
    difficulty_sd: FloatArray
    growth: float
    growth_sd: float
    spreads: Spreads
    now_tens: FloatArray


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
    logit P(success) = start + growth x tens + own(learner) - difficulty(target), own normal around 0,
    difficulty around a line over the target's mean turn (`tens`), each with a spread of its own. Without that
    line (Mundlak, Econometrica 1978;46:69, from memory) a programme that starts with easy targets would hide
    its learners' growth. Rasch 1960 with the term for practice of Cen, Koedinger and Junker, LNCS
    2006;4053:164 (from memory). The spreads maximise the likelihood with all else integrated out by Laplace's
    approximation (Breslow and Clayton, J Am Stat Assoc 1993;88:9, from memory), times weak priors.
    """
    spreads, peak = _best_spreads(trials)
    fitted = read_off(peak, trials, spreads, now_tens)
    for name in ("learners", "targets"):
        fitted = _widened(fitted, trials, peak, name)
    return fitted


def laplace_cost(peak: Peak, spreads: Spreads) -> float:
    """Minus the log marginal likelihood of the spreads by Laplace's approximation, up to a constant."""
    common_curve = 2 * np.log(np.diag(cho_factor(peak.schur)[0])).sum()
    curve = np.log(peak.own_curve).sum() + common_curve
    scale = peak.own.size * np.log(spreads.learners) + (peak.common.size - FIXED) * np.log(spreads.targets)
    return float(peak.cost + scale + 0.5 * curve)


def _cost(peak: Peak, spreads: Spreads) -> float:
    """Cost of spreads with their priors."""
    weak = sum(SPREAD_RATE * one - np.log(one) for one in (spreads.learners, spreads.targets))
    return float(laplace_cost(peak, spreads) + weak)


def _best_spreads(trials: Trials) -> tuple[Spreads, Peak]:
    """Spreads with the highest penalised marginal likelihood, and the peak at them."""
    peak: Peak | None = None

    def cost(logs: FloatArray) -> float:
        nonlocal peak
        spreads = Spreads(*np.exp(logs).tolist())
        peak = peak_of(trials, spreads, peak)
        return _cost(peak, spreads)

    limits = [(np.log(LEAST_SPREAD), np.log(MOST_SPREAD))] * 2
    first = [[0.0, 0.0], [-0.7, 0.0], [0.0, -0.7]]
    options = {"xatol": 0.03, "fatol": 3e-3, "initial_simplex": first}
    found = minimize(cost, first[0], method="Nelder-Mead", bounds=limits, options=options)
    spreads = Spreads(*np.exp(found.x).tolist())
    return spreads, peak_of(trials, spreads, peak)


def _widened(fitted: Fitted, trials: Trials, peak: Peak, name: str) -> Fitted:
    """Add what the uncertainty of one spread adds to all others.

    To first order: how far each estimate moves with the logarithm of the spread, by the spread's own
    uncertainty (Kass and Steffey, J Am Stat Assoc 1989;84:717, from memory).
    """
    sides, costs = [], []
    for factor in np.exp([-_STEP, _STEP]):
        spreads = replace(fitted.spreads, **{name: getattr(fitted.spreads, name) * float(factor)})
        there = peak_of(trials, spreads, peak)
        sides.append(read_off(there, trials, spreads, fitted.now_tens))
        costs.append(_cost(there, spreads))
    curve = (sum(costs) - 2 * _cost(peak, fitted.spreads)) / _STEP**2
    sd = 1 / np.sqrt(max(curve, _LEAST_CURVE)) / (2 * _STEP)
    low, high = sides
    return replace(
        fitted,
        ability_sd=np.hypot(fitted.ability_sd, sd * (high.ability - low.ability)),
        difficulty_sd=np.hypot(fitted.difficulty_sd, sd * (high.difficulty - low.difficulty)),
        growth_sd=float(np.hypot(fitted.growth_sd, sd * (high.growth - low.growth))),
    )


def read_off(peak: Peak, trials: Trials, spreads: Spreads, now_tens: FloatArray) -> Fitted:
    """Read estimates and their uncertainties off the peak, against the mean target."""
    common = peak.common
    inverse = cho_solve(cho_factor(peak.schur), np.eye(common.size))
    mean = trials.made.mean(axis=1)
    from_mean = mean - trials.made.T
    now = np.tile(mean, (peak.own.size, 1))
    now[:, 1] = now_tens
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
        now_tens=now_tens,
    )
