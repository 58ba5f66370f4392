"""Why a plan can't work, and what else to mind: each in one line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, pairwise
from math import atan2, degrees, hypot, isfinite, sqrt

from needlecoach.block.layers import amounts_of
from needlecoach.block.setting import setting_hours
from needlecoach.block.shapes import reach_mm
from needlecoach.block.ways import HEADING, covering, entry_mm, free_sides, in_the_way, within
from needlecoach.model.plan import Ending, Fault, Plan, PlannedTarget

# Gel per litre of water below which it may not set, and above which it is too thick to pour without bubbles;
# what works in practice lies between 20 and 80 (common practice, no source).
_WEAKEST_G_L, _THICKEST_G_L = 15.0, 150.0
# Warmer gel melts the set gel that it is poured on (common practice, no source).
_MELTS_C = 40.0
# Gelatin gel softens and melts from here on (handbooks say 27 to 34 °C; from memory).
_SOFT_C = 27.0
# Thinner layers set askew; gel above a thing keeps it from drying and lifts it out of the near field
# (common practice, no source).
_THINNEST_MM, _COVER_MM = 5.0, 5.0
# Further off its wanted depth than this is told (our choice).
_OFF_MM = 5.0


def faults_of(plan: Plan, endings: Sequence[Ending]) -> tuple[Fault, ...]:
    """All that is wrong with a plan, what stops it first."""
    found = [
        *_of_volume(plan, endings),
        *_of_layers(plan),
        *(fault for number in range(len(plan.targets)) for fault in _of_target(plan, number, endings)),
        *(fault for number in range(len(plan.targets)) for fault in _of_way(plan, number, endings)),
        *_of_pairs(plan, endings),
    ]
    return tuple(sorted(found, key=lambda fault: not fault.stops))


def _of_volume(plan: Plan, endings: Sequence[Ending]) -> Iterator[Fault]:
    cast_ml = plan.container.area_mm2 * plan.container.height_mm / 1000
    if cast_ml > plan.room_ml * (1 + 1e-9):
        yield Fault(
            True,
            f"The layers come to {cast_ml:.0f} ml and {plan.container.height_mm:g} mm, the container holds "
            f"{plan.room_ml:.0f} ml; make layers thinner or take a larger one.",
        )
    amounts = amounts_of(plan, endings)
    for what, at_hand, need in (
        ("gelatin", plan.at_hand_g[0], sum(one.gelatin_g for one in amounts)),
        ("fibre", plan.at_hand_g[1], sum(one.fibre_g for one in amounts)),
    ):
        if at_hand is not None and need > at_hand:
            yield Fault(
                True,
                f"There are {at_hand:g} g {what}, {need:.0f} g are needed (margin included); get more or "
                "make "
                "the block smaller.",
            )


def _of_layers(plan: Plan) -> Iterator[Fault]:
    yield from _of_order(plan)
    for number, layer in enumerate(plan.layers):
        if layer.gelatin_g_l < _WEAKEST_G_L:
            yield Fault(
                True,
                f"Layer {layer.name} of {layer.gelatin_g_l:g} g gelatin per litre may not set; take "
                f"{_WEAKEST_G_L:g} or more.",
            )
        if layer.gelatin_g_l > _THICKEST_G_L:
            yield Fault(
                False,
                f"Layer {layer.name} of {layer.gelatin_g_l:g} g gelatin per litre is too thick to pour "
                "without "
                "bubbles; 20 to 80 work in practice.",
            )
        if layer.thickness_mm < _THINNEST_MM:
            yield Fault(
                False, f"Layer {layer.name} is {layer.thickness_mm:g} mm thin; level the container well."
            )
        if not isfinite(setting_hours(plan, number).slow_h):
            yield Fault(
                True,
                f"Layer {layer.name} will not set at {plan.fridge_c:g} °C; cool below 15 °C, best to 5.",
            )


def _of_order(plan: Plan) -> Iterator[Fault]:
    if plan.scan_c >= _SOFT_C:
        yield Fault(
            True, f"At {plan.scan_c:g} °C gelatin softens and melts; scan it below {_SOFT_C:g} (scan_c)."
        )
    if plan.fridge_c <= 0:
        yield Fault(True, f"At {plan.fridge_c:g} °C ice spoils the gel; cool it to 2 to 8 °C (fridge_c).")
    if plan.pour_c > _MELTS_C and len(plan.layers) > 1:
        yield Fault(False, f"Gel poured at {plan.pour_c:g} °C may melt the layer below; let it cool to 35.")
    for lower, upper in pairwise(plan.layers):
        if upper.gelatin_g_l < lower.gelatin_g_l:
            yield Fault(
                False,
                f"Layer {upper.name} is softer than {lower.name} below it; the firmest gel on top bears the "
                "probe best.",
            )


def _of_target(plan: Plan, number: int, endings: Sequence[Ending]) -> Iterator[Fault]:
    target, ending = plan.targets[number], endings[number]
    layer = plan.layers[target.layer]
    width, length, height = target.size_mm
    top, bottom = plan.span_mm(target.layer)
    if height > layer.thickness_mm:
        yield Fault(
            True,
            f"{target.name} is {height:g} mm high, its layer {layer.name} {layer.thickness_mm:g} mm; make "
            "the "
            "layer thicker, lay it flat, or take a smaller one.",
        )
    elif target.held and not top - 0.01 <= target.depth_mm - height / 2 <= bottom - height + 0.01:
        yield Fault(
            True,
            f"{target.name}, held with its centre at {target.depth_mm:g} mm, reaches out of its layer "
            f"{layer.name} ({top:g} to {bottom:g} mm); choose a depth from {top + height / 2:g} to "
            f"{bottom - height / 2:g} mm.",
        )
    if not _within_walls(plan, target):
        yield Fault(
            True,
            f"{target.name} of {length:g} x {width:g} mm at {target.place_mm[0]:g}, {target.place_mm[1]:g} "
            "mm "
            "from the middle reaches beyond the container's wall; move it.",
        )
    yield from _of_depth(plan, target, ending)


def _of_depth(plan: Plan, target: PlannedTarget, ending: Ending) -> Iterator[Fault]:
    layer = plan.layers[target.layer].name
    cover = ending.depth_mm - target.size_mm[2] / 2
    if target.layer == len(plan.layers) - 1 and ending.moves in ("floats", "sinks or floats"):
        word = "floats" if ending.moves == "floats" else "may float"
        yield Fault(
            ending.moves == "floats",
            f"{target.name} {word} in the last layer, {layer}, and would break the surface; put it under "
            "that "
            "layer or hold it.",
        )
    elif cover < _COVER_MM:
        yield Fault(False, f"{target.name} has {cover:.1f} mm of gel above it; 5 mm or more are better.")
    if ending.moves == "sinks or floats":
        yield Fault(
            False,
            f"{target.name} may sink or float in layer {layer} (centre from {ending.range_mm[0]:.0f} to "
            f"{ending.range_mm[1]:.0f} mm): try one in a glass of the gel, or hold it.",
        )
    elif abs(ending.depth_mm - target.depth_mm) > _OFF_MM:
        yield Fault(
            False,
            f"{target.name} {ending.moves} in layer {layer}: its centre ends {ending.depth_mm:.0f} mm "
            "deep, not "
            f"{target.depth_mm:g}; hold it, or move the joint between layers.",
        )
    probe = plan.probe_depth_mm
    if probe is not None and ending.range_mm[1] + target.size_mm[2] / 2 > probe:
        yield Fault(
            False,
            f"{target.name} reaches {ending.range_mm[1] + target.size_mm[2] / 2:.0f} mm deep, the picture "
            f"{probe:g} mm; set the scanner deeper or bring it up.",
        )


def _of_way(plan: Plan, number: int, endings: Sequence[Ending]) -> Iterator[Fault]:
    target, depth = plan.targets[number], endings[number].depth_mm
    approach = target.approach
    over = covering(plan, number, endings)
    if over:
        yield Fault(
            True,
            f"{target.name} lies under {_listed(over)}, which holds gas and hides it from the probe; move "
            "one "
            "of them.",
        )
        return
    hides = in_the_way(plan, number, endings, approach)
    if hides:
        free = free_sides(plan, number, endings)
        other = f"come from {' or '.join(free)}, or move one of them" if free else "move one of them"
        yield Fault(
            True,
            f"{_listed(hides)} holds gas and hides the needle on its way to {target.name} from "
            f"{approach.side} at {approach.angle_deg:g}°; {other}.",
        )
    if not within(plan.container, entry_mm(target, depth, approach)):
        yield Fault(
            True,
            f"To reach {target.name} from {approach.side} at {approach.angle_deg:g}° the needle would enter "
            f"beyond the block's edge; come at {_least_angle(plan, number, depth):.0f}° or more, or from "
            "another side.",
        )


def _least_angle(plan: Plan, number: int, depth_mm: float) -> float:
    """Flattest angle from the wanted side that enters within the block, rounded up."""
    target = plan.targets[number]
    heading = HEADING[target.approach.side]
    along = target.place_mm[0] * heading[0] + target.place_mm[1] * heading[1]
    aside = target.place_mm[1] if heading[0] else target.place_mm[0]
    half = (plan.container.length_mm if heading[0] else plan.container.width_mm) / 2
    if plan.container.kind != "box":
        half = sqrt(max(half**2 - aside**2, 0.0))
    return degrees(atan2(depth_mm, max(along + half, 1e-6))) + 0.5


def _of_pairs(plan: Plan, endings: Sequence[Ending]) -> Iterator[Fault]:
    things = list(zip(plan.targets, endings, strict=True))
    for (one, end), (other, other_end) in combinations(things, 2):
        if _touch(one, end.depth_mm, other, other_end.depth_mm):
            yield Fault(True, f"{one.name} and {other.name} would lie in one another; move one of them.")


def _touch(one: PlannedTarget, depth_mm: float, other: PlannedTarget, other_depth_mm: float) -> bool:
    """Whether two things may share room: along no axis, nor from centre to centre, is there a gap."""
    way = (
        other.place_mm[0] - one.place_mm[0],
        other.place_mm[1] - one.place_mm[1],
        other_depth_mm - depth_mm,
    )
    far = hypot(*way)
    if far == 0:
        return True
    between = (way[0] / far, way[1] / far, way[2] / far)
    for unit in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), between):
        apart = abs(sum(a * b for a, b in zip(way, unit, strict=True)))
        if apart >= reach_mm(one.shape, one.size_mm, unit) + reach_mm(other.shape, other.size_mm, unit):
            return False
    return True


def _within_walls(plan: Plan, target: PlannedTarget) -> bool:
    x, y = (abs(side) for side in target.place_mm)
    width, length = target.size_mm[0] / 2, target.size_mm[1] / 2
    container = plan.container
    if container.kind == "box":
        return x + length <= container.length_mm / 2 and y + width <= container.width_mm / 2
    if target.shape in ("ball", "egg"):  # the furthest that an ellipse can reach from the middle
        return hypot(x, y) + max(width, length) <= container.length_mm / 2
    return hypot(x + length, y + width) <= container.length_mm / 2


def _listed(names: Sequence[str]) -> str:
    return " and ".join(names)
