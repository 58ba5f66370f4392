"""A plan to cast a block by, and what is expected to come of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from needlecoach.model.block import Block, BlockContainer, BlockKind, BlockShape
from needlecoach.model.scale import Sound

Side = Literal["left", "right", "front", "back"]
Moves = Literal["sinks", "floats", "sinks or floats", "held"]


@dataclass(frozen=True)
class PlannedLayer:
    """A layer as wanted: gelatin and fibre in g per litre of water."""

    name: str
    thickness_mm: float
    gelatin_g_l: float
    fibre_g_l: float = 0.0
    opaque: bool = False


@dataclass(frozen=True)
class Material:
    """What a hidden thing is made of: density from low to high, whether it holds gas, and where from."""

    name: str
    low_kg_m3: float
    high_kg_m3: float
    gas: bool
    spoils: bool
    kind: BlockKind
    usual_mm: tuple[float, float]
    source: str


@dataclass(frozen=True)
class Approach:
    """The needle's wanted way: from which side of the plan view, and how steeply to the surface."""

    side: Side = "left"
    angle_deg: float = 35.0


@dataclass(frozen=True)
class PlannedTarget:
    """A thing to hide: `size_mm` (width, length, height), `depth_mm` and `place_mm` of its centre as wanted.

    `layer` is the one in which it lies while that is liquid; `held` says that a thread, a pin or gel that has
    thickened keeps it where it is put.
    """

    name: str
    material: Material
    kind: BlockKind
    shape: BlockShape
    size_mm: tuple[float, float, float]
    depth_mm: float
    place_mm: tuple[float, float]
    layer: int
    held: bool
    approach: Approach


@dataclass(frozen=True)
class Plan:
    """All that is wanted: `layers` from the lowest up, `margin_share` of gel made beyond what is needed.

    `container` is as high as what is cast. `room_ml` is what the container itself holds. `at_hand_g` is what
    there is of gelatin and of fibre, None where nobody said. Temperatures: of gel when poured, of the fridge,
    of the block when scanned.
    """

    code: str
    cast_on: date | None
    container: BlockContainer
    room_ml: float
    layers: tuple[PlannedLayer, ...]
    targets: tuple[PlannedTarget, ...]
    margin_share: float = 0.05
    pour_c: float = 35.0
    fridge_c: float = 5.0
    scan_c: float = 20.0
    at_hand_g: tuple[float | None, float | None] = (None, None)
    probe_depth_mm: float | None = None
    notes: str = ""

    def span_mm(self, layer: int) -> tuple[float, float]:
        """Top and bottom of a layer below the surface."""
        top = sum(one.thickness_mm for one in self.layers[layer + 1 :])
        return top, top + self.layers[layer].thickness_mm


@dataclass(frozen=True)
class Amounts:
    """What one layer is made of; volumes add up to the gel's, masses to its mass.

    `need_ml` is what fills the layer round the things in it (`displaced_ml`), `margin_ml` what is made
    beyond.
    """

    water_ml: float
    gelatin_g: float
    fibre_g: float
    colour_ml: float
    need_ml: float
    margin_ml: float
    displaced_ml: float
    mass_g: float

    @property
    def made_ml(self) -> float:
        """Gel that is made."""
        return self.need_ml + self.margin_ml

    @property
    def density_kg_m3(self) -> float:
        """Density of the gel at room temperature."""
        return self.mass_g / self.made_ml * 1000


@dataclass(frozen=True)
class Weighed:
    """Amounts as weighed and measured at the bench; fibre also in level tablespoons, to a quarter."""

    water_ml: float
    gelatin_g: float
    fibre_g: float
    colour_ml: float
    tablespoons: float


@dataclass(frozen=True)
class Ending:
    """What a thing does in its layer while that is liquid, and the depth of its centre in the end.

    `range_mm` is where it may end: one depth twice, unless it may sink or float.
    """

    moves: Moves
    depth_mm: float
    range_mm: tuple[float, float]


@dataclass(frozen=True)
class Hours:
    """An estimate of a time with the shortest and longest that its assumptions leave open; hours."""

    quick_h: float
    likely_h: float
    slow_h: float


@dataclass(frozen=True)
class Stiffness:
    """Shear modulus with its standard uncertainty as a share; Young's modulus is three times that."""

    shear_kpa: float
    sd_share: float

    @property
    def likely_kpa(self) -> tuple[float, float]:
        """Shear modulus one standard uncertainty below and above, on a scale of factors."""
        return self.shear_kpa / (1 + self.sd_share), self.shear_kpa * (1 + self.sd_share)

    @property
    def young_kpa(self) -> float:
        """Young's modulus of gel, which hardly changes its volume."""
        return 3 * self.shear_kpa


@dataclass(frozen=True)
class Lasting:
    """Days that a block is expected to last, warm and cold, and what that is from."""

    warm_days: int
    cold_days: int
    source: str


@dataclass(frozen=True)
class Fault:
    """What is wrong with a plan, in one line: `stops` when it can't be cast or used so."""

    stops: bool
    words: str


@dataclass(frozen=True)
class Step:
    """One step of the order of work, and when it begins after the first, in hours, by the likely times."""

    title: str
    words: tuple[str, ...]
    from_h: float


@dataclass(frozen=True)
class Casting:
    """A plan with what is expected of it; `amounts`, `weighed`, `hours` and `stiffness` layer by layer,
    lowest first.

    `endings` and `entries_mm` (where each needle enters the surface, from the middle) one per target; `block`
    is None when the plan can't be cast.
    """

    plan: Plan
    amounts: tuple[Amounts, ...]
    weighed: tuple[Weighed, ...]
    weighed_in_all: Weighed
    endings: tuple[Ending, ...]
    entries_mm: tuple[tuple[float, float], ...]
    hours: tuple[Hours, ...]
    stiffness: tuple[Stiffness, ...]
    lasting: Lasting
    faults: tuple[Fault, ...]
    steps: tuple[Step, ...]
    sound: Sound
    block: Block | None

    @property
    def can_be_cast(self) -> bool:
        """Whether nothing stops it."""
        return not any(fault.stops for fault in self.faults)


@dataclass(frozen=True)
class GradedTarget:
    """A suggestion: a target of `width_mm` at `depth_mm`, reached along `path_mm` at `angle_deg`.

    `bits` is its index of difficulty, `wanted_bits` the one asked for, and `things` what has that size.
    """

    width_mm: float
    depth_mm: float
    angle_deg: float
    path_mm: float
    bits: float
    wanted_bits: float
    things: tuple[str, ...]
