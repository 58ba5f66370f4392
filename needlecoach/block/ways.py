"""The needle's way to a target, and what gas hides of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from needlecoach.model import BlockContainer, FloatArray
from needlecoach.model.plan import Approach, Ending, Plan, PlannedTarget, Side

# Which way a needle from each side goes on the plan view: x along the length, y towards the front.
HEADING: dict[Side, tuple[float, float]] = {
    "left": (1.0, 0.0),
    "right": (-1.0, 0.0),
    "front": (0.0, -1.0),
    "back": (0.0, 1.0),
}
SIDES: tuple[Side, ...] = ("left", "right", "front", "back")
# The shaft may be hidden for this long without harm: the needle's bevel or so (common practice, no source).
_SHORT_MM = 1.0
_POINTS = 200


def entry_mm(target: PlannedTarget, depth_mm: float, approach: Approach) -> tuple[float, float]:
    """Where the needle enters the surface, (x, y) from the block's middle."""
    back = depth_mm / np.tan(np.radians(approach.angle_deg))
    x, y = HEADING[approach.side]
    return float(target.place_mm[0] - x * back), float(target.place_mm[1] - y * back)


def within(container: BlockContainer, place_mm: tuple[float, float]) -> bool:
    """Whether a place on the surface lies within the block."""
    half_x, half_y = container.length_mm / 2, container.width_mm / 2
    if container.kind == "box":
        return abs(place_mm[0]) <= half_x and abs(place_mm[1]) <= half_y
    return bool(np.hypot(*place_mm) <= half_x)


def covering(plan: Plan, number: int, endings: Sequence[Ending]) -> list[str]:
    """Names of things with gas right above a target's centre: it can't be seen from above."""
    target, depth = plan.targets[number], endings[number].depth_mm
    point = np.array([[*target.place_mm, depth]])
    return [
        other.name
        for place, other in enumerate(plan.targets)
        if place != number
        and other.material.gas
        and hidden_mm(point, other, endings[place].depth_mm, step_mm=2 * _SHORT_MM) > _SHORT_MM
    ]


def in_the_way(plan: Plan, number: int, endings: Sequence[Ending], approach: Approach) -> list[str]:
    """Names of things with gas that hide a part of the needle's way to a target, or lie in it."""
    target, depth = plan.targets[number], endings[number].depth_mm
    start = np.array([*entry_mm(target, depth, approach), 0.0])
    end = np.array([*target.place_mm, depth])
    shares = np.linspace(0, 1, _POINTS)[:, None]
    step_mm = float(np.linalg.norm(end - start)) / (_POINTS - 1)
    way = start + shares * (end - start)
    return [
        other.name
        for place, other in enumerate(plan.targets)
        if place != number
        and other.material.gas
        and hidden_mm(way, other, endings[place].depth_mm, step_mm=step_mm) > _SHORT_MM
    ]


def hidden_mm(points_mm: FloatArray, thing: PlannedTarget, depth_mm: float, *, step_mm: float) -> float:
    """Length of a way (n, 3), in steps, that lies within a thing with gas or in its shadow straight below.

    The beam comes from straight above. Shadows begin at the thing's highest point: what is hidden under a
    round thing's shoulder is counted too.
    """
    x, y, z = points_mm.T
    width, length, height = thing.size_mm
    across = np.abs(x - thing.place_mm[0]) / (length / 2), np.abs(y - thing.place_mm[1]) / (width / 2)
    round_on_plan = thing.shape in ("ball", "egg")
    below = np.hypot(*across) <= 1 if round_on_plan else np.maximum(*across) <= 1
    return float((below & (z >= depth_mm - height / 2)).sum() * step_mm)


def free_sides(plan: Plan, number: int, endings: Sequence[Ending]) -> list[Side]:
    """Other sides from which the needle, as steep as wanted, reaches a target in sight and from within."""
    target, depth = plan.targets[number], endings[number].depth_mm
    angle = target.approach.angle_deg
    return [
        side
        for side in SIDES
        if side != target.approach.side
        and within(plan.container, entry_mm(target, depth, Approach(side, angle)))
        and not in_the_way(plan, number, endings, Approach(side, angle))
    ]
