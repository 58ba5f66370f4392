"""Each fault of a plan is told, in one line, and a plan without any has none."""

from dataclasses import replace

import pytest

from needlecoach.block.faults import faults_of
from needlecoach.block.settling import ending_of
from needlecoach.model import BlockContainer
from needlecoach.model.plan import Approach, PlannedLayer

from .conftest import thing


def told(plan, *targets):
    plan = replace(plan, targets=targets)
    return faults_of(plan, [ending_of(target, plan) for target in targets])


def stops(plan, *targets):
    return [fault.words for fault in told(plan, *targets) if fault.stops]


def test_a_good_plan_has_none(plan):
    assert told(plan, thing(), thing("pouch", "water", 12.0, 31.0, (40.0, 30.0))) == ()


@pytest.mark.parametrize(
    ("scan_c", "fridge_c", "says"), [(35.0, 5.0, "gelatin softens"), (20.0, 0.0, "ice spoils")]
)
def test_temperatures_at_which_there_is_no_gel(plan, scan_c, fridge_c, says):
    found = stops(replace(plan, scan_c=scan_c, fridge_c=fridge_c))
    assert any(says in words for words in found), found


def test_volume_short(plan):
    (words,) = stops(replace(plan, room_ml=1900.0))
    assert words.startswith("The layers come to 1950 ml and 75 mm, the container holds 1900 ml")


def test_gelatin_and_fibre_short(plan):
    gelatin, fibre = stops(replace(plan, at_hand_g=(20.0, 1.0)))
    assert gelatin.startswith("There are 20 g gelatin, 85 g are needed")
    assert fibre.startswith("There are 1 g fibre, 8 g are needed")


@pytest.mark.parametrize(
    ("target", "says"),
    [
        (thing(size=26.0, depth=37.0), "thing is 26 mm high, its layer middle 25 mm"),
        (thing(depth=41.5, held=True), "layer middle (25 to 50 mm); choose a depth from 34 to 41"),
        (thing(place=(92.0, 0.0)), "reaches beyond the container's wall"),
        (thing(place=(0.0, -57.0)), "reaches beyond the container's wall"),
        (thing(made_of="fat", layer=2, depth=12.0), "in the last layer, top, and would break"),
        (thing(place=(-60.0, 0.0)), "would enter beyond the block's edge; come at 46° or more"),
    ],
)  # fmt: skip
def test_what_can_not_be(plan, target, says):
    found = stops(plan, target)
    assert any(says in words for words in found), found


def test_a_wall_that_is_round(plan):
    bowl = replace(plan, container=BlockContainer("round", 150.0, 150.0, 75.0))
    assert stops(bowl, thing(place=(45.0, 45.0))) == []
    assert "beyond the container's wall" in stops(bowl, thing(place=(48.0, 48.0)))[0]


def test_a_target_under_gas_and_a_needle_under_gas(plan):
    apple = thing("apple", "apple", 12.0, 12.0, (0.0, 0.0), 2, held=True)
    (words,) = stops(plan, thing("grape"), apple)
    assert words == "grape lies under apple, which holds gas and hides it from the probe; move one of them."
    (words,) = stops(plan, thing("grape"), replace(apple, place_mm=(-25.0, 0.0)))
    assert words == (
        "apple holds gas and hides the needle on its way to grape from left at 35°; come from right or front "
        "or back, or move one of them."
    )


def test_things_in_one_another(plan):
    assert stops(plan, thing("a"), thing("b", place=(18.5, 0.0))) == []
    assert stops(plan, thing("a"), thing("b", place=(17.0, 0.0))) == [
        "a and b would lie in one another; move one of them."
    ]
    # Balls side by side at a slant: their boxes meet, they do not.
    assert stops(plan, thing("a"), thing("b", place=(13.5, 13.5))) == []


@pytest.mark.parametrize(
    ("layers", "keys", "stop", "says"),
    [
        ((PlannedLayer("weak", 40.0, 10.0),), {}, True, "may not set; take 15 or more"),
        ((PlannedLayer("thick", 40.0, 200.0),), {}, False, "too thick to pour without bubbles"),
        ((PlannedLayer("a", 40.0, 20.0), PlannedLayer("thin", 4.0, 40.0)), {}, False, "is 4 mm thin"),
        ((PlannedLayer("a", 40.0, 20.0),), {"fridge_c": 18.0}, True, "not set at 18 °C; cool below 15"),
        ((PlannedLayer("a", 40.0, 60.0), PlannedLayer("b", 20.0, 20.0)), {}, False, "softer than a below"),
        ((PlannedLayer("a", 40.0, 20.0), PlannedLayer("b", 20.0, 40.0)), {"pour_c": 50.0}, False, "melt"),
    ],
)  # fmt: skip
def test_layers(plan, layers, keys, stop, says):
    found = told(replace(plan, layers=layers, **keys))
    assert [(fault.stops, says in fault.words) for fault in found] == [(stop, True)]


@pytest.mark.parametrize(
    ("target", "says"),
    [
        (thing(depth=30.0), "sinks in layer middle: its centre ends 41 mm deep, not 30"),
        (thing(made_of="blueberry", size=10.0), "float in layer middle (centre from 30 to 45 mm)"),
        (thing(size=8.0, depth=6.0, layer=2, held=True), "has 2.0 mm of gel above it"),
        (thing(layer=0, depth=66.0, approach=Approach("left", 50.0)), "75 mm deep, the picture 60 mm"),
    ],
)  # fmt: skip
def test_what_to_mind(plan, target, says):
    found = told(replace(plan, probe_depth_mm=60.0), target)
    assert [(fault.stops, says in fault.words) for fault in found] == [(False, True)], found
