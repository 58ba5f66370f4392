"""The file of a plan (JSON): read and check."""

from __future__ import annotations

from math import pi, sqrt
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from needlecoach.block.file import parse_day
from needlecoach.block.materials import material, own_material
from needlecoach.block.reading import Entry, read_entries
from needlecoach.errors import BlockError, OutputError
from needlecoach.model import BlockContainer, BlockKind, BlockShape, BlockTarget, check_block_code
from needlecoach.model.block import LIMITS_CONTAINER_MM
from needlecoach.model.plan import Approach, Material, Plan, PlannedLayer, PlannedTarget, Side

EXAMPLE = Path(__file__).with_name("example.json")

_Text = Annotated[str, Field(max_length=60)]
_A_BLOCK = "is the file of a block, not a plan; give the plan it was made from (phantom example has one)."
_Side = Annotated[float, Field(ge=20, le=1000)]
_Size = Annotated[float, Field(ge=0.5, le=300)]


class _Container(Entry):
    """A box (length, width, height), a round one (diameter, height), or a volume measured with water."""

    kind: Literal["box", "round", "measured"]
    length_mm: _Side | None = None
    width_mm: _Side | None = None
    diameter_mm: _Side | None = None
    volume_ml: Annotated[float, Field(ge=20, le=100_000)] | None = None
    height_mm: _Side

    @model_validator(mode="after")
    def _own_sizes(self) -> _Container:
        needs = {"box": {"length_mm", "width_mm"}, "round": {"diameter_mm"}, "measured": {"volume_ml"}}
        given = {key for keys in needs.values() for key in keys if getattr(self, key) is not None}
        if given != needs[self.kind]:
            wanted = " and ".join(f'"{key}"' for key in sorted(needs[self.kind]))
            raise ValueError(f'a {self.kind} container has {wanted} beside "height_mm", and no other size')
        return self

    def filled(self, height_mm: float) -> BlockContainer:
        """The container up to a height."""
        length, width = self._sides()
        return BlockContainer(self.kind, length, width, height_mm)

    def room_ml(self) -> float:
        """What it holds in all."""
        length, width = self._sides()
        return BlockContainer(self.kind, length, width, self.height_mm).area_mm2 * self.height_mm / 1000

    def _sides(self) -> tuple[float, float]:
        if self.length_mm is not None and self.width_mm is not None:
            return self.length_mm, self.width_mm
        if self.diameter_mm is not None:
            return self.diameter_mm, self.diameter_mm
        across = sqrt((self.volume_ml or 0.0) * 1000 / self.height_mm * 4 / pi)
        return across, across


class _Layer(Entry):
    name: _Text = ""
    thickness_mm: Annotated[float, Field(gt=0, le=500)]
    gelatin_g_l: Annotated[float, Field(gt=0, le=400)]
    fibre_g_l: Annotated[float, Field(ge=0, le=100)] = 0.0
    opaque: bool = False


class _Approach(Entry):
    side: Side = "left"
    angle_deg: Annotated[float, Field(ge=5, le=85)] = 35.0


class _Target(Entry):
    name: _Text
    made_of: _Text
    density_kg_m3: Annotated[float, Field(ge=100, le=20_000)] | None = None
    holds_gas: bool = False
    spoils: bool = False
    kind: BlockKind | None = None
    shape: BlockShape | None = None
    size_mm: _Size | tuple[_Size, _Size, _Size]
    depth_mm: Annotated[float, Field(gt=0, le=1000)]
    place_mm: tuple[float, float] = (0.0, 0.0)
    layer: _Text | None = None
    held: bool = False
    approach: _Approach = _Approach()

    @model_validator(mode="after")
    def _own_density(self) -> _Target:
        if self.density_kg_m3 is None and (self.holds_gas or self.spoils):
            raise ValueError('"holds_gas" and "spoils" are for a thing with its own "density_kg_m3"')
        return self

    def material(self) -> Material:
        """What it is made of, checked against the list."""
        if self.density_kg_m3 is None:
            return material(self.made_of)
        return own_material(self.made_of, self.density_kg_m3, gas=self.holds_gas, spoils=self.spoils)


