"""The needle's way, and what gas hides of it."""

import math

import pytest

from needlecoach.block.settling import ending_of
from needlecoach.block.ways import covering, entry_mm, free_sides, in_the_way, within
from needlecoach.model import BlockContainer
from needlecoach.model.plan import Approach

from .conftest import thing


def with_things(plan, *targets):
    from dataclasses import replace

    plan = replace(plan, targets=targets)
    return plan, [ending_of(target, plan) for target in targets]


@pytest.mark.parametrize(
    ("side", "entry"), [("left", (-30, 5)), ("right", (50, 5)), ("front", (10, 45)), ("back", (10, -35))]
)
def test_at_45_degrees_a_needle_enters_as_far_aside_as_the_target_is_deep(side, entry):
    assert entry_mm(thing(place=(10.0, 5.0)), 40.0, Approach(side, 45.0)) == pytest.approx(entry)


def test_flatter_needles_come_from_further():
    x, _ = entry_mm(thing(), 40.0, Approach("left", 30.0))
    assert x == pytest.approx(-40 / math.tan(math.radians(30)))


def test_within_a_box_and_a_round_one():
    assert within(BlockContainer("box", 100.0, 60.0, 50.0), (-49.0, 29.0))
    assert not within(BlockContainer("box", 100.0, 60.0, 50.0), (-49.0, 31.0))
    assert within(BlockContainer("round", 100.0, 100.0, 50.0), (35.0, 35.0))
    assert not within(BlockContainer("round", 100.0, 100.0, 50.0), (36.0, 36.0))


def test_a_thing_with_gas_right_above_hides_the_target(plan):
    plan, endings = with_things(
        plan, thing("grape", layer=0, depth=66), thing("apple", "apple", 10.0, layer=2, held=True, depth=12)
    )
    assert covering(plan, 0, endings) == ["apple"]
    assert covering(plan, 1, endings) == []  # what lies above is not hidden by what lies below


def test_without_gas_nothing_is_hidden(plan):
    plan, endings = with_things(
        plan, thing("grape", layer=0, depth=66), thing("olive", "olive", 10.0, layer=2, held=True, depth=12)
    )
    assert covering(plan, 0, endings) == []
    assert in_the_way(plan, 0, endings, Approach("left", 45.0)) == []


def test_gas_on_one_side_leaves_the_others_free(plan):
    apple = thing("apple", "apple", 10.0, depth=12.0, place=(-30.0, 0.0), layer=2, held=True)
    plan, endings = with_things(plan, thing("grape"), apple)  # at 41 mm, from the left at 35 degrees
    assert in_the_way(plan, 0, endings, Approach("left", 35.0)) == ["apple"]
    assert free_sides(plan, 0, endings) == ["right", "front", "back"]
    # The needle that enters this side of it does not pass under it.
    assert in_the_way(plan, 0, endings, Approach("left", 70.0)) == []


def test_a_needle_above_the_gas_is_seen(plan):
    deep = thing("apple", "apple", 10.0, depth=66.0, place=(-30.0, 0.0), layer=0, held=True)
    plan, endings = with_things(plan, thing("grape"), deep)
    assert in_the_way(plan, 0, endings, Approach("left", 35.0)) == []
