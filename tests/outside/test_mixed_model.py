"""The fit of learners against targets held against other hands: statsmodels' models of the same data.

`BinomialBayesMixedGLM` has the same random effects and normal priors; `GLM` has none, so it must agree where
data are heavy. The attempts are invented.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

from needlecoach.cohort.rasch import fit_rasch, laplace_cost, read_off
from needlecoach.cohort.rasch_peak import (
    FIXED,
    GROWTH_SD,
    START_SD,
    TURN_SD,
    Spreads,
    Trials,
    peak_of,
)


def drawn_trials(learners: int, targets: int, each: int, seed: int = 0) -> Trials:
    """Attempts of learners who each try random targets, with a growth of half a logit by ten."""
    draw = np.random.default_rng(seed)
    who = np.repeat(np.arange(learners), each)
    what = draw.integers(targets, size=who.size)
    tens = np.tile(np.arange(each) / 10, learners)
    own, hard = draw.normal(0, 1, learners), draw.normal(0, 0.8, targets)
    p = 1 / (1 + np.exp(hard[what] - own[who] - min(0.5, 15 / each) * tens))
    return Trials(who, what, tens, (draw.random(who.size) < p).astype(float))


def dummies(index: np.ndarray) -> np.ndarray:
    return np.eye(index.max() + 1)[index]


def mixed_model(trials: Trials) -> BinomialBayesMixedGLM:
    """The same model; its fixed effects share one prior, so each column is as large as ours is wide."""
    turn = trials.made[2][trials.target]
    fixed = np.column_stack([START_SD + 0 * turn, GROWTH_SD * trials.tens, TURN_SD * turn])
    random = np.hstack([dummies(trials.learner), dummies(trials.target)])
    ident = np.repeat([0, 1], [trials.n_learners, trials.n_targets])
    return BinomialBayesMixedGLM(trials.success, fixed, random, ident, vcp_p=1.0, fe_p=1.0)


def as_its_own(peak, spreads: Spreads) -> np.ndarray:
    """A peak in the order of statsmodels: fixed effects, logarithms of spreads, random effects."""
    fixed = peak.common[:FIXED] / [START_SD, GROWTH_SD, TURN_SD]
    return np.r_[fixed, np.log([spreads.learners, spreads.targets]), peak.own, peak.common[FIXED:]]


def its_curvature(model, at: np.ndarray) -> np.ndarray:
    """Curvature of its log posterior in fixed and random effects, by central differences of its gradient."""
    free = np.r_[0:FIXED, FIXED + 2 : at.size]
    rows = []
    for i in free:
        step = np.zeros(at.size)
        step[i] = 1e-4
        rows.append((model.logposterior_grad(at - step) - model.logposterior_grad(at + step))[free] / 2e-4)
    return np.array(rows)


SPREADS = Spreads(0.9, 0.6)


def test_the_peak_is_that_of_the_bayesian_mixed_model():
    trials = drawn_trials(9, 5, 24)
    model, peak = mixed_model(trials), peak_of(trials, SPREADS)
    gradient = model.logposterior_grad(as_its_own(peak, SPREADS))
    np.testing.assert_allclose(np.delete(gradient, [FIXED, FIXED + 1]), 0, atol=2e-3)


def test_uncertainties_are_its_curvature_s():
    trials = drawn_trials(9, 5, 24)
    model, peak = mixed_model(trials), peak_of(trials, SPREADS)
    covariance = np.linalg.inv(its_curvature(model, as_its_own(peak, SPREADS)))
    now = np.linspace(1, 3, 9)
    told = read_off(peak, trials, SPREADS, now)
    # How each ability and difficulty is made of its parameters, against the mean target.
    turn, ease = trials.made[2], np.eye(5)
    hard = np.column_stack([0 * turn, 0 * turn, -TURN_SD * turn, np.zeros((5, 9)), 0.2 - ease])
    able = np.column_stack(
        [np.full(9, START_SD), GROWTH_SD * now, np.zeros(9), np.eye(9), np.full((9, 5), 0.2)]
    )
    for made, sd in ((hard, told.difficulty_sd), (able, told.ability_sd)):
        np.testing.assert_allclose(np.sqrt(np.diag(made @ covariance @ made.T)), sd, rtol=1e-4)


def test_the_marginal_likelihood_is_laplace_s_of_its_posterior():
    trials = drawn_trials(9, 5, 24)
    model, costs, its_costs = mixed_model(trials), [], []
    for spreads in (SPREADS, Spreads(1.4, 0.3)):
        peak = peak_of(trials, spreads)
        at = as_its_own(peak, spreads)
        prior_of_spreads = -0.5 * np.sum(at[FIXED : FIXED + 2] ** 2)
        log_det = np.linalg.slogdet(its_curvature(model, at))[1]
        its_costs.append(-(model.logposterior(at) - prior_of_spreads) + 0.5 * log_det)
        costs.append(laplace_cost(peak, spreads))
    assert costs[1] - costs[0] == pytest.approx(its_costs[1] - its_costs[0], abs=1e-3)


def test_with_heavy_data_a_model_without_priors_agrees():
    trials = drawn_trials(6, 5, 3000)
    told = fit_rasch(trials, np.zeros(6))
    design = np.column_stack([trials.tens, dummies(trials.learner), -dummies(trials.target)[:, 1:]])
    plain = sm.GLM(trials.success, design, family=sm.families.Binomial()).fit()
    hard = np.r_[0, plain.params[7:]]
    np.testing.assert_allclose(told.difficulty, hard - hard.mean(), atol=0.01)
    np.testing.assert_allclose(told.ability, plain.params[1:7] - hard.mean(), atol=0.02)
    assert told.growth == pytest.approx(plain.params[0], abs=1e-4)
    assert told.growth_sd == pytest.approx(plain.bse[0], rel=0.02)
    # The same for the difference of two targets, which is what the uncertainties are of.
    contrast = np.eye(5)[:, 1:] - 0.2
    covariance = plain.cov_params()[7:, 7:]
    sd = np.sqrt(np.diag(contrast @ covariance @ contrast.T))
    np.testing.assert_allclose(told.difficulty_sd, sd, rtol=0.03)
