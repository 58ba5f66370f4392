"""The moment when a core needle sampled. Invented data, solved by hand."""

import numpy as np
import pytest

from needlecoach.scoring.sampling import steady_most

TIME_S = np.arange(50) / 25
WEIGHT_S = np.full(50, 0.04)


def most(values):
    return steady_most(np.asarray(values, dtype=float), TIME_S, WEIGHT_S)


def test_middle_of_the_longest_spell_that_is_as_good():
    values = np.zeros(50)
    values[5:10] = 3.0  # 0.2 s
    values[20:31] = 2.95  # 0.44 s, not told apart from it
    assert most(values) == 25
    values[20:31] = 2.8
    assert most(values) == 7


def test_a_peak_of_under_a_fifth_of_a_second_does_not_count():
    values = np.zeros(50)
    values[5:9] = 3.0  # 0.16 s
    values[20:31] = 1.0
    assert most(values) == 25


def test_the_unknown_breaks_a_spell():
    values = np.full(50, 1.0)
    values[::4] = np.nan
    values[10] = 1.05
    assert most(values) == 10
    assert most(np.full(50, np.nan)) is None


@pytest.mark.parametrize("rate_hz", [7, 25, 60])
def test_time_counts_not_frames(rate_hz):
    time_s = np.arange(2 * rate_hz) / rate_hz
    inside = np.where((time_s >= 0.5) & (time_s < 0.5 + 0.9), 2.0, 0.0)
    row = steady_most(inside, time_s, np.full(len(time_s), 1 / rate_hz))
    assert time_s[row] == pytest.approx(0.95, abs=1 / rate_hz)
