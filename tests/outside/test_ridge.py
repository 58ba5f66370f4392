"""Ridge strength against scikit-image's Hessian filters on the same pictures; the pictures are invented.

scikit-image takes second derivatives as two Gaussian first derivatives of sigma / sqrt(2) each, we sample the
second derivative at once: both approach the same continuous filter, from sigma 2 px on within 1 % of the
picture's largest answer. Its Sato filter for bright ridges is sigma^2 times minus the lowest eigenvalue, the
same measure as ours. Borders are filled differently, so a margin of four sigma is left out.
"""

import cv2
import numpy as np
import pytest
from skimage.feature import hessian_matrix, hessian_matrix_eigvals
from skimage.filters import sato

from needlecoach.finding.ridge import ridge_strength

HEIGHT, WIDTH = 180, 240
X, Y = np.meshgrid(np.arange(WIDTH, dtype=float), np.arange(HEIGHT, dtype=float))


def speckled_shafts(seed: int = 3) -> np.ndarray:
    """Speckle with a bright shaft, a faint steep one and a dark disc."""
    picture = np.random.default_rng(seed).rayleigh(40, (HEIGHT, WIDTH))
    picture = cv2.GaussianBlur(picture, (0, 0), 1.2)
    for slope_deg, offset, grey in ((25, 60, 120), (70, -40, 40)):
        across = -X * np.sin(np.radians(slope_deg)) + Y * np.cos(np.radians(slope_deg)) - offset
        picture += grey * np.exp(-(across**2) / (2 * 2.0**2))
    return np.where(np.hypot(X - 180, Y - 60) < 25, 0.3 * picture, picture)


def inside(picture: np.ndarray, sigma_px: float) -> np.ndarray:
    margin = int(np.ceil(4 * sigma_px)) + 1
    return picture[margin:-margin, margin:-margin]


@pytest.mark.parametrize("sigma_px", [2.0, 3.0, 4.5])
def test_strength_is_minus_the_lowest_hessian_eigenvalue(sigma_px):
    picture = speckled_shafts()
    hessian = hessian_matrix(picture, sigma=sigma_px, order="rc", use_gaussian_derivatives=True)
    expected = sigma_px**2 * np.maximum(-hessian_matrix_eigvals(hessian)[1], 0)
    actual, _ = ridge_strength(picture, [sigma_px])
    np.testing.assert_allclose(
        inside(actual, sigma_px), inside(expected, sigma_px), rtol=0, atol=0.01 * expected.max()
    )


def test_strength_over_several_widths_is_satos():
    picture, sigmas_px = speckled_shafts(), [2.0, 3.0, 4.0]
    expected = sato(picture, sigmas=sigmas_px, black_ridges=False)
    actual, _ = ridge_strength(picture, sigmas_px)
    np.testing.assert_allclose(inside(actual, 4), inside(expected, 4), rtol=0, atol=0.01 * expected.max())


def test_fine_widths_agree_within_a_tenth():
    """At sigma 1 px sampling makes the two differ, but not in what is a ridge."""
    picture = speckled_shafts()
    expected = inside(sato(picture, sigmas=[1.0], black_ridges=False), 1)
    actual = inside(ridge_strength(picture, [1.0])[0], 1)
    assert np.abs(actual - expected).max() < 0.1 * expected.max()
    assert np.corrcoef(actual.ravel(), expected.ravel())[0, 1] > 0.99


@pytest.mark.parametrize("sigma_px", [2.0, 4.0])
def test_direction_is_the_hessian_eigenvector_along_the_ridge(sigma_px):
    picture = speckled_shafts()
    rr, rc, cc = hessian_matrix(picture, sigma=sigma_px, order="rc", use_gaussian_derivatives=True)
    hessian = np.stack([np.stack([cc, rc], axis=-1), np.stack([rc, rr], axis=-1)], axis=-2)
    along = np.linalg.eigh(hessian)[1][..., 1]  # of the higher eigenvalue, as (x, y)
    strength, direction = ridge_strength(picture, [sigma_px])
    cosine = np.abs(along[..., 0] * np.cos(direction) + along[..., 1] * np.sin(direction))
    clear = inside(strength, sigma_px) > 0.3 * strength.max()
    gap_deg = np.degrees(np.arccos(np.minimum(inside(cosine, sigma_px)[clear], 1)))
    assert np.median(gap_deg) < 0.5
    assert gap_deg.max() < 3
