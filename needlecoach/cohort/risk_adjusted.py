"""A risk-adjusted CUSUM: results worse than the targets explain?"""

from __future__ import annotations

import numpy as np

from needlecoach.cohort.limit import TOUCH, reached, simulated_highs, smallest_limit
from needlecoach.cohort.values import RiskAdjusted
from needlecoach.errors import CohortError
from needlecoach.model import FloatArray

# A learner's trials are simulated anew for each learner, as their targets differ: a tenth of the runs of
# `lc_cusum`.
RUNS = 2_000
SEED = 2000


def weights_of(expected_failure: FloatArray, odds_ratio: float) -> tuple[FloatArray, FloatArray]:
    """What a failure and a success is worth at each trial, (n,) each; 0 where the expected chance is NaN.

    Notes
    -----
    The logarithm of how much likelier a result is if the odds of failure are `odds_ratio` times those
    expected. Source: Steiner et al., Biostatistics 2000;1:441.
    """
    chance = np.asarray(expected_failure, float)
    success = np.where(np.isnan(chance), 0.0, -np.log1p((odds_ratio - 1) * np.nan_to_num(chance)))
    failure = np.where(np.isnan(chance), 0.0, success + np.log(odds_ratio))
    return failure, success


def risk_adjusted(
    success: FloatArray,
    expected_failure: FloatArray,
    *,
    odds_ratio: float = 2.0,
    false_alarm: float = 0.1,
    runs: int = RUNS,
    seed: int = SEED,
) -> RiskAdjusted:
    """The sum after each trial, upwards with unexpected failures; its limit, and where it signals.

    Parameters
    ----------
    success : FloatArray
        (n,), 1 or 0 for each trial in order; n may be 0. No NaN.
    expected_failure : FloatArray
        (n,), chance of failure (0 to 1) of an average learner at each trial's target. It must come from the
        whole cohort, or from elsewhere, never from this learner alone: a chance taken from the learner's own
        results finds them just as expected, however bad they are. NaN where nothing is expected: such a trial
        moves nothing.
    odds_ratio : float
        How many times the odds of failure are to be told from those expected, above 1.
    false_alarm : float
        The limit is the smallest (in hundredths) that at most this share of learners with results as expected
        reach within these n trials; simulated with `runs` and `seed`. 2000 runs know 10 % to 1.3 % (two
        standard errors).

    Returns
    -------
    RiskAdjusted
        The sum never falls below 0 and begins again from 0 after a signal, of which the value is the one that
        reached the limit. With too few trials the limit lies beyond reach, and there is no signal.
        `false_alarm` is the share simulated. Signals count from 1.

    Raises
    ------
    CohortError
        For an odds ratio not above 1, a false alarm rate outside 0 to 1.
    """
    if not (odds_ratio > 1 and np.isfinite(odds_ratio)):
        raise CohortError(f"The odds ratio of a risk-adjusted CUSUM must be above 1, got {odds_ratio:g}.")
    if not 0 < false_alarm < 1:
        raise CohortError(f"The share of false alarms must lie between 0 and 1, got {false_alarm:g}.")
    failed, succeeded = weights_of(expected_failure, odds_ratio)
    highs = simulated_highs(expected_failure, failed, succeeded, runs=runs, seed=seed)
    limit = smallest_limit(highs, false_alarm)
    value, signals = _signalling(np.where(np.asarray(success, float) > 0, succeeded, failed), limit)
    return RiskAdjusted(value, limit, reached(highs, limit), signals)


def _signalling(steps: FloatArray, limit: float) -> tuple[FloatArray, tuple[int, ...]]:
    """The sum (n,) that begins again from 0 after each signal, and the signals."""
    value, total, signals = np.empty(len(steps)), 0.0, []
    for k, step in enumerate(steps):
        total = max(0.0, total + float(step))
        value[k] = total
        if total >= limit - TOUCH:
            signals.append(k + 1)
            total = 0.0
    return value, tuple(signals)
