"""A plan, and all that is expected of it, composed."""

from __future__ import annotations

from needlecoach.block.faults import faults_of
from needlecoach.block.keeping import lasting_of
from needlecoach.block.layers import amounts_of, weighed_in_all, weighed_of
from needlecoach.block.setting import setting_hours
from needlecoach.block.settling import ending_of
from needlecoach.block.steps import steps_of
from needlecoach.block.stiffness import percent_by_mass, stiffness_of
from needlecoach.block.ways import entry_mm
from needlecoach.model import Block, BlockLayer, BlockTarget, Medium, Sound
from needlecoach.model.plan import Casting, Ending, Plan


def cast(plan: Plan, sound: Sound) -> Casting:
    """What is expected of a plan.

    Parameters
    ----------
    plan : as read
    sound : speed of sound in gel at the plan's `scan_c` (screen.sound knows it, this room does not)

    Returns
    -------
    Casting
        With `block` None when something stops the plan.
    """
    endings = tuple(ending_of(target, plan) for target in plan.targets)
    amounts = amounts_of(plan, endings)
    hours = tuple(setting_hours(plan, number) for number in range(len(plan.layers)))
    faults = faults_of(plan, endings)
    stopped = any(fault.stops for fault in faults)
    return Casting(
        plan=plan,
        amounts=amounts,
        weighed=tuple(weighed_of(one) for one in amounts),
        weighed_in_all=weighed_in_all(amounts),
        endings=endings,
        entries_mm=tuple(
            entry_mm(target, ending.depth_mm, target.approach)
            for target, ending in zip(plan.targets, endings, strict=True)
        ),
        hours=hours,
        stiffness=tuple(
            stiffness_of(percent_by_mass(layer.gelatin_g_l, layer.fibre_g_l)) for layer in plan.layers
        ),
        lasting=lasting_of(plan),
        faults=faults,
        steps=() if stopped else steps_of(plan, amounts, endings, hours),
        sound=sound,
        block=None if stopped else block_of(plan, endings),
    )


def block_of(plan: Plan, endings: tuple[Ending, ...]) -> Block:
    """The block as it is expected to come out, for its file; depths are where things end."""
    layers = tuple(
        BlockLayer(
            layer.name, layer.gelatin_g_l, layer.fibre_g_l, layer.opaque, *_tenths(plan.span_mm(number))
        )
        for number, layer in enumerate(plan.layers)
    )
    targets = tuple(
        BlockTarget(
            target.name,
            target.kind,
            target.shape,
            target.size_mm,
            round(ending.depth_mm, 1),
            target.place_mm,
        )
        for target, ending in zip(plan.targets, endings, strict=True)
    )
    return Block(
        plan.code,
        plan.cast_on,
        plan.container,
        Medium("gel"),
        plan.scan_c,
        layers,
        targets,
        plan.notes,
    )


def _tenths(span_mm: tuple[float, float]) -> tuple[float, float]:
    return round(span_mm[0], 1), round(span_mm[1], 1)
