"""The two-boundary CUSUM on sums done by hand. Published lines are in tests/outside/test_cusums.py."""

import numpy as np
import pytest

from needlecoach.cohort.cusum import two_boundary
from needlecoach.cohort.values import Rates, Signal
from needlecoach.errors import CohortError

# Lines exactly 2 from 0, s = 0.16596: three failures reach the upper one (2.50), thirteen successes the
# lower one (-2.16).
RATES = Rates(0.10, 0.25, 0.1, 0.1)
S = 0.16596
FAILURES, SUCCESSES = [0.0] * 3, [1.0] * 13


def drawn(trials: list[float], crossing: str):
    return two_boundary(np.array(trials), RATES, crossing)


def test_sum_rises_with_failures_and_falls_with_successes():
    cusum = drawn([0, 1, 1, 0], "stop")
    np.testing.assert_allclose(cusum.value, [1 - S, 1 - 2 * S, 1 - 3 * S, 2 - 4 * S], atol=1e-4)
    assert (cusum.up, cusum.down) == pytest.approx((2, -2), abs=1e-9)
    assert cusum.signals == ()


def test_the_side_of_a_signal():
    assert drawn(FAILURES, "stop").signals == (Signal(3, "unacceptable"),)
    assert drawn(SUCCESSES, "stop").signals == (Signal(13, "acceptable"),)


def test_stop_takes_the_first_line_alone():
    cusum = drawn(FAILURES + SUCCESSES * 3, "stop")
    assert cusum.signals == (Signal(3, "unacceptable"),)
    assert cusum.value[-1] == pytest.approx(3 * (1 - S) - 39 * S, abs=1e-3)


def test_restart_begins_again_from_zero():
    cusum = drawn([*FAILURES, *SUCCESSES, 0.0], "restart")
    assert cusum.signals == (Signal(3, "unacceptable"), Signal(16, "acceptable"))
    np.testing.assert_allclose(cusum.value[[2, 3, 15, 16]], [3 * (1 - S), -S, -13 * S, 1 - S], atol=1e-3)


def test_going_on_counts_a_line_each_time_it_is_reached_anew():
    # 2.50, 3.34, four successes to 2.67, five more to 1.84, a failure to 2.68
    cusum = drawn([0.0] * 4 + [1.0] * 9 + [0.0], "go-on")
    assert cusum.signals == (Signal(3, "unacceptable"), Signal(14, "unacceptable"))


def test_a_line_that_is_reached_exactly_is_crossed():
    """Two failures at s = 0.5 reach 1: rates of 0.3 and 0.7, errors that put the lines at 1."""
    step = 2 * np.log(0.7 / 0.3)
    error = 1 / (1 + np.exp(step))
    rates = Rates(0.3, 0.7, error, error)
    assert two_boundary(np.zeros(2), rates, "stop").signals == (Signal(2, "unacceptable"),)
    assert two_boundary(np.ones(2), rates, "restart").signals == (Signal(2, "acceptable"),)


@pytest.mark.parametrize("crossing", ["stop", "restart", "go-on"])
def test_no_trials_and_one(crossing):
    assert drawn([], crossing).value.shape == (0,) and drawn([], crossing).signals == ()
    assert drawn([1.0], crossing).value == pytest.approx([-S], abs=1e-4)


def test_errors_that_leave_no_room_between_the_lines_are_refused():
    with pytest.raises(CohortError, match=r"add up to less than 1, got 0.6 and 0.5"):
        Rates(0.1, 0.2, 0.6, 0.5)
