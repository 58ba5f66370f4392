"""Graded targets: evenly harder, within picture and needle, by the index that scoring has."""

import math
from itertools import pairwise

import pytest

from needlecoach.block.targets import RANGES_BITS, graded_targets, range_bits
from needlecoach.errors import BlockError
from needlecoach.scoring.approach import difficulty_bits


@pytest.mark.parametrize(("ratio", "bits"), [(16, 4.087463), (8, 3.169925), (3, 2.0)])
def test_the_index_of_difficulty(ratio, bits):
    # MacKenzie, Human-Computer Interaction 1992;7:91: log2(D / W + 1).
    assert difficulty_bits(ratio * 7.0, 7.0) == pytest.approx(bits, abs=1e-6)


@pytest.mark.parametrize("standing", RANGES_BITS)
@pytest.mark.parametrize("probe_depth", [40.0, 60.0, 90.0])
def test_from_easy_to_hard_in_even_steps(standing, probe_depth):
    low, high = RANGES_BITS[standing]
    found = graded_targets(probe_depth, (low, high), count=5)
    for number, one in enumerate(found):
        assert one.wanted_bits == pytest.approx(low + number * (high - low) / 4)
        assert one.bits == pytest.approx(math.log2(one.path_mm / one.width_mm + 1))
        assert one.depth_mm == pytest.approx(one.path_mm * math.sin(math.radians(one.angle_deg)), rel=0.03)
        assert 4 <= one.width_mm <= 40
        assert one.depth_mm + one.width_mm / 2 <= probe_depth
        assert one.path_mm <= 80.05
        assert 30 <= one.angle_deg <= 50
    assert all(a.depth_mm <= b.depth_mm for a, b in pairwise(found))


def test_what_is_asked_for_comes_out_where_it_can():
    for one in graded_targets(60.0, RANGES_BITS["sure"]):
        assert one.bits == pytest.approx(one.wanted_bits, abs=0.02)
        assert one.things


def test_a_short_needle_bounds_the_way_and_that_is_told():
    found = graded_targets(100.0, (3.0, 5.0), needle_mm=50.0)
    assert max(one.path_mm for one in found) <= 40.0
    assert found[-1].bits < found[-1].wanted_bits


def test_about_what_a_learner_masters():
    low, high = range_bits(None, 2.5)
    assert low < 2.5 < high
    assert range_bits("new", None) == RANGES_BITS["new"]


@pytest.mark.parametrize(("standing", "masters"), [(None, None), ("new", 2.0), (None, 9.0), (None, math.nan)])
def test_one_standing_and_a_possible_one(standing, masters):
    with pytest.raises(BlockError):
        range_bits(standing, masters)


@pytest.mark.parametrize("keys", [{"count": 0}, {"needle_mm": 5.0}, {"probe_depth_mm": math.nan}])
def test_numbers_that_can_not_be(keys):
    with pytest.raises(BlockError, match="give"):
        graded_targets(**{"probe_depth_mm": 60.0, "bits": (1.0, 2.0)} | keys)


def test_nothing_with_gas_is_suggested():
    named = {name for one in graded_targets(60.0, (1.0, 3.0), count=20) for name in one.things}
    assert not named & {"apple", "cherry tomato", "strawberry", "blueberry", "mushroom", "olive with a hole"}
