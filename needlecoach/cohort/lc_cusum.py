"""The learning-curve CUSUM: from which trial on has a learner been shown competent?

Here inadequate is the null hypothesis, and a signal is evidence of competence; in `cusum.py` a learner is
taken to be adequate until shown otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np

from needlecoach.cohort.limit import TOUCH, reached, simulated_highs, smallest_limit, sums
from needlecoach.cohort.values import Calibration, LcCusum, Rates
from needlecoach.errors import CohortError
from needlecoach.model import FloatArray

RUNS = 20_000
SEED = 2008
LONGEST = 2_000


@dataclass(frozen=True)
class Weights:
    """What a success and a failure is worth: the log of how much likelier a competent learner has it."""

    success: float
    failure: float


def weights_of(rates: Rates) -> Weights:
    """Steps of the sum; the source is that of `lc_cusum`."""
    return Weights(
        success=log((1 - rates.acceptable) / (1 - rates.unacceptable)),
        failure=log(rates.acceptable / rates.unacceptable),
    )


def lc_cusum(success: FloatArray, rates: Rates, limit: float) -> LcCusum:
    """The sum after each trial, and the first trial at which it reached the limit.

    Parameters
    ----------
    success : FloatArray
        (n,), 1 or 0 for each trial in order; n may be 0. No NaN.
    rates : Rates
        Failure rates; alpha and beta have no part in it.
    limit : float
        From `calibrate`. One taken from elsewhere can be far off: 1.25, with rates of 10 and 25 %, declares
        nine of ten inadequate learners competent within 50 trials.

    Returns
    -------
    LcCusum
        `competent_at` counts from 1, None where the limit was never reached. The sum goes on after it.

    Notes
    -----
    A signal is as good as its limit's `false_competence`, which belongs beside it wherever it is shown, and
    holds for the first `length` trials alone: everybody signals some day. Source: Biau et al., Br J Surg
    2008;95:925.
    """
    weights = weights_of(rates)
    value = sums(np.where(np.asarray(success, float) > 0, weights.success, weights.failure))
    at = np.flatnonzero(value >= limit - TOUCH)
    return LcCusum(value, int(at[0]) + 1 if at.size else None)


def calibrate(
    rates: Rates, length: int, false_competence: float, *, runs: int = RUNS, seed: int = SEED
) -> Calibration:
    """The smallest limit that declares at most a given share of inadequate learners competent.

    Parameters
    ----------
    rates : Rates
        An inadequate learner fails at the unacceptable rate, a competent one at the acceptable rate.
    length : int
        Trials within which a learner may be declared competent, 1 to 2000.
    false_competence : float
        The share asked for, above 0 and below 1.
    runs, seed : int
        Simulated learners of each kind. With 20,000 a share of 5 % is known to 0.3 % (two standard errors).

    Returns
    -------
    Calibration
        The limit in hundredths, and both shares as simulated.

    Raises
    ------
    CohortError
        Where the limit would lie beyond what anybody could reach, even without a failure.
    """
    _check(length, runs)
    if not 0 < false_competence < 1:
        raise CohortError(
            f"The share of false competence must lie between 0 and 1, got {false_competence:g}."
        )
    limit = smallest_limit(_highs(rates, rates.unacceptable, length, runs, seed), false_competence)
    if limit > length * weights_of(rates).success + TOUCH:
        raise CohortError(
            f"Nobody could be shown competent within {length} trials with {false_competence:g} of false "
            "competence: allow more trials, a larger share, or set the two failure rates further apart."
        )
    return calibration_of(limit, rates, length, runs=runs, seed=seed)


def calibration_of(
    limit: float, rates: Rates, length: int, *, runs: int = RUNS, seed: int = SEED
) -> Calibration:
    """What a given limit declares of simulated learners; parameters as in `calibrate`.

    Raises
    ------
    CohortError
        For a limit that is not above 0, a length out of range.
    """
    _check(length, runs)
    if not limit > 0:
        raise CohortError(f"The limit of an LC-CUSUM must be above 0, got {limit:g}.")
    false, true = (
        reached(_highs(rates, rate, length, runs, seed), limit)
        for rate in (rates.unacceptable, rates.acceptable)
    )
    return Calibration(limit, length, false, true, runs)


def _highs(rates: Rates, failing: float, length: int, runs: int, seed: int) -> FloatArray:
    """The highest sum of each simulated learner who fails at a given rate."""
    weights, each = weights_of(rates), np.ones(length)
    return simulated_highs(
        failing * each, weights.failure * each, weights.success * each, runs=runs, seed=seed
    )


def _check(length: int, runs: int) -> None:
    if not 1 <= length <= LONGEST:
        raise CohortError(f"The length must be 1 to {LONGEST} trials, got {length}.")
    if runs < 1:
        raise CohortError(f"At least one learner must be simulated, got {runs}.")
