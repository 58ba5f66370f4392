"""Sums that never fall below 0, and limits found by simulation."""

import numpy as np
import pytest

from needlecoach.cohort.limit import reached, simulated_highs, smallest_limit, sums


def test_sums_are_the_recursion():
    steps = np.random.default_rng(3).normal(-0.1, 1, 500)
    total, expected = 0.0, []
    for step in steps:
        total = max(0.0, total + step)
        expected.append(total)
    np.testing.assert_allclose(sums(steps), expected, atol=1e-12)
    assert sums(np.empty(0)).shape == (0,)


def test_smallest_limit_is_the_first_hundredth_that_few_enough_reach():
    highs = np.repeat([0.0, 1.0, 2.5, 3.0], [50, 30, 15, 5])
    assert smallest_limit(highs, 0.2) == pytest.approx(1.01)
    assert smallest_limit(highs, 0.19) == pytest.approx(2.51)
    assert smallest_limit(highs, 0.04) == pytest.approx(3.01)
    assert smallest_limit(highs, 0.9) == pytest.approx(0.01)
    assert reached(highs, 1.01) == 0.2 and reached(highs, 1.0) == 0.5


def test_highs_are_those_of_their_own_sums_and_the_same_for_a_seed():
    chance, failure, success = np.full(7, 0.4), np.full(7, 1.0), np.full(7, -0.5)
    highs = simulated_highs(chance, failure, success, runs=300, seed=5)
    rng = np.random.default_rng(5)
    drawn = np.array([rng.random(300) < 0.4 for _ in range(7)])
    expected = [sums(np.where(each, 1.0, -0.5)).max() for each in drawn.T]
    np.testing.assert_allclose(highs, expected, atol=1e-12)


def test_nothing_to_simulate_reaches_nothing():
    none = np.empty(0)
    assert not simulated_highs(none, none, none, runs=10, seed=1).any()
