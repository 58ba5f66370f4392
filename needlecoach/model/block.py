"""A block of gel as it was cast: what it holds, how large and how deep, and what sound runs through."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from math import isfinite, pi, sqrt
from typing import Literal

from needlecoach.errors import BlockError
from needlecoach.model.scale import LIMITS_GEL_C, Medium

BlockKind = Literal["fluid", "solid", ""]
BlockShape = Literal["ball", "egg", "rod", "box"]
ContainerKind = Literal["box", "round", "measured"]

# Sides and depths of what a user can mean: wide enough for any bowl, narrow enough to catch cm or metres.
LIMITS_CONTAINER_MM = (20.0, 1000.0)
LIMITS_HIDDEN_MM = (0.5, 300.0)
_CODE = re.compile(r"\w[\w.-]{0,15}")
# Layers are read from a file with rounded figures: they meet when this close.
_MEET_MM = 0.2


@dataclass(frozen=True)
class BlockTarget:
    """A thing hidden in a block.

    Parameters
    ----------
    name : as learners and tables call it
    kind : what is inside it; "" where nobody said
    shape : "ball", "egg" (an ellipsoid), "rod" (a cylinder along its length) or "box"
    size_mm : true (width, length, height), as it lies: length along the block's x, width along y
    depth_mm : of its centre below the block's surface
    place_mm : of its centre from the block's middle (x along the container's length, y across)
    """

    name: str
    kind: BlockKind
    shape: BlockShape
    size_mm: tuple[float, float, float]
    depth_mm: float
    place_mm: tuple[float, float]

    def __post_init__(self) -> None:
        if not self.name.strip() or not self.name.isprintable() or len(self.name) > 60:
            raise BlockError(
                f"A target's name must be one line of 1 to 60 letters, got {self.name[:60]!r}; correct it."
            )
        for side in self.size_mm:
            _check(side, LIMITS_HIDDEN_MM, f"Size of target {self.name}")
        if not (isfinite(self.depth_mm) and 0 < self.depth_mm <= LIMITS_CONTAINER_MM[1]):
            raise BlockError(
                f"Depth of target {self.name} must be above 0 mm and up to {LIMITS_CONTAINER_MM[1]:g}, got "
                f"{self.depth_mm:g}; give that of its centre below the surface."
            )
        if not all(isfinite(side) and abs(side) <= LIMITS_CONTAINER_MM[1] for side in self.place_mm):
            raise BlockError(f"Place of target {self.name} must be mm from the middle; correct it.")

    @property
    def mean_range_mm(self) -> tuple[float, float]:
        """Smallest and largest mean diameter of its upright sections through the centre, mm.

        A mean diameter is the geometric mean of both axes, as `Scale.from_target` takes it; the sections are
        those along its length and across it. Of a ball both are its diameter.
        """
        width, length, height = self.size_mm
        means = sorted(sqrt(side * height) for side in (width, length))
        return means[0], means[1]


@dataclass(frozen=True)
class BlockContainer:
    """What a block was cast in: sides of a box, the diameter of a round one twice, or a measured volume.

    A measured one has the diameter of the round container that is as high and holds as much.
    `height_mm` is what is filled.
    """

    kind: ContainerKind
    length_mm: float
    width_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        for what in ("length_mm", "width_mm", "height_mm"):
            _check(getattr(self, what), LIMITS_CONTAINER_MM, f'Container, "{what}"')
        if self.kind != "box" and abs(self.length_mm - self.width_mm) > 1e-6:
            raise BlockError(
                f"A round container is as wide as it is long, got {self.length_mm:g} and {self.width_mm:g} "
                "mm; give its diameter twice, or call it a box."
            )

    @property
    def area_mm2(self) -> float:
        """Area of its horizontal section."""
        whole = self.length_mm * self.width_mm
        return whole if self.kind == "box" else whole * pi / 4


@dataclass(frozen=True)
class BlockLayer:
    """A layer of one gel: gelatin and fibre in g per litre of water, and where it lies below the surface."""

    name: str
    gelatin_g_l: float
    fibre_g_l: float
    opaque: bool
    top_mm: float
    bottom_mm: float

    def __post_init__(self) -> None:
        if not (0 <= self.top_mm < self.bottom_mm <= LIMITS_CONTAINER_MM[1]):  # NaN is not within
            raise BlockError(
                f"Layer {self.name} must lie from top_mm down to bottom_mm below the surface, got "
                f"{self.top_mm:g} to {self.bottom_mm:g}; correct it."
            )
        if not (0 < self.gelatin_g_l <= 400 and 0 <= self.fibre_g_l <= 100):
            raise BlockError(
                f"Layer {self.name} must have above 0 and up to 400 g gelatin, and up to 100 g fibre, per "
                f"litre, got {self.gelatin_g_l:g} and {self.fibre_g_l:g}; correct it."
            )


@dataclass(frozen=True)
class Block:
    """A block as it was cast; `layers` from the lowest up, `temperature_c` that at which it is scanned."""

    code: str
    cast_on: date | None
    container: BlockContainer
    medium: Medium | None
    temperature_c: float | None
    layers: tuple[BlockLayer, ...]
    targets: tuple[BlockTarget, ...]
    notes: str = ""

    def __post_init__(self) -> None:
        check_block_code(self.code)
        if self.temperature_c is not None:
            _check(self.temperature_c, LIMITS_GEL_C, "The block's temperature", "degrees Celsius")
        names = [target.name for target in self.targets]
        for name in names:
            if names.count(name) > 1:
                raise BlockError(f"Two targets are called {name}; give each a name of its own.")
        for lower, upper in pairwise(self.layers):
            if abs(upper.bottom_mm - lower.top_mm) > _MEET_MM:
                raise BlockError(
                    f"Layer {upper.name} ends at {upper.bottom_mm:g} mm and layer {lower.name} below it "
                    f"begins at {lower.top_mm:g}; list layers from the lowest up, each on the one before."
                )

    @property
    def scanned_medium(self) -> Medium | None:
        """The medium with the block's own temperature, where it is gel or water and has none itself."""
        medium = self.medium
        if medium is None or medium.kind == "custom" or medium.temperature_c is not None:
            return medium
        return replace(medium, temperature_c=self.temperature_c)

    def target(self, name: str) -> BlockTarget | None:
        """The target of that name, None when it holds none."""
        return next((target for target in self.targets if target.name == name), None)


def check_block_code(code: str) -> str:
    """Return the code of a block when it is one; BlockError otherwise."""
    if not _CODE.fullmatch(code):
        shown = "".join(letter if letter.isprintable() else "?" for letter in code[:60])
        raise BlockError(
            "A block is called by a code of up to 16 letters, digits, - _ or . without spaces, such as G3, "
            f'got "{shown}"; correct it.'
        )
    return code


def _check(value: float, limits: tuple[float, float], what: str, unit: str = "mm") -> None:
    if not limits[0] <= value <= limits[1]:  # NaN is not within
        raise BlockError(
            f"{what} must be from {limits[0]:g} to {limits[1]:g} {unit}, got {value:g}; correct it."
        )
