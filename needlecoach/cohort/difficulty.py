"""Learners apart from targets: abilities, difficulties, and what each target lets one expect."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from needlecoach.cohort.enough import comparable, left_out
from needlecoach.cohort.rasch import Fitted, fit_rasch
from needlecoach.cohort.rasch_peak import Trials
from needlecoach.cohort.values import Difficulty, Estimate
from needlecoach.model import FloatArray


def chance(ability: FloatArray | float, difficulty: FloatArray | float) -> FloatArray:
    """Chance of success of an ability at a difficulty, both in logits (Rasch 1960)."""
    return np.asarray(expit(np.subtract(ability, difficulty)), dtype=float)


def fit_difficulty(table: pd.DataFrame) -> Difficulty:
    """Tell learners from targets.

    Parameters
    ----------
    table : one row per attempt, with the columns learner, order (1 for a learner's first), target and success
        (1, 0, or NaN where it can't be told)

    Returns
    -------
    Difficulty
        Abilities are as of each learner's latest attempt, at this cohort's mean target; difficulties have
        mean 0. `expected_failure` is NaN at targets that were not fitted. With a `reason`, and nothing else,
        when there is too little to tell one from the other.

    Notes
    -----
    Attempts without a code or a target's name are left out: what is alike in them is not known. The index of
    difficulty does not stand in for a name, since that it predicts hits of needles is not shown. Where
    learners and targets hang together in several parts, the largest is fitted, as nothing compares one part
    with another.
    """
    used, reason = comparable(table)
    if reason:
        return Difficulty({}, {}, None, np.empty(0), reason)
    rows = table[used]
    learners, codes = pd.factorize(rows["learner"], sort=True)
    targets, names = pd.factorize(rows["target"], sort=True)
    trials = Trials(learners, targets, _tens(rows["order"]), rows["success"].to_numpy(dtype=float))
    now_tens = _tens(table.groupby("learner")["order"].max().loc[codes])
    fitted = fit_rasch(trials, now_tens)
    expected = dict(zip(names, _expected_failures(trials, fitted), strict=True))
    return Difficulty(
        abilities=_estimates(codes, fitted.ability, fitted.ability_sd),
        targets=_estimates(names, fitted.difficulty, fitted.difficulty_sd),
        growth=Estimate(fitted.growth, fitted.growth_sd),
        expected_failure=table["target"].map(expected).to_numpy(dtype=float),
        note=left_out(table, used),
    )


def _tens(order: pd.Series) -> FloatArray:
    """Attempts before this one, in tens."""
    return np.asarray((order.to_numpy(dtype=float) - 1) / 10)


def _estimates(names: pd.Index, value: FloatArray, sd: FloatArray) -> dict[str, Estimate]:
    return {
        str(name): Estimate(float(one), float(its_sd))
        for name, one, its_sd in zip(names, value, sd, strict=True)
    }


def _expected_failures(trials: Trials, fitted: Fitted) -> FloatArray:
    """Chance of failure at each target, (targets,): mean over learners, each at the stages of own attempts.

    The mean of chances, not the chance of the mean ability: learners on both sides of it pull it to a half.
    """
    then = fitted.ability[trials.learner] - fitted.growth * (fitted.now_tens[trials.learner] - trials.tens)
    share = 1 / (np.bincount(trials.learner)[trials.learner] * trials.n_learners)
    return np.array([np.sum(share * (1 - chance(then, one))) for one in fitted.difficulty], dtype=float)
