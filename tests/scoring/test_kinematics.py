"""Movement signals whose answer is known before the code runs. Invented data throughout."""

import numpy as np
import pytest

from needlecoach.scoring.kinematics import (
    despike,
    even_speed,
    local_line,
    log_dimensionless_jerk,
    spectral_arc_length,
    travel_mm,
    true_runs,
    turning_points,
    weighted_quantile,
)


def test_a_straight_movement_survives_smoothing_at_uneven_times():
    time_s = np.sort(np.random.default_rng(1).uniform(0, 4, 90))
    values = np.stack([3 * time_s - 1, -0.5 * time_s], axis=-1)
    fit, slope = local_line(time_s, values, sigma_s=0.1)
    assert fit == pytest.approx(values, abs=1e-9)
    assert slope == pytest.approx(np.tile([3, -0.5], (90, 1)), abs=1e-7)


@pytest.mark.parametrize("rate_hz", [2.0, 5.0])
def test_a_slow_camera_still_gives_a_speed(rate_hz):
    time_s = np.arange(10) / rate_hz
    _, slope = local_line(time_s, 4 * time_s, sigma_s=0.06)
    assert slope == pytest.approx(np.full(10, 4.0))


def test_tremor_goes_and_a_stroke_stays():
    time_s = np.arange(200) / 50
    tremor = 0.2 * np.sin(2 * np.pi * 8 * time_s)
    stroke = 2.0 * np.sin(2 * np.pi * 0.8 * time_s)
    left, _ = local_line(time_s, tremor, sigma_s=0.06)
    kept, _ = local_line(time_s, stroke, sigma_s=0.06)
    assert np.abs(left[10:-10]).max() < 0.02
    assert np.ptp(kept) > 0.9 * np.ptp(stroke)


def test_groups_are_not_smoothed_into_each_other():
    time_s = np.arange(40) / 25
    step = np.where(time_s < 0.8, 0.0, 5.0)
    fit, _ = local_line(time_s, step, sigma_s=0.1, groups=step)
    assert fit == pytest.approx(step)
    assert np.abs(local_line(time_s, step, sigma_s=0.1)[0] - step).max() > 1


@pytest.mark.parametrize("n", [0, 1])
def test_smoothing_bears_next_to_nothing(n):
    fit, slope = local_line(np.arange(n, dtype=float), np.full(n, 7.0), sigma_s=0.1)
    assert fit.tolist() == [7.0] * n and slope.tolist() == [0.0] * n


def test_a_single_wild_position_is_put_back():
    points = np.stack([np.linspace(0, 10, 30), np.zeros(30)], axis=-1)
    wild = points.copy()
    wild[12] += (0, 9)
    assert np.abs(despike(wild) - points).max() < 0.5


def test_fast_steady_movement_is_not_wild():
    points = np.stack([3.2 * np.arange(20.0), 0.5 * np.arange(20.0)], axis=-1)
    assert despike(points) == pytest.approx(points)
    assert despike(points[:2]) == pytest.approx(points[:2])


def test_turning_points_ignore_wiggles_below_the_threshold():
    signal = np.array([0, 3, 6, 5.5, 6.2, 4, 1, 1.8, 0.5, 5, 7.0])
    assert turning_points(signal, threshold=1.5) == [0, 4, 8, 10]
    assert turning_points(signal, threshold=0.7) == [0, 4, 6, 7, 8, 10]


@pytest.mark.parametrize("signal", [[], [2.0], [1.0, 1.5, 1.0]])
def test_no_turning_points_without_movement(signal):
    assert turning_points(np.array(signal), threshold=1.5) == []


def test_travel_counts_the_way_and_not_the_jitter():
    there_and_back = np.concatenate([np.linspace(0, 30, 61), np.linspace(30, 0, 61)])
    points = np.stack([there_and_back, np.zeros(122)], axis=-1)
    # The follower starts a quarter of a millimetre late and turns twice that late.
    assert travel_mm(points)[-1] == pytest.approx(60 - 0.75)
    still = np.random.default_rng(0).uniform(-0.12, 0.12, (500, 2))
    assert travel_mm(still)[-1] < 0.5
    assert travel_mm(np.zeros((0, 2))).shape == (0,)


@pytest.mark.parametrize(
    ("weights", "value"), [([1, 1, 1], 2.0), ([1, 1, 2], 7 / 3), ([0, 0, 1], 3.0), ([0, 0, 0], None)]
)
def test_weighted_median(weights, value):
    result = weighted_quantile(np.array([3.0, 1.0, 2.0])[[1, 2, 0]], np.array(weights, dtype=float), 0.5)
    assert result == (None if value is None else pytest.approx(value))


def test_quantile_leaves_out_the_unknown():
    assert weighted_quantile(np.array([np.nan, 4.0]), np.ones(2), 0.5) == 4.0
    assert weighted_quantile(np.array([np.nan]), np.ones(1), 0.5) is None


def test_runs_of_true():
    assert true_runs(np.array([1, 0, 0, 1, 1, 0, 1], dtype=bool)) == [(0, 0), (3, 4), (6, 6)]
    assert true_runs(np.zeros(0, dtype=bool)) == []


@pytest.mark.parametrize(("rate_hz", "given"), [(14.0, False), (16.0, True)])
def test_no_smoothness_under_fifteen_frames_a_second(rate_hz, given):
    time_s = np.arange(60) / rate_hz
    assert (even_speed(time_s, np.stack([time_s, time_s], axis=-1)) is not None) is given


def test_speed_is_even_and_right_at_uneven_times():
    time_s = np.cumsum(np.tile([0.03, 0.05], 40))
    speed, rate_hz = even_speed(time_s, np.stack([3 * time_s, 4 * time_s], axis=-1))
    assert speed == pytest.approx(np.full(len(speed), 5.0))
    assert len(speed) == pytest.approx((time_s[-1] - time_s[0]) * rate_hz, abs=1)


def test_smoothness_low_pass_halves_the_power_at_three_hertz():
    time_s = np.arange(400) / 100
    sway = np.stack([np.sin(2 * np.pi * 3 * time_s), np.zeros(400)], axis=-1)
    speed, _ = even_speed(time_s, sway)
    # A local straight line is the Gaussian's derivative in the middle: amplitude 1/sqrt(2).
    assert speed[100:300].max() == pytest.approx(2 * np.pi * 3 / np.sqrt(2), rel=0.02)


@pytest.mark.parametrize("speed", [[], [1.0, 2.0], [0.0] * 20])
def test_no_smoothness_without_movement(speed):
    assert spectral_arc_length(np.array(speed), 30) is None
    assert log_dimensionless_jerk(np.array(speed), 30) is None
