"""The risk-adjusted CUSUM on sums done by hand, and its false alarms."""

import numpy as np
import pytest

from needlecoach.cohort.risk_adjusted import risk_adjusted
from needlecoach.errors import CohortError


def test_sum_restarts_after_a_signal_and_never_falls_below_0():
    success = np.array([1.0, *[0.0] * 12])
    found = risk_adjusted(success, np.full(13, 0.2))
    assert found.value[0] == 0 and found.signals
    first = found.signals[0]
    np.testing.assert_allclose(found.value[1:first], 0.510826 * np.arange(1, first), atol=1e-5)
    assert found.value[first - 1] >= found.limit > found.value[first - 2]
    assert found.value[first] == pytest.approx(0.510826, abs=1e-5)


def test_a_failure_at_an_easy_target_weighs_more():
    found = risk_adjusted(np.array([0.0, 0.0]), np.array([0.05, 0.6]), false_alarm=0.001)
    easy, hard = np.diff([0, *found.value])
    assert easy == pytest.approx(0.644357, abs=1e-6) and hard == pytest.approx(np.log(2 / 1.6), abs=1e-9)


def test_false_alarms_are_at_most_those_asked_for():
    """By other simulated learners whose results are as expected; 1500 of them know 10 % to 1.6 %."""
    rng = np.random.default_rng(11)
    expected = rng.uniform(0.05, 0.7, 40)
    found = risk_adjusted(np.ones(40), expected)
    assert found.false_alarm <= 0.1
    alarms = [
        bool(risk_adjusted((rng.random(40) >= expected) * 1.0, expected, runs=1000).signals)
        for _ in range(300)
    ]
    assert 0.03 < np.mean(alarms) < 0.15


def test_a_learner_who_does_worse_is_told():
    """With odds of failure four times those expected; those as expected are told in under 10 %."""
    rng = np.random.default_rng(12)
    expected = rng.uniform(0.1, 0.5, 60)
    odds = 4 * expected / (1 - expected)
    runs = [(rng.random(60) >= odds / (1 + odds)) * 1.0 for _ in range(60)]
    assert np.mean([bool(risk_adjusted(run, expected, runs=500).signals) for run in runs]) > 0.9


@pytest.mark.parametrize("chance", [0.0, 1.0, float("nan")])
def test_chances_at_their_ends_and_unknown_ones(chance):
    for trials in (0, 1, 3):
        found = risk_adjusted(np.zeros(trials), np.full(trials, chance))
        assert found.value.shape == (trials,) and np.isfinite(found.value).all()
        assert 0 < found.limit < 10 and found.false_alarm <= 0.1
        # What was sure to fail, or of which nothing is known, says nothing; what could not fail says much.
        assert bool(found.signals) == (chance == 0 and trials > 0)


def test_an_unknown_chance_moves_nothing():
    found = risk_adjusted(np.array([0.0, 0.0, 1.0]), np.array([0.2, np.nan, np.nan]), false_alarm=0.01)
    np.testing.assert_allclose(found.value, 0.510826, atol=1e-5)


@pytest.mark.parametrize("ratio", [1.0, 0.5, float("inf"), float("nan")])
def test_impossible_ratios_are_refused(ratio):
    with pytest.raises(CohortError, match=r"odds ratio .* above 1"):
        risk_adjusted(np.ones(3), np.full(3, 0.2), odds_ratio=ratio)


def test_impossible_alarms_are_refused():
    with pytest.raises(CohortError, match="false alarms must lie between 0 and 1, got 1"):
        risk_adjusted(np.ones(3), np.full(3, 0.2), false_alarm=1.0)
