"""What goes into each layer: volumes and masses that add up."""

from __future__ import annotations

from collections.abc import Sequence

from needlecoach.block.materials import (
    COLOUR_ML_L,
    FIBRE_ML_G,
    GELATIN_ML_G,
    TABLESPOON_G,
    WATER_20_G_ML,
)
from needlecoach.block.shapes import volume_between_ml
from needlecoach.model.plan import Amounts, Ending, Plan, PlannedLayer, Weighed


def amounts_of(plan: Plan, endings: Sequence[Ending]) -> tuple[Amounts, ...]:
    """Amounts of every layer, lowest first: what fills it round the things that end in it, and the margin.

    A thing that reaches into a neighbouring layer takes up room in both; what sticks out of the block takes
    up none.
    """
    found = []
    for number, layer in enumerate(plan.layers):
        span = plan.span_mm(number)
        whole = plan.container.area_mm2 * layer.thickness_mm / 1000
        displaced = sum(
            volume_between_ml(target.shape, target.size_mm, ending.depth_mm, span)
            for target, ending in zip(plan.targets, endings, strict=True)
        )
        found.append(layer_amounts(layer, max(whole - displaced, 0.0), plan.margin_share, displaced))
    return tuple(found)


def layer_amounts(
    layer: PlannedLayer, need_ml: float, margin_share: float, displaced_ml: float = 0.0
) -> Amounts:
    """Amounts for so much gel and a margin; volumes of water, gelatin, fibre and colour are added."""
    made = need_ml * (1 + margin_share)
    colour_ml_l = COLOUR_ML_L if layer.opaque else 0.0
    per_litre = 1000 + layer.gelatin_g_l * GELATIN_ML_G + layer.fibre_g_l * FIBRE_ML_G + colour_ml_l
    litres = made / per_litre
    colour = colour_ml_l * litres
    gelatin, fibre = layer.gelatin_g_l * litres, layer.fibre_g_l * litres
    return Amounts(
        water_ml=1000 * litres,
        gelatin_g=gelatin,
        fibre_g=fibre,
        colour_ml=colour,
        need_ml=need_ml,
        margin_ml=made - need_ml,
        displaced_ml=displaced_ml,
        mass_g=(1000 * litres + colour) * WATER_20_G_ML + gelatin + fibre,
    )


def weighed_of(amounts: Amounts) -> Weighed:
    """What is weighed for a layer: water to 1 ml, all else to a tenth."""
    return _weighed(
        10 * round(amounts.water_ml),
        round(10 * amounts.gelatin_g),
        round(10 * amounts.fibre_g),
        round(10 * amounts.colour_ml),
    )


def weighed_in_all(amounts: Sequence[Amounts]) -> Weighed:
    """Sums of what is weighed layer by layer; counted in tenths, so that the sheet's columns add up."""
    layers = [weighed_of(one) for one in amounts]
    return _weighed(
        *(
            sum(round(10 * getattr(one, part)) for one in layers)
            for part in ("water_ml", "gelatin_g", "fibre_g", "colour_ml")
        )
    )


def _weighed(water: int, gelatin: int, fibre: int, colour: int) -> Weighed:
    """From tenths."""
    spoons = round(4 * fibre / 10 / TABLESPOON_G) / 4
    return Weighed(water / 10, gelatin / 10, fibre / 10, colour / 10, spoons)
