"""Intervals of a share: ends, order and coverage. Published values are in tests/outside/test_shares.py."""

import numpy as np
import pytest
from scipy.stats import binom

from needlecoach.cohort.intervals import jeffreys, wilson


@pytest.mark.parametrize("interval", [wilson, jeffreys])
@pytest.mark.parametrize(("successes", "trials"), [(0, 0), (0, 1), (1, 1), (0, 40), (40, 40), (3, 7)])
def test_ends_lie_within_0_and_1_and_hold_the_share(interval, successes, trials):
    share = interval(successes, trials)
    assert (share.successes, share.trials) == (successes, trials)
    assert 0 <= share.low < share.high <= 1
    assert (share.low == 0) == (successes == 0) and (share.high == 1) == (successes == trials)


@pytest.mark.parametrize("interval", [wilson, jeffreys])
def test_failures_mirror_successes(interval):
    share, mirror = interval(4, 11), interval(7, 11)
    assert (share.low, share.high) == pytest.approx((1 - mirror.high, 1 - mirror.low), abs=1e-12)


@pytest.mark.parametrize(("interval", "least"), [(wilson, 0.83), (jeffreys, 0.83)])
def test_coverage_is_95_percent_on_the_average(interval, least):
    """Exact sums, no simulation: both are known to cover about 95 % on the average, some shares less."""
    trials, truths = 20, np.linspace(0.005, 0.995, 199)
    ends = [interval(k, trials) for k in range(trials + 1)]
    covered = [
        sum(binom.pmf(k, trials, p) for k, end in enumerate(ends) if end.low <= p <= end.high) for p in truths
    ]
    assert np.mean(covered) == pytest.approx(0.95, abs=0.012)
    assert min(covered) > least
