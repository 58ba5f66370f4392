"""Amounts: those that work in practice, scaled linearly, and balances that are exact."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from needlecoach.block.layers import amounts_of, layer_amounts, weighed_in_all, weighed_of
from needlecoach.block.materials import COLOUR_ML_L, FIBRE_ML_G, GELATIN_ML_G, WATER_20_G_ML
from needlecoach.block.settling import ending_of
from needlecoach.block.shapes import volume_ml
from needlecoach.model import BlockContainer
from needlecoach.model.plan import Plan, PlannedLayer

from .conftest import thing


@pytest.mark.parametrize("litres", [0.25, 1.0, 3.5])
@pytest.mark.parametrize("strength", [20.0, 40.0, 65.0, 80.0])  # common practice, no source
def test_strengths_of_practice_scale_linearly(strength, litres):
    # One tablespoon of psyllium per litre (common practice, no source), 5 g (from memory).
    layer = PlannedLayer("x", 10, strength, 5.0)
    one = layer_amounts(layer, 1000.0, 0.0)
    gel_ml = 1000 * litres * one.made_ml / one.water_ml
    made = layer_amounts(layer, gel_ml, 0.0)
    assert made.water_ml == pytest.approx(1000 * litres)
    assert made.gelatin_g == pytest.approx(strength * litres)
    assert made.fibre_g == pytest.approx(5 * litres)
    assert weighed_of(made).tablespoons == round(4 * litres) / 4


STRENGTHS = st.floats(15, 150), st.floats(0, 30), st.booleans()


@given(*STRENGTHS, st.floats(1, 50_000), st.floats(0, 0.5))
def test_volumes_and_masses_of_a_layer_balance(gelatin, fibre, opaque, need_ml, margin):
    made = layer_amounts(PlannedLayer("x", 10, gelatin, fibre, opaque), need_ml, margin)
    volume = made.water_ml + made.colour_ml + made.gelatin_g * GELATIN_ML_G + made.fibre_g * FIBRE_ML_G
    assert volume == pytest.approx(made.made_ml, rel=1e-12)
    assert made.made_ml == pytest.approx(need_ml * (1 + margin), rel=1e-12)
    mass = (made.water_ml + made.colour_ml) * WATER_20_G_ML + made.gelatin_g + made.fibre_g
    assert mass == pytest.approx(made.mass_g, rel=1e-12)
    assert made.colour_ml == pytest.approx(COLOUR_ML_L * made.water_ml / 1000 if opaque else 0, rel=1e-12)


@given(
    st.lists(st.tuples(st.floats(20, 60), *STRENGTHS), min_size=1, max_size=4),
    st.lists(st.tuples(st.floats(3, 12), st.sampled_from([900.0, 2000.0, 1010.0])), max_size=5),
    st.sampled_from(["box", "round"]),
)
def test_gel_and_things_fill_the_container(layers, things, kind):
    planned = tuple(PlannedLayer(f"l{n}", thick, *rest) for n, (thick, *rest) in enumerate(layers))
    deep = sum(layer.thickness_mm for layer in planned)
    container = BlockContainer(kind, 150.0, 150.0, deep)
    top = len(planned) - 1
    targets = tuple(
        thing(f"t{n}", str(density), size, depth=deep - planned[0].thickness_mm / 2, layer=0, held=not top)
        for n, (size, density) in enumerate(things)
    )
    plan = Plan("G1", None, container, 1e6, planned, targets)
    endings = [ending_of(target, plan) for target in targets]
    amounts = amounts_of(plan, endings)
    inside = sum(volume_ml(target.shape, target.size_mm) for target in targets)
    whole = container.area_mm2 * deep / 1000
    assert sum(one.displaced_ml for one in amounts) == pytest.approx(inside, rel=1e-9, abs=1e-9)
    assert sum(one.need_ml for one in amounts) + inside == pytest.approx(whole, rel=1e-9)


@given(st.lists(st.tuples(*STRENGTHS, st.floats(1, 5000)), min_size=1, max_size=6))
def test_what_is_weighed_adds_up_exactly(layers):
    amounts = [layer_amounts(PlannedLayer("x", 10, *strength), need, 0.05) for *strength, need in layers]
    total = weighed_in_all(amounts)
    for part in ("water_ml", "gelatin_g", "fibre_g", "colour_ml"):
        written = [Decimal(str(getattr(weighed_of(one), part))) for one in amounts]
        assert all(one == round(one, 1) for one in written)
        assert sum(written) == Decimal(str(getattr(total, part)))
