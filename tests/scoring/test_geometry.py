"""Distances to outlines that can be worked out by hand. Invented data."""

import numpy as np
import pytest

from needlecoach.model import Target
from needlecoach.scoring.geometry import across_unit, signed_distance_mm, wall_crossings_mm

SQUARE = np.array([[0, 0], [4, 0], [4, 4], [0, 4]], dtype=float)
# A notch from above reaches down to (2, 1).
NOTCHED = np.array([[0, 0], [2, 1], [4, 0], [4, 4], [0, 4]], dtype=float)


@pytest.mark.parametrize("outline", [SQUARE, SQUARE[::-1]])
@pytest.mark.parametrize(
    ("point", "distance"),
    [((2, 2), -2), ((1, 2), -1), ((2, 6), 2), ((-3, -4), 5), ((4, 2), 0), ((7, 4), 3), ((2, 0.5), -0.5)],
)
def test_distance_to_a_square(outline, point, distance):
    assert signed_distance_mm(np.array([point], dtype=float), outline) == pytest.approx([distance])


def test_distance_to_an_outline_with_a_notch():
    points = np.array([[2, 0.5], [2, 1.5]])
    found = signed_distance_mm(points, NOTCHED)
    assert found[0] == pytest.approx(0.5 * 2 / np.sqrt(5))
    assert found[1] == pytest.approx(-0.5)


def test_distance_to_an_ellipse_against_a_finer_one():
    outline = Target.from_ellipse((0, 0), (8, 5), tilt_deg=20).outline_px
    fine = np.linspace(0, 2 * np.pi, 200_000)
    c, s = np.cos(np.radians(20)), np.sin(np.radians(20))
    rim = np.stack([8 * np.cos(fine), 5 * np.sin(fine)], axis=-1) @ np.array([[c, s], [-s, c]])
    points = np.random.default_rng(3).uniform(-12, 12, (40, 2))
    apart = np.array([np.hypot(*(rim - p).T).min() for p in points])
    assert np.abs(signed_distance_mm(points, outline)) == pytest.approx(apart, abs=1e-3)


def test_unknown_points_stay_unknown_and_many_points_are_one_result():
    points = np.tile([[2.0, 2.0], [np.nan, 1.0]], (2500, 1))
    found = signed_distance_mm(points, SQUARE)
    assert found.shape == (5000,)
    assert np.isnan(found[1::2]).all() and (found[::2] == -2).all()
    assert signed_distance_mm(np.zeros((0, 2)), SQUARE).shape == (0,)


def test_walls_along_the_shaft():
    points = np.array([[-1.0, 2.0], [3.0, 2.0], [6.0, 2.0], [-1.0, 9.0], [np.nan, 2.0]])
    right = np.tile([1.0, 0.0], (5, 1))
    expected = [[1, 5], [-3, 1], [-6, -2], [np.nan] * 2, [np.nan] * 2]
    assert wall_crossings_mm(points, right, SQUARE) == pytest.approx(np.array(expected), nan_ok=True)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_across_points_deeper_from_either_side(side):
    across = across_unit(np.array([side * np.cos(0.5), np.sin(0.5)]), (0.0, 1.0))
    assert across == pytest.approx([-side * np.sin(0.5), np.cos(0.5)])