class PlanFile(Entry):
    """The file of a plan."""

    version: Literal[1] = Field(alias="schema")
    code: _Text
    cast_on: Annotated[str, Field(max_length=20)] | None = None
    container: _Container
    layers: Annotated[tuple[_Layer, ...], Field(min_length=1, max_length=10)]
    targets: Annotated[tuple[_Target, ...], Field(max_length=50)] = ()
    margin_percent: Annotated[float, Field(ge=0, le=50)] = 5.0
    pour_c: Annotated[float, Field(ge=25, le=60)] = 35.0
    fridge_c: Annotated[float, Field(ge=0, le=30)] = 5.0
    scan_c: Annotated[float, Field(ge=0, le=40)] = 20.0
    gelatin_at_hand_g: Annotated[float, Field(ge=0, le=100_000)] | None = None
    fibre_at_hand_g: Annotated[float, Field(ge=0, le=100_000)] | None = None
    probe_depth_mm: Annotated[float, Field(ge=10, le=400)] | None = None
    notes: Annotated[str, Field(max_length=2000)] = ""

    def to_plan(self) -> Plan:
        """Plan, with each thing in its layer; BlockError when a thing or layer can't be meant."""
        layers = tuple(_planned_layer(layer, number) for number, layer in enumerate(self.layers, start=1))
        _check_names([layer.name for layer in layers], "layers")
        _check_names([target.name for target in self.targets], "targets")
        height = sum(layer.thickness_mm for layer in layers)
        if not LIMITS_CONTAINER_MM[0] <= height <= LIMITS_CONTAINER_MM[1]:
            raise BlockError(
                f"The layers come to {height:g} mm; a block is {LIMITS_CONTAINER_MM[0]:g} to "
                f"{LIMITS_CONTAINER_MM[1]:g} mm high: change their thickness_mm."
            )
        return Plan(
            code=check_block_code(self.code),
            cast_on=None if self.cast_on is None else parse_day(self.cast_on, "cast_on"),
            container=self.container.filled(height),
            room_ml=self.container.room_ml(),
            layers=layers,
            targets=tuple(_planned_target(target, layers) for target in self.targets),
            margin_share=self.margin_percent / 100,
            pour_c=self.pour_c,
            fridge_c=self.fridge_c,
            scan_c=self.scan_c,
            at_hand_g=(self.gelatin_at_hand_g, self.fibre_at_hand_g),
            probe_depth_mm=self.probe_depth_mm,
            notes=self.notes,
        )


def read_plan(path: Path) -> Plan:
    """Read the file of a plan.

    Raises
    ------
    BlockError
        When the file can't be read, is not JSON, has an unknown key or schema, or holds an impossible value:
        one line with the file, the key and what to do.
    """
    path = Path(path)
    content = read_entries(path, PlanFile, {"top_mm": _A_BLOCK})
    try:
        return content.to_plan()
    except BlockError as problem:
        raise BlockError(f"{path}: {problem}") from problem


def write_example(path: Path) -> None:
    """Write the example to a new file; OutputError when there is one already or it can't be written."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(EXAMPLE.read_text(encoding="utf-8"))
    except FileExistsError as problem:
        raise OutputError(f"{path}: is there already and is left alone; give another name.") from problem
    except OSError as problem:
        raise OutputError(f"{path}: can't be written ({problem.strerror or problem}).") from problem


def _planned_layer(layer: _Layer, number: int) -> PlannedLayer:
    name = layer.name.strip() or f"layer {number}"
    if not name.isprintable():
        raise BlockError(f"The name of layer {number} must be one line of text; correct it.")
    return PlannedLayer(name, layer.thickness_mm, layer.gelatin_g_l, layer.fibre_g_l, layer.opaque)


def _planned_target(target: _Target, layers: tuple[PlannedLayer, ...]) -> PlannedTarget:
    made_of = target.material()
    size = target.size_mm if isinstance(target.size_mm, tuple) else (target.size_mm,) * 3
    shape: BlockShape = target.shape or ("ball" if len(set(size)) == 1 else "egg")
    if shape == "ball" and len(set(size)) > 1:
        raise BlockError(f"{target.name} is a ball with sides of different size; call it an egg.")
    kind: BlockKind = made_of.kind if target.kind is None else target.kind
    # Checked by the rules of the block's own file, into which it goes.
    BlockTarget(target.name, kind, shape, size, target.depth_mm, target.place_mm)
    return PlannedTarget(
        name=target.name.strip(),
        material=made_of,
        kind=kind,
        shape=shape,
        size_mm=size,
        depth_mm=target.depth_mm,
        place_mm=target.place_mm,
        layer=_layer_of(target, layers),
        held=target.held,
        approach=Approach(target.approach.side, target.approach.angle_deg),
    )


def _layer_of(target: _Target, layers: tuple[PlannedLayer, ...]) -> int:
    """Number of the layer in which a thing lies: the named one, else the one at its wanted depth."""
    if target.layer is not None:
        names = [layer.name for layer in layers]
        if target.layer not in names:
            raise BlockError(
                f'{target.name}: there is no layer "{target.layer}"; name one of {", ".join(names)}.'
            )
        return names.index(target.layer)
    bottom = 0.0
    for number in reversed(range(len(layers))):
        bottom += layers[number].thickness_mm
        if target.depth_mm < bottom:
            return number
    raise BlockError(
        f"{target.name} at {target.depth_mm:g} mm lies below the block’s {bottom:g} mm; correct it."
    )


def _check_names(names: list[str], what: str) -> None:
    for name in names:
        if names.count(name) > 1:
            raise BlockError(f"Two {what} are called {name}; give each a name of its own.")
