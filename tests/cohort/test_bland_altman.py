"""Bland and Altman's comparison: drawn differences recovered, exact intervals, proportional bias, "
"degenerate cases."""

import math

import numpy as np
import pytest

from needlecoach.cohort.bland_altman import bland_altman


def test_it_recovers_drawn_differences():
    random = np.random.default_rng(1)
    truth = random.normal(10, 3, 20_000)
    found = bland_altman(truth + random.normal(0.5, 0.6, 20_000), truth + random.normal(0, 0.8, 20_000))
    # differences: mean 0.5, sd 1; tolerance three standard errors
    assert found.mean.value == pytest.approx(0.5, abs=0.022)
    assert found.sd == pytest.approx(1, abs=0.015)
    assert [found.lower.value, found.upper.value] == pytest.approx([-1.46, 2.46], abs=0.04)


@pytest.mark.parametrize("n", [6, 30])
def test_intervals_are_exact_also_in_small_numbers(n):
    random, held = np.random.default_rng(2), np.zeros(3)
    for _ in range(600):
        found = bland_altman(random.normal(1, 2, n), np.zeros(n))
        for place, (one, truth) in enumerate(
            [(found.mean, 1), (found.lower, 1 - 3.92), (found.upper, 1 + 3.92)]
        ):
            held[place] += one.low <= truth <= one.high
    # 95 % of 600, binomial noise 0.9 %
    assert held / 600 == pytest.approx(0.95, abs=0.027)


def test_a_difference_that_grows_is_told_by_its_slope():
    truth = np.linspace(1, 20, 60)
    noise = np.random.default_rng(3).normal(0, 0.3, 60)
    grown = bland_altman(truth * 1.1 + noise, truth).slope
    steady = bland_altman(truth + noise, truth).slope
    assert grown.low > 0 and grown.value == pytest.approx(0.1 / 1.05, abs=0.02)
    assert steady.low < 0 < steady.high


def test_blanks_are_left_out():
    found = bland_altman(np.array([1, np.nan, 3, 4.5]), np.array([1, 2, np.nan, 4.0]))
    assert found.difference.tolist() == [0, 0.5] and found.reason.startswith("only 2")
    assert math.isnan(found.mean.value)


def test_differences_that_are_all_the_same_have_no_interval():
    found = bland_altman(np.array([1.1, 2.1, 3.1, 4.1]), np.array([1.0, 2.0, 3.0, 4.0]))
    assert found.sd == 0 and found.upper.value == pytest.approx(0.1)
    assert "no interval" in found.mean.reason


def test_means_that_do_not_differ_have_no_slope():
    found = bland_altman(np.array([1.0, 3.0, 2.0]), np.array([3.0, 1.0, 2.0]))
    assert math.isnan(found.slope.value) and found.slope.reason
