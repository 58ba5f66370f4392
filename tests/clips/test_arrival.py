"""Times of a stream's pictures: as told by the stream, on this machine's clock, or by arrival."""

import numpy as np
import pytest

from needlecoach.clips.arrival import ArrivalClock


def times(told_s, arrived_s):
    clock = ArrivalClock()
    return np.array([clock.time_s(*one) for one in zip(told_s, arrived_s, strict=True)])


def test_late_arrivals_do_not_move_a_picture():
    """Delays drawn from an exponential distribution, as of a queue; 20 ms on average, 2 ms at least."""
    rng = np.random.default_rng(4)
    taken_s = 100 + np.arange(600) / 30
    arrived_s = np.maximum.accumulate(taken_s + 0.002 + rng.exponential(0.02, 600))
    found_s = times(taken_s - 100, arrived_s)
    assert (found_s <= arrived_s + 1e-9).all()
    error_s = found_s[60:] - taken_s[60:]
    assert np.abs(error_s - 0.002).max() < 0.002
    assert np.abs(arrived_s[60:] - taken_s[60:]).max() > 0.05  # what arrival alone would be off by


def test_pictures_that_come_in_lumps_keep_their_distances():
    taken_s = np.arange(300) / 30
    arrived_s = np.ceil((taken_s + 1e-9) / 0.5) * 0.5
    found_s = times(taken_s, arrived_s)
    assert np.diff(found_s[30:]) == pytest.approx(1 / 30)


def test_a_clock_that_runs_a_little_fast_is_followed():
    """A quartz is off by less than 100 millionths (common practice, no source); here by 1000."""
    arrived_s = np.arange(3600) / 30
    found_s = times(arrived_s * 1.001, arrived_s)
    assert np.abs(found_s - arrived_s).max() < 0.012


@pytest.mark.parametrize("told_s", [np.zeros(90), np.arange(90)[::-1] / 30])
def test_times_that_do_not_rise_are_not_believed(told_s):
    arrived_s = 5 + np.arange(90) / 30
    assert times(told_s, arrived_s) == pytest.approx(arrived_s)


def test_times_made_up_from_another_rate_are_found_out():
    """15 pictures a second told as 25, the rate that FFmpeg takes where it knows none (tried)."""
    arrived_s = np.arange(600) / 15
    found_s = times(np.arange(600) / 25, arrived_s)
    assert found_s[150:] == pytest.approx(arrived_s[150:])
    assert np.abs(found_s - arrived_s).max() <= 1.6


def test_a_stream_whose_clock_is_set_anew_goes_on():
    arrived_s = np.arange(180) / 30
    for jump_s in (50.0, -1.0):
        told_s = arrived_s + np.where(arrived_s > 3, jump_s, 0.0)
        assert times(told_s, arrived_s) == pytest.approx(arrived_s)
