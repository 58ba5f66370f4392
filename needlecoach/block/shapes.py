"""Volumes of hidden things, whole and in part, and how far they reach."""

from __future__ import annotations

import math

from needlecoach.model import BlockShape

# Share of a shape's bounding box that it fills.
_FILL: dict[BlockShape, float] = {"ball": math.pi / 6, "egg": math.pi / 6, "rod": math.pi / 4, "box": 1.0}


def volume_ml(shape: BlockShape, size_mm: tuple[float, float, float]) -> float:
    """Volume of a thing of (width, length, height)."""
    return _FILL[shape] * size_mm[0] * size_mm[1] * size_mm[2] / 1000


def share_below(shape: BlockShape, height_share: float) -> float:
    """Share of a thing's volume below a level, given as a share of its height from its lowest point.

    A rod lies along its length, so its section is an ellipse.
    """
    u = min(max(height_share, 0.0), 1.0)
    if shape in ("ball", "egg"):
        return u * u * (3 - 2 * u)
    if shape == "rod":
        return (math.acos(1 - 2 * u) - (1 - 2 * u) * 2 * math.sqrt(u - u * u)) / math.pi
    return u


def draft_share(shape: BlockShape, sunk: float) -> float:
    """Share of its height to which a thing lies in a liquid that it displaces with the share `sunk` of it."""
    low, high = 0.0, 1.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if share_below(shape, middle) < sunk else (low, middle)
    return (low + high) / 2


def volume_between_ml(
    shape: BlockShape,
    size_mm: tuple[float, float, float],
    depth_mm: float,
    span_mm: tuple[float, float],
) -> float:
    """Volume of a thing, centred at a depth, that lies between two depths (upper, lower)."""
    height = size_mm[2]
    lowest = depth_mm + height / 2
    below_top, below_bottom = (share_below(shape, (lowest - level) / height) for level in span_mm)
    return volume_ml(shape, size_mm) * (below_top - below_bottom)


def reach_mm(
    shape: BlockShape, size_mm: tuple[float, float, float], unit: tuple[float, float, float]
) -> float:
    """How far a thing reaches from its centre along a unit vector (x along its length, y across, z down)."""
    width, length, height = (side / 2 for side in size_mm)
    x, y, z = (abs(part) for part in unit)
    if shape in ("ball", "egg"):
        return math.sqrt((length * x) ** 2 + (width * y) ** 2 + (height * z) ** 2)
    if shape == "rod":
        return length * x + math.hypot(width * y, height * z)
    return length * x + width * y + height * z
