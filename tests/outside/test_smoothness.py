"""Measures of smoothness against the minimum-jerk movement, whose values follow from the definitions.

Speed of one minimum-jerk movement over A in T: v = 30 A/T s^2 (1 - s)^2 with s = t/T. Hence peak speed 1.875
A/T, integral of squared jerk 720 A^2/T^5, dimensionless jerk 720 / 1.875^2 = 204.8 exactly, and for n equal
pieces end to end 204.8 n^4. Definitions: Balasubramanian et al., IEEE Trans Biomed Eng 2012; J NeuroEng
Rehabil 2015;12:112.
"""

import numpy as np
import pytest

from needlecoach.scoring.kinematics import log_dimensionless_jerk, spectral_arc_length


def minimum_jerk_speed(rate_hz: float, *, amplitude: float = 1.0, duration_s: float = 1.0) -> np.ndarray:
    s = np.linspace(0, 1, round(rate_hz * duration_s) + 1)
    return 30 * amplitude / duration_s * s**2 * (1 - s) ** 2


def pieces(count: int, rate_hz: float, *, gap_s: float = 0.0) -> np.ndarray:
    one = minimum_jerk_speed(rate_hz)
    between = np.zeros(round(gap_s * rate_hz))
    return np.concatenate([np.concatenate([one[:-1], between])] * (count - 1) + [one])


def test_the_drawn_movement_is_minimum_jerk():
    speed = minimum_jerk_speed(1000, amplitude=3, duration_s=2)
    assert speed.max() == pytest.approx(1.875 * 3 / 2)
    assert np.trapezoid(speed, dx=1 / 1000) == pytest.approx(3, rel=1e-5)


def test_the_drawn_movement_has_the_jerk_that_follows_from_its_definition():
    """Integral of squared jerk 720 A^2/T^5; over the squared peak speed times T^3: 204.8."""
    amplitude, duration_s = 3.0, 2.0
    speed = minimum_jerk_speed(1000, amplitude=amplitude, duration_s=duration_s)
    jerk = np.gradient(np.gradient(speed, 1e-3), 1e-3)
    squared = float(np.trapezoid(jerk**2, dx=1e-3))
    assert squared == pytest.approx(720 * amplitude**2 / duration_s**5, rel=0.01)
    assert squared * duration_s**3 / speed.max() ** 2 == pytest.approx(204.8, rel=0.01)


# By calculation from the definition: -ln(204.8 n^4). Numerical differentiation at 1 kHz is good for 0.02.
@pytest.mark.parametrize(("count", "value"), [(1, -5.322034), (2, -8.094622), (3, -9.716483)])
def test_log_dimensionless_jerk(count, value):
    assert log_dimensionless_jerk(pieces(count, 1000), 1000) == pytest.approx(value, abs=0.02)


@pytest.mark.parametrize(("amplitude", "duration_s"), [(1, 1), (40, 1), (1, 4), (25, 2.5)])
def test_both_measures_ignore_size_and_duration(amplitude, duration_s):
    speed = minimum_jerk_speed(1000, amplitude=amplitude, duration_s=duration_s)
    assert log_dimensionless_jerk(speed, 1000) == pytest.approx(-5.322034, abs=0.02)
    # The grid of frequencies shifts against the cut at a twentieth of the largest component: 1 %.
    assert spectral_arc_length(speed, 1000) == pytest.approx(-1.4081, rel=0.01)


# By calculation from the definition with padding 4, cut-off 10 Hz, amplitude 0.05.
@pytest.mark.parametrize(("rate_hz", "value"), [(30, -1.4004), (60, -1.4004), (100, -1.4058)])
def test_spectral_arc_length_of_one_movement(rate_hz, value):
    assert spectral_arc_length(minimum_jerk_speed(rate_hz), rate_hz) == pytest.approx(value, abs=1e-4)


def test_spectral_arc_length_of_the_continuous_movement():
    """Dense samples and a dense grid of frequencies, in place of padding 4."""
    assert spectral_arc_length(minimum_jerk_speed(1000), 1000, padding=12) == pytest.approx(-1.4081, abs=1e-4)


# By calculation from the definition, at 1 kHz, where sampling no longer matters.
@pytest.mark.parametrize(("gap_s", "value"), [(0.0, -2.2462), (0.5, -3.1525)])
def test_spectral_arc_length_of_two_movements(gap_s, value):
    assert spectral_arc_length(pieces(2, 1000, gap_s=gap_s), 1000) == pytest.approx(value, abs=1e-4)


def test_an_interrupted_movement_is_less_smooth_by_both_measures():
    smooth, broken = pieces(1, 60), pieces(2, 60, gap_s=0.5)
    assert spectral_arc_length(broken, 60) < spectral_arc_length(smooth, 60)
    assert log_dimensionless_jerk(broken, 60) < log_dimensionless_jerk(smooth, 60)
