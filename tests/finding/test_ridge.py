"""Ridge strength and direction on drawn lines: invented data throughout."""

import numpy as np
import pytest

from needlecoach.finding.ridge import ridge_strength

SIZE = 121
MIDDLE = SIZE // 2
Y, X = np.mgrid[:SIZE, :SIZE].astype(float)


def bar(slope_deg: float, *, width_px: float = 2.0, grey: float = 100.0) -> np.ndarray:
    """Line with a Gaussian profile through the picture's middle."""
    slope = np.radians(slope_deg)
    across = -(X - MIDDLE) * np.sin(slope) + (Y - MIDDLE) * np.cos(slope)
    return grey * np.exp(-(across**2) / (2 * width_px**2))


def turn_deg(direction_rad: np.ndarray, slope_deg: float) -> np.ndarray:
    """Angle between directions without sense, in degrees."""
    return np.abs((np.degrees(direction_rad) - slope_deg + 90) % 180 - 90)


@pytest.mark.parametrize("slope_deg", [-80, -60, -45, -20, -10, 0, 10, 20, 45, 60, 80, 90])
def test_direction_runs_along_a_drawn_line(slope_deg):
    strength, direction = ridge_strength(bar(slope_deg), [2.0])
    on = strength[20:-20, 20:-20] > 0.5 * strength.max()
    assert on.sum() > 100
    assert turn_deg(direction[20:-20, 20:-20][on], slope_deg).max() < 0.5


@pytest.mark.parametrize("width_px", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("sigma_px", [1.5, 2.0, 3.0])
def test_strength_of_a_gaussian_profile(width_px, sigma_px):
    """By calculation: grey * width * sigma^2 / (width^2 + sigma^2)^1.5 on the ridge."""
    expected = 100 * width_px * sigma_px**2 / (width_px**2 + sigma_px**2) ** 1.5
    strength, _ = ridge_strength(bar(0, width_px=width_px), [sigma_px])
    assert strength[MIDDLE, MIDDLE] == pytest.approx(expected, rel=0.01)
    assert strength.max() == strength[MIDDLE].max()


def test_the_strongest_of_several_widths_wins():
    picture = bar(30, width_px=2.0)
    each = [ridge_strength(picture, [sigma]) for sigma in (1.0, 2.5, 5.0)]
    strength, direction = ridge_strength(picture, [1.0, 2.5, 5.0])
    np.testing.assert_array_equal(strength, np.max([one[0] for one in each], axis=0))
    winner = np.argmax([one[0] for one in each], axis=0)
    expected = np.choose(winner, [one[1] for one in each])
    np.testing.assert_array_equal(direction[strength > 0], expected[strength > 0])


@pytest.mark.parametrize("grey", [0, 100, 255])
def test_a_constant_picture_gives_nothing(grey):
    strength, _ = ridge_strength(np.full((50, 60), grey, dtype=np.uint8), [1.0, 2.0, 4.0])
    assert strength.shape == (50, 60)
    assert strength.max() < 1e-3


def test_a_slope_and_a_dark_line_are_no_ridges():
    inner = slice(15, -15)
    assert ridge_strength(X + 2 * Y, [2.0])[0][inner, inner].max() < 1e-2
    dark = ridge_strength(200 - bar(40), [2.0])[0]
    across = np.abs(-(X - MIDDLE) * np.sin(np.radians(40)) + (Y - MIDDLE) * np.cos(np.radians(40)))
    assert dark[inner, inner][across[inner, inner] < 1].max() < 0.05


def test_a_step_counts_less_than_a_line():
    step = np.where(X > MIDDLE, 100.0, 0.0)
    assert ridge_strength(step, [2.0])[0].max() < 0.7 * ridge_strength(bar(90), [2.0])[0].max()


def test_a_picture_of_whole_numbers_answers_like_one_of_fractions():
    whole = np.rint(bar(25)).astype(np.uint8)
    for one, other in zip(
        ridge_strength(whole, [2.0]), ridge_strength(whole.astype(float), [2.0]), strict=True
    ):
        assert one.dtype == np.float32
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("sigmas_px", [[], [0.0], [2.0, -1.0]])
def test_widths_must_be_above_zero(sigmas_px):
    with pytest.raises(ValueError, match="Ridge widths must be above 0 px"):
        ridge_strength(bar(0), sigmas_px)
