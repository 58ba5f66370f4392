"""The line fit against total least squares by other hands, and against the known spread of a fitted angle.

Reference fits: numpy's singular value decomposition (Pearson, Phil Mag 1901;2:559), and SciPy's least squares
on the perpendicular distances themselves. The points are invented.
"""

import numpy as np
import pytest
from scipy.optimize import least_squares

from needlecoach.finding.candidates import fit_line


def scattered(slope_deg: float, *, n: int = 200, noise_px: float = 1.0, seed: int = 0) -> np.ndarray:
    """Unit-spaced points along a line through (40, 25) with noise across it, shape (2, n)."""
    angle = np.radians(slope_deg)
    along, across = np.arange(n, dtype=float), np.random.default_rng(seed).normal(0, noise_px, n)
    return np.stack(
        [
            40 + along * np.cos(angle) - across * np.sin(angle),
            25 + along * np.sin(angle) + across * np.cos(angle),
        ]
    )


def svd_fit(points: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Weighted total least squares by singular value decomposition: normal in (-pi/2, pi/2] and offset."""
    centre = np.average(points, axis=1, weights=weight)
    normal = np.linalg.svd((points - centre[:, None]).T * np.sqrt(weight)[:, None])[2][1]
    normal = normal if normal[0] > 0 else -normal
    return float(np.arctan2(normal[1], normal[0])), float(normal @ centre)


@pytest.mark.parametrize("slope_deg", [-85, -40, -10, 5, 30, 62, 80])
def test_fit_is_the_singular_value_decompositions(slope_deg):
    points = scattered(slope_deg, noise_px=3.0, seed=slope_deg + 90)
    weight = np.random.default_rng(1).uniform(0, 1, points.shape[1])
    np.testing.assert_allclose(fit_line(*points, weight), svd_fit(points, weight), rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("slope_deg", [-70, 15, 45, 88])
def test_fit_leaves_the_least_perpendicular_distances(slope_deg):
    x, y = scattered(slope_deg, n=60, noise_px=4.0, seed=7)
    weight = np.linspace(0.1, 1, x.size)

    def distances(line):
        return np.sqrt(weight) * (x * np.cos(line[0]) + y * np.sin(line[0]) - line[1])

    normal, offset = fit_line(x, y, weight)
    expected = least_squares(distances, [np.radians(slope_deg + 88), 0.0], xtol=1e-12, ftol=1e-12).x
    turns = round((normal - expected[0]) / np.pi)
    sign = -1 if turns % 2 else 1
    assert normal == pytest.approx(expected[0] + turns * np.pi, abs=1e-5)
    assert offset == pytest.approx(sign * expected[1], abs=1e-3)


# By calculation: the slope through L unit-spaced points has variance sigma^2 / (L^3 / 12), so the angle's
# standard deviation is sqrt(12) sigma / L^1.5 rad; 200 points with 1 px of noise give 0.070 degrees.
# 2,000 draws know a standard deviation to 1.6 %: the tolerance is four times that.
@pytest.mark.parametrize(
    ("n", "noise_px", "slope_deg", "sd_deg"),
    [(200, 1.0, 30, 0.07017), (200, 1.0, 75, 0.07017), (100, 0.5, -50, 0.09924), (400, 2.0, 10, 0.04962)],
)
def test_spread_of_the_fitted_angle(n, noise_px, slope_deg, sd_deg):
    assert np.degrees(np.sqrt(12) * noise_px / n**1.5) == pytest.approx(sd_deg, abs=1e-5)
    truth_rad = np.radians(slope_deg + 90)
    weight = np.ones(n)
    normals = [
        fit_line(*scattered(slope_deg, n=n, noise_px=noise_px, seed=i), weight)[0] for i in range(2000)
    ]
    turned = (np.array(normals) - truth_rad + np.pi / 2) % np.pi - np.pi / 2
    assert np.degrees(turned.std()) == pytest.approx(sd_deg, rel=0.065)
    assert abs(np.degrees(turned.mean())) < 4 * sd_deg / np.sqrt(2000)
