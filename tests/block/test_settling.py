"""What sinks and what floats, against densities of water from elsewhere and bodies whose case is clear."""

from dataclasses import replace

import pytest

from needlecoach.block.materials import MATERIALS, gel_kg_m3, material, water_kg_m3
from needlecoach.block.settling import ending_of, moves_in
from needlecoach.errors import BlockError

from .conftest import thing


def kell_kg_m3(t):
    """Water at normal pressure: Kell, J Chem Eng Data 1975;20:97 (from memory)."""
    terms = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
    return sum(one * t**power for power, one in enumerate(terms)) / (1 + 16.879850e-3 * t)


@pytest.mark.parametrize("t", [0, 4, 5, 12, 20, 28, 35, 40, 55, 60])
def test_density_of_water(t):
    assert water_kg_m3(t) == pytest.approx(kell_kg_m3(t), abs=0.4)  # straight lines between the table's rows


def test_gel_is_denser_the_more_is_in_it_and_the_colder_it_is():
    assert gel_kg_m3(0, 0, 20) == pytest.approx(998.2, abs=0.05)
    assert gel_kg_m3(20, 0, 20) < gel_kg_m3(70, 0, 20) < gel_kg_m3(70, 5, 20)
    assert gel_kg_m3(70, 0, 35) < gel_kg_m3(70, 0, 20)
    # 100 g protein raise a litre's mass by 100 (1 - 0.7) at most (specific volume 0.7 to 0.75, from memory).
    assert 1020 < gel_kg_m3(100, 0, 20) < 1030


@pytest.mark.parametrize("layer", [0, 1, 2])
@pytest.mark.parametrize(
    ("made_of", "moves"),
    [
        ("grape", "sinks"),
        ("marble", "sinks"),
        ("potato", "sinks"),
        ("fat", "floats"),
        ("apple", "floats"),
        ("water", "floats"),
        ("blueberry", "sinks or floats"),
    ],
)
def test_clear_cases(plan, made_of, moves, layer):
    assert moves_in(thing(made_of=made_of, layer=layer), plan) == moves


def test_near_the_gels_own_density_nobody_can_tell(plan):
    gel = gel_kg_m3(40.0, 5.0, plan.pour_c)
    assert moves_in(thing(made_of=str(gel + 1.9)), plan) == "sinks or floats"
    assert moves_in(thing(made_of=str(gel + 2.1)), plan) == "sinks"
    assert moves_in(thing(made_of=str(gel - 2.1)), plan) == "floats"


def test_what_sinks_rests_on_the_floor_of_its_layer(plan):
    ending = ending_of(thing(size=(10.0, 20.0, 12.0), depth=30.0), plan)
    assert (ending.moves, ending.depth_mm) == ("sinks", 50.0 - 6.0)


def test_what_floats_pokes_out_of_its_layer_by_its_lightness(plan):
    # A box of 900 in gel of about 1008: 0.893 of its height lies in the gel.
    box = thing(made_of="900", size=(10.0, 20.0, 10.0), shape="box")
    ending = ending_of(box, plan)
    sunk = 900 / gel_kg_m3(40.0, 5.0, plan.pour_c)
    assert ending.depth_mm == pytest.approx(25.0 + 10 * sunk - 5)
    assert ending.range_mm == (ending.depth_mm, ending.depth_mm)


def test_what_is_held_stays_and_what_may_do_either_has_a_range(plan):
    assert ending_of(thing(made_of="fat", depth=33.0, held=True), plan).depth_mm == 33.0
    ending = ending_of(thing(made_of="blueberry", size=10.0, depth=33.0), plan)
    assert (ending.depth_mm, ending.range_mm) == (33.0, (30.0, 45.0))
    assert ending_of(thing(made_of="blueberry", size=10.0, depth=49.0), plan).depth_mm == 45.0


def test_hot_gel_is_lighter_so_less_floats(plan):
    light = thing(made_of="1003")
    assert moves_in(light, plan) == "floats"
    assert moves_in(light, replace(plan, pour_c=55.0)) == "sinks"


def test_every_material_says_where_it_is_from_and_gas_goes_with_lightness():
    for one in MATERIALS.values():
        assert one.source
        assert 0 < one.low_kg_m3 <= one.high_kg_m3
        assert 0 < one.usual_mm[0] < one.usual_mm[1]
    # Tissue without gas is denser than water; fat and pouches of water are not tissue with gas.
    light = {name for name, one in MATERIALS.items() if one.low_kg_m3 < 990} - {"fat", "water"}
    assert {name for name, one in MATERIALS.items() if one.gas} == light
    with pytest.raises(BlockError, match='made_of "cheese" is not known; take one of grape'):
        material("cheese")
