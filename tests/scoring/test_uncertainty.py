"""Combining uncertainties: right-angled sums worked out by hand. Invented data."""

import numpy as np
import pytest

from needlecoach.scoring.uncertainty import confidence, distance_sd_mm, gain_sd_mm, roughness_mm


def test_the_three_parts_add_as_squares():
    # 6^2/2 + 4^2 + (0.1 * 50)^2 = 18 + 16 + 25
    sd = distance_sd_mm(-50.0, tip_sd_mm=6.0, marking_sd_mm=4.0, scale_sd_share=0.1)
    assert sd == pytest.approx(np.sqrt(59))


def test_shape_is_kept_and_the_unknown_stays_unknown():
    sd = distance_sd_mm(
        np.array([1.0, np.nan]), tip_sd_mm=np.array([0.2, 0.2]), marking_sd_mm=0.0, scale_sd_share=0.01
    )
    assert sd.shape == (2,) and np.isfinite(sd[0]) and np.isnan(sd[1])


def test_drawn_errors_have_the_stated_spread():
    rng = np.random.default_rng(5)
    tip = rng.normal(0, 0.3 / np.sqrt(2), (100_000, 2))
    mark, scale = rng.normal(0, 0.1, 100_000), 1 + rng.normal(0, 0.02, 100_000)
    measured = (10 + tip[:, 0] + mark) * scale
    stated = distance_sd_mm(10.0, tip_sd_mm=0.3, marking_sd_mm=0.1, scale_sd_share=0.02)
    assert measured.std() == pytest.approx(float(stated), rel=0.02)


def test_a_gain_has_two_ends_and_two_moments():
    # 3^2/2 + 1^2/2 + 2^2 + 4^2 + (0.2 * 10)^2 = 5 + 20 + 4
    sd = gain_sd_mm(10, tip_sd_mm=(3.0, 1.0), moment_sd_mm=(2.0, 4.0), scale_sd_share=0.2)
    assert sd == pytest.approx(np.sqrt(29))


@pytest.mark.parametrize(
    ("tip_sd_mm", "rough_mm", "followed", "target", "value"),
    [
        (0.0, 0.0, 1.0, 1.0, 1.0),
        (1.0, 0.0, 1.0, 1.0, 0.5),
        (0.0, 1.0, 1.0, 1.0, 0.5),
        (1.0, 2.0, 0.9, 1.0, 0.15),
        (2.0, 0.0, 0.5, 0.5, 0.05),
        (None, 0.0, 1.0, 1.0, 0.0),
    ],
)
def test_confidence_is_a_product_of_shares(tip_sd_mm, rough_mm, followed, target, value):
    found = confidence(tip_sd_mm=tip_sd_mm, rough_mm=rough_mm, followed_share=followed, target_share=target)
    assert found == pytest.approx(value)


def test_a_smooth_course_is_not_rough():
    """Four points fix a cubic (Lagrange), so one that follows a cubic in time lies on it."""
    t = np.linspace(0, 1, 40)
    course = np.stack([30 * t**2 - 20 * t**3, 5 * t], axis=1)
    assert roughness_mm(course, np.ones(40, dtype=bool)) == pytest.approx(0, abs=1e-9)


def test_roughness_of_errors_that_know_nothing_of_each_other():
    """Weights -1, 4, 4, -1 over 6 add 34/36 to a variance of 1; nine tenths of a Rayleigh distribution lie
    below sqrt(2 ln 10) (Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions, from memory)."""
    tip = np.random.default_rng(5).normal(0, 0.3, (50_000, 2))
    expected = 0.3 * np.sqrt(1 + 34 / 36) * np.sqrt(2 * np.log(10))
    assert roughness_mm(tip, np.ones(50_000, dtype=bool)) == pytest.approx(expected, rel=0.02)


def test_roughness_looks_at_seen_tips_alone():
    tip = np.zeros((40, 2))
    tip[20] = 3.0
    seen = np.ones(40, dtype=bool)
    assert roughness_mm(tip[:25], seen[:25]) > 1
    seen[18:23] = False
    assert roughness_mm(tip, seen) == 0
    assert roughness_mm(tip, np.zeros(40, dtype=bool)) == 0
    assert roughness_mm(tip[:4], seen[:4]) == 0
    tip[5] = np.nan
    assert roughness_mm(tip, seen) == 0
