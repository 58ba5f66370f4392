"""Volumes in part against closed formulas, and how deep a body floats."""

import math
from itertools import pairwise

import pytest

from needlecoach.block.shapes import draft_share, reach_mm, share_below, volume_between_ml, volume_ml


def test_whole_volumes_are_those_of_geometry():
    assert volume_ml("ball", (20, 20, 20)) == pytest.approx(4 / 3 * math.pi * 10**3 / 1000)
    assert volume_ml("egg", (10, 20, 30)) == pytest.approx(4 / 3 * math.pi * 5 * 10 * 15 / 1000)
    assert volume_ml("rod", (8, 40, 8)) == pytest.approx(math.pi * 16 * 40 / 1000)
    assert volume_ml("box", (8, 40, 8)) == pytest.approx(2.56)


@pytest.mark.parametrize("height", [1.0, 5.0, 10.0, 17.0])
def test_a_cap_of_a_ball(height):
    cap_ml = math.pi * height**2 * (3 * 10 - height) / 3 / 1000  # of radius 10
    assert volume_between_ml("ball", (20, 20, 20), 50.0, (60 - height, 60.0)) == pytest.approx(cap_ml)


def test_a_segment_of_a_rod_lying():
    # A quarter of the height: the segment of a circle at 60 degrees to each side of the lowest point.
    segment = 2 * math.pi / 3 - math.sin(2 * math.pi / 3)
    assert share_below("rod", 0.25) == pytest.approx(segment / 2 / math.pi)


@pytest.mark.parametrize("shape", ["ball", "egg", "rod", "box"])
def test_parts_add_up_to_the_whole_and_halves_are_halves(shape):
    size = (10.0, 10.0, 10.0)
    cuts = [0.0, 38.0, 43.0, 47.0, 100.0]
    parts = [volume_between_ml(shape, size, 42.0, span) for span in pairwise(cuts)]
    assert sum(parts) == pytest.approx(volume_ml(shape, size))
    assert share_below(shape, 0.5) == pytest.approx(0.5)
    assert draft_share(shape, 0.5) == pytest.approx(0.5)


def test_a_floating_box_lies_as_deep_as_archimedes_has_it():
    assert draft_share("box", 917 / 1025) == pytest.approx(917 / 1025)  # ice in sea water, any handbook
    assert share_below("ball", draft_share("ball", 0.9)) == pytest.approx(0.9)


def test_reach_of_a_box_is_to_its_corner_and_of_a_ball_to_its_rim():
    slant = (math.sqrt(0.5), math.sqrt(0.5), 0.0)
    assert reach_mm("ball", (20, 20, 20), slant) == pytest.approx(10)
    assert reach_mm("box", (20, 20, 20), slant) == pytest.approx(10 * math.sqrt(2))
