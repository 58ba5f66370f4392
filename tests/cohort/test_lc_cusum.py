"""The learning-curve CUSUM. Published steps, and limits by exact chances, are in tests/outside."""

import numpy as np
import pytest

from needlecoach.cohort.lc_cusum import calibrate, calibration_of, lc_cusum
from needlecoach.cohort.values import Rates
from needlecoach.errors import CohortError

RATES = Rates(0.10, 0.25)


def test_sum_rises_with_successes_and_never_falls_below_0():
    found = lc_cusum(np.array([0.0, 1, 1, 1, 0, 1]), RATES, 0.5)
    np.testing.assert_allclose(found.value, [0, 0.18232, 0.36464, 0.54696, 0, 0.18232], atol=1e-5)
    assert found.competent_at == 4


def test_a_limit_never_reached_says_nothing():
    assert lc_cusum(np.ones(5), RATES, 1.0).competent_at is None
    empty = lc_cusum(np.empty(0), RATES, 1.0)
    assert empty.value.shape == (0,) and empty.competent_at is None


def test_calibrated_limit_is_the_smallest_that_keeps_to_the_share():
    found = calibrate(RATES, 50, 0.05)
    assert found.false_competence <= 0.05 < found.true_competence
    assert (found.length, found.runs) == (50, 20_000)
    assert calibration_of(found.limit - 0.01, RATES, 50).false_competence > 0.05
    assert found == calibrate(RATES, 50, 0.05) == calibration_of(found.limit, RATES, 50)


def test_calibrated_share_holds_for_other_learners():
    """By other simulated learners, run through `lc_cusum` itself; 4000 of them know 10 % to 1.4 %."""
    limit, rng = calibrate(RATES, 30, 0.1).limit, np.random.default_rng(77)
    runs = [lc_cusum((rng.random(30) > 0.25).astype(float), RATES, limit) for _ in range(4000)]
    declared = np.mean([run.competent_at is not None for run in runs])
    assert 0.06 < declared < 0.115


def test_more_trials_need_a_higher_limit():
    limits = [calibrate(RATES, length, 0.05, runs=4000).limit for length in (20, 50, 200)]
    assert limits == sorted(set(limits))


def test_a_limit_beyond_reach_is_refused_with_what_to_do():
    with pytest.raises(CohortError, match=r"within 5 trials with 0.05 .* allow more trials"):
        calibrate(RATES, 5, 0.05)


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1, float("nan")])
def test_impossible_shares_are_refused(share):
    with pytest.raises(CohortError, match="between 0 and 1"):
        calibrate(RATES, 50, share)


@pytest.mark.parametrize("length", [0, -3, 2001])
def test_impossible_lengths_are_refused(length):
    with pytest.raises(CohortError, match="1 to 2000 trials"):
        calibrate(RATES, length, 0.05)


@pytest.mark.parametrize("limit", [0.0, -1.0, float("nan")])
def test_impossible_limits_are_refused(limit):
    with pytest.raises(CohortError, match="above 0"):
        calibration_of(limit, RATES, 50)
