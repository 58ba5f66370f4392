"""Intervals of a share against published values, statsmodels and scipy."""

import pytest
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from needlecoach.cohort.intervals import jeffreys, wilson


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_is_newcombes(successes, trials, low, high):
    """Newcombe, Stat Med 1998;17:857, method 3, as printed there."""
    share = wilson(successes, trials)
    assert (round(share.low, 4), round(share.high, 4)) == (low, high)


def test_jeffreys_of_five_in_ten():
    """From the definition: 2.5 and 97.5 % points of the beta distribution with 5.5 and 5.5."""
    share = jeffreys(5, 10)
    assert (round(share.low, 4), round(share.high, 4)) == (0.2235, 0.7765)


@pytest.mark.parametrize(("successes", "trials"), [(1, 2), (3, 12), (12, 13), (250, 1000)])
def test_both_are_statsmodels_and_scipys(successes, trials):
    for interval, name in ((wilson, "wilson"), (jeffreys, "jeffreys")):
        share = interval(successes, trials)
        expected = proportion_confint(successes, trials, method=name)
        assert (share.low, share.high) == pytest.approx(expected, abs=1e-9)
    expected = binomtest(successes, trials).proportion_ci(method="wilson")
    share = wilson(successes, trials)
    assert (share.low, share.high) == pytest.approx((expected.low, expected.high), abs=1e-9)
