"""What sinks and what floats in liquid gel, and so where each thing ends once the gel has set."""

from __future__ import annotations

from needlecoach.block.materials import GEL_SD_KG_M3, gel_kg_m3
from needlecoach.block.shapes import draft_share
from needlecoach.model.plan import Ending, Moves, Plan, PlannedTarget


def moves_in(target: PlannedTarget, plan: Plan) -> Moves:
    """What a thing does in its layer when that is poured.

    It sinks (or floats) when all of its range of density lies above (or below) the gel's by more than that is
    known to; otherwise nobody can tell without trying.
    """
    if target.held:
        return "held"
    liquid = _liquid_kg_m3(target, plan)
    if target.material.low_kg_m3 > liquid + GEL_SD_KG_M3:
        return "sinks"
    return "floats" if target.material.high_kg_m3 < liquid - GEL_SD_KG_M3 else "sinks or floats"


def ending_of(target: PlannedTarget, plan: Plan) -> Ending:
    """Where a thing ends: on the floor of its layer, in its surface, or where it is held.

    The layer below has set, so what sinks stops there. What floats lies in the surface as deep as Archimedes
    has it and sets there; the next layer covers it. What may do either is taken to be where it is wanted.
    """
    moves = moves_in(target, plan)
    top, bottom = plan.span_mm(target.layer)
    height = target.size_mm[2]
    floor = bottom - height / 2
    sunk = min(_density(target) / _liquid_kg_m3(target, plan), 1.0)
    floating = top + draft_share(target.shape, sunk) * height - height / 2
    if moves == "held":
        return Ending(moves, target.depth_mm, (target.depth_mm, target.depth_mm))
    if moves == "sinks":
        return Ending(moves, floor, (floor, floor))
    if moves == "floats":
        return Ending(moves, floating, (floating, floating))
    low, high = sorted((top + height / 2, floor))
    return Ending(moves, min(max(target.depth_mm, low), high), (low, high))


def _density(target: PlannedTarget) -> float:
    return (target.material.low_kg_m3 + target.material.high_kg_m3) / 2


def _liquid_kg_m3(target: PlannedTarget, plan: Plan) -> float:
    layer = plan.layers[target.layer]
    return gel_kg_m3(layer.gelatin_g_l, layer.fibre_g_l, plan.pour_c)
