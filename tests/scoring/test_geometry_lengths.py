"""Length of a stretch of line within an outline: closed form for an ellipse, shapely for any polygon."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Polygon

from needlecoach.model import Target
from needlecoach.scoring.geometry import inside_length_mm, line_walls_mm, stretch_gap_mm

SQUARE = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
# Two prongs, 2 wide, with 6 between them.
FORK = np.array([[0, 0], [10, 0], [10, 10], [8, 10], [8, 4], [2, 4], [2, 10], [0, 10]], dtype=float)
RIGHT = np.array([[1.0, 0.0]])

angles = st.floats(0, 2 * np.pi)
places = st.floats(-15, 15)


def unit(angle):
    return np.array([np.cos(angle), np.sin(angle)])


def length(point, direction, outline, from_mm, to_mm):
    return float(inside_length_mm(point[None], direction[None], outline, from_mm=from_mm, to_mm=to_mm)[0])


def in_ellipse_mm(point, direction, semi_axes, from_mm, to_mm):
    """Closed form: the roots of a quadratic, cut to the stretch."""
    p, d = point / semi_axes, direction / semi_axes
    a, b, c = d @ d, p @ d, p @ p - 1
    if b * b <= a * c:
        return 0.0
    half = np.sqrt(b * b - a * c) / a
    return max(0.0, min(to_mm, -b / a + half) - max(from_mm, -b / a - half))


@settings(max_examples=200)
@given(places, places, angles, st.floats(1, 10), st.floats(1, 10), places, st.floats(0, 30))
def test_within_an_ellipse_as_by_closed_form(x, y, angle, rx, ry, from_mm, long_mm):
    point, to_mm = np.array([x, y]), from_mm + long_mm
    outline = Target.from_ellipse((0.0, 0.0), (rx, ry)).outline_px
    found = length(point, unit(angle), outline, from_mm, to_mm)
    # 360 corners cut off 4e-5 of a radius, which changes a chord by up to sqrt(2 * 4e-5) of a diameter where
    # it hardly touches, by hundreds of times less elsewhere.
    larger = in_ellipse_mm(point, unit(angle), np.array([rx, ry]), from_mm, to_mm)
    smaller = in_ellipse_mm(point, unit(angle), np.array([rx, ry]) * (1 - 4e-5), from_mm, to_mm)
    assert smaller - 1e-6 <= found <= larger + 1e-6


@settings(max_examples=200)
@given(
    places, places, angles, places, st.floats(0.01, 30), st.lists(st.floats(1, 10), min_size=3, max_size=12)
)
def test_within_any_star_as_by_shapely(x, y, angle, from_mm, long_mm, radii):
    corners = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    outline = np.array(radii)[:, None] * np.stack([np.cos(corners), np.sin(corners)], axis=-1)
    shape = Polygon(outline)
    assume(shape.is_valid)
    point, way = np.array([x, y]), unit(angle)
    stretch = LineString([point + from_mm * way, point + (from_mm + long_mm) * way])
    # Along an edge either answer is right.
    assume(stretch.intersection(shape.boundary).length == 0)
    to_mm = from_mm + long_mm
    assert length(point, way, outline, from_mm, to_mm) == pytest.approx(
        stretch.intersection(shape).length, abs=1e-6
    )
    gap = stretch_gap_mm(point[None], way[None], outline, from_mm=from_mm, to_mm=to_mm)[0]
    assert gap == pytest.approx(stretch.distance(shape), abs=1e-6)


@pytest.mark.parametrize(
    ("from_mm", "to_mm", "expected"),
    [(-5, 20, 4), (-5, 1, 1), (1, 9, 2), (3, 7, 0), (9, 20, 1), (-9, -1, 0), (11, 12, 0)],
)
def test_pieces_of_a_concave_outline_add_up(from_mm, to_mm, expected):
    found = inside_length_mm(np.array([[0.0, 8.0]]), RIGHT, FORK, from_mm=from_mm, to_mm=to_mm)
    assert found == pytest.approx([expected])


def test_walls_of_one_line():
    assert line_walls_mm(np.array([-1.0, 8.0]), RIGHT[0], FORK) == pytest.approx([1, 3, 9, 11])
    assert len(line_walls_mm(np.array([0.0, 20.0]), RIGHT[0], FORK)) == 0


def test_gap_of_a_stretch_beside_an_outline():
    def gap(x, y, **stretch):
        return stretch_gap_mm(np.array([[x, y]]), RIGHT, SQUARE, **stretch)[0]

    assert gap(0.0, 13.0, from_mm=2, to_mm=4) == pytest.approx(3)  # alongside
    assert gap(-4.0, 5.0, from_mm=-2, to_mm=1) == pytest.approx(3)  # short of it
    assert gap(-4.0, 13.0, from_mm=-9, to_mm=0) == pytest.approx(5)  # 3-4-5 to the corner
    assert gap(-4.0, 5.0, from_mm=0, to_mm=5) == 0
    assert gap(4.0, 5.0, from_mm=0, to_mm=1) == 0


def test_the_unknown_stays_unknown_and_none_stays_none():
    nowhere = np.array([[np.nan, 1.0], [1.0, 1.0]])
    for measure in (inside_length_mm, stretch_gap_mm):
        found = measure(nowhere, np.tile(RIGHT, (2, 1)), SQUARE, from_mm=0, to_mm=1)
        assert np.isnan(found[0]) and np.isfinite(found[1])
        assert measure(np.zeros((0, 2)), np.zeros((0, 2)), SQUARE, from_mm=0, to_mm=1).shape == (0,)
