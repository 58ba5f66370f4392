"""The order of work: what to do, layer after layer, and when."""

from __future__ import annotations

from collections.abc import Sequence

from needlecoach.block.layers import weighed_of
from needlecoach.block.setting import RIPE_H
from needlecoach.model.plan import Amounts, Ending, Hours, Plan, Step

# Stirring, swelling, melting and resting a layer, and cooling it down to pour (common practice, no source).
MAKING_H = 0.75


def steps_of(
    plan: Plan, amounts: Sequence[Amounts], endings: Sequence[Ending], hours: Sequence[Hours]
) -> tuple[Step, ...]:
    """All steps in their order, with the hours at which they begin by the likely setting times."""
    steps = [_ready(plan)]
    at = 0.5
    for number, layer in enumerate(plan.layers):
        steps.append(Step(f"Layer {number + 1}: {layer.name}", _layer(plan, number, amounts, endings), at))
        at += MAKING_H + hours[number].likely_h
    ripe = max(at, at - hours[-1].likely_h + RIPE_H)
    return (*steps, _first_look(at), _turning_in(plan, ripe))


def _ready(plan: Plan) -> Step:
    words = [
        "Wash hands, bowls and the container. Put a tray under the container, level, where it can stay in "
        f"the fridge ({plan.fridge_c:g} °C).",
        "Boil the water and let it stand closed until it is lukewarm: that drives gas out. Weigh out gelatin "
        "and fibre for each layer (table of amounts).",
    ]
    if plan.targets:
        words.append(
            "Rinse and dry the things to hide. Dip each in liquid gel and stroke bubbles off. Measure each "
            "one with a caliper (width, length, height) and write it on the sheet."
        )
    if any(not target.held for target in plan.targets):
        words.append(
            "Try one of each kind in a glass of its layer’s liquid gel: whether it sinks decides where it "
            "ends."
        )
    return Step("Make ready", tuple(words), 0.0)


def _layer(plan: Plan, number: int, amounts: Sequence[Amounts], endings: Sequence[Ending]) -> tuple[str, ...]:
    layer = plan.layers[number]
    weighed = weighed_of(amounts[number])
    water, gelatin, fibre = weighed.water_ml, weighed.gelatin_g, weighed.fibre_g
    words = [
        f"Sprinkle {gelatin:g} g gelatin on {round(water / 4)} ml of the water, cold; let it swell for 10 "
        "minutes.",
        f"Heat the other {water - round(water / 4):g} ml to about 60 °C (never boil gelatin: it gets "
        "weaker), "
        "pour it on, stir slowly until clear. Whisk nothing in: air stays.",
    ]
    if fibre:
        words.append(
            f"Stir in {fibre:g} g fibre (about {weighed.tablespoons:g} level tablespoons) without lumps."
        )
    if weighed.colour_ml:
        words.append(f"Stir in {weighed.colour_ml:g} ml food colour.")
    words.append(
        f"Let it stand for 15 minutes, skim off foam and bubbles, and let it cool to {plan.pour_c:g} °C."
    )
    words += _placing(plan, number, endings)
    over = " over the back of a spoon, so that the layer below is not melted" if number else ""
    words.append(
        f"Pour slowly{over}, to {layer.thickness_mm:g} mm. Prick bubbles with a pin. Into the fridge."
    )
    return tuple(words)


def _placing(plan: Plan, number: int, endings: Sequence[Ending]) -> list[str]:
    """What to do with each thing of a layer."""
    words = []
    for target, ending in zip(plan.targets, endings, strict=True):
        if target.layer != number:
            continue
        where = f"{target.name}, {_place(target.place_mm)}"
        if ending.moves == "held":
            words.append(
                f"{where}: hold its centre {ending.depth_mm:g} mm below the finished surface, by a thread "
                "across the container or by gel that has thickened like egg white."
            )
        elif ending.moves == "floats":
            words.append(f"{where}: it floats up to the top of this layer; push it in place before it sets.")
        elif ending.moves == "sinks":
            floor = "on the set layer below" if number else "on the container’s floor"
            words.append(f"{where}: lay it {floor} first; it sinks and stays there.")
        else:
            words.append(f"{where}: it may sink or float; see what it does, and write down where it ends.")
    return words


def _place(place_mm: tuple[float, float]) -> str:
    x, y = place_mm
    sides = [
        f"{abs(value):g} mm {side}"
        for value, side in (
            (x, "right" if x > 0 else "left"),
            (y, "front" if y > 0 else "back"),
        )
        if value
    ]
    return " and ".join(sides) + " from the middle" if sides else "in the middle"


def _first_look(at_h: float) -> Step:
    return Step(
        "When the last layer has set",
        (
            "Cover it, so that it neither dries nor takes up smells. Write code, date and “not food” on it.",
            "Write into the block’s file what has come out otherwise: sizes, depths, date.",
        ),
        at_h,
    )


def _turning_in(plan: Plan, at_h: float) -> Step:
    return Step(
        "Before use",
        (
            f"Leave it in the fridge for {RIPE_H:g} hours at least after the last pour: gel grows firmer "
            "until "
            "then.",
            f"Let it come to {plan.scan_c:g} °C, or measure its temperature: the speed of sound goes by "
            "it. A "
            "film of water on top couples the probe.",
            "Sweep over it once and look for gas before anyone practises on it.",
        ),
        at_h,
    )
