"""The file of a block, `NAME.block.json`: read, check, write."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from needlecoach.block.reading import Entry, entries_text, read_entries, write_whole
from needlecoach.errors import BlockError, MarksError
from needlecoach.model import (
    Block,
    BlockContainer,
    BlockKind,
    BlockLayer,
    BlockShape,
    BlockTarget,
    ContainerKind,
    Medium,
)

_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_Text = Annotated[str, Field(max_length=200)]
_A_PLAN = "is a plan, not the file of a block; give the CODE.block.json that phantom plan makes of it."


class _Container(Entry):
    kind: ContainerKind
    length_mm: float
    width_mm: float
    height_mm: float


class _Layer(Entry):
    name: _Text = ""
    gelatin_g_l: float
    fibre_g_l: float = 0.0
    opaque: bool = False
    top_mm: float
    bottom_mm: float


class _Target(Entry):
    name: _Text
    kind: BlockKind = ""
    shape: BlockShape = "ball"
    size_mm: tuple[float, float, float]
    depth_mm: float
    place_mm: tuple[float, float] = (0.0, 0.0)


class _Medium(Entry):
    kind: Literal["water", "gel", "custom"]
    temperature_c: float | None = None
    speed_m_s: float | None = None


class BlockFile(Entry):
    """The file `NAME.block.json`."""

    version: Literal[1] = Field(alias="schema")
    code: _Text
    cast_on: Annotated[str, Field(max_length=20)] | None = None
    container: _Container
    medium: _Medium | None = None
    temperature_c: float | None = None
    layers: Annotated[tuple[_Layer, ...], Field(max_length=20)] = ()
    targets: Annotated[tuple[_Target, ...], Field(max_length=200)] = ()
    notes: Annotated[str, Field(max_length=10_000)] = ""

    def to_block(self) -> Block:
        """Block, checked by its own rules; BlockError when no block can be so."""
        try:
            return Block(
                self.code,
                None if self.cast_on is None else parse_day(self.cast_on, "cast_on"),
                BlockContainer(**self.container.model_dump()),
                None if self.medium is None else Medium(**self.medium.model_dump()),
                self.temperature_c,
                tuple(BlockLayer(**layer.model_dump()) for layer in self.layers),
                tuple(BlockTarget(**target.model_dump()) for target in self.targets),
                self.notes,
            )
        except MarksError as problem:  # a medium that can't be
            raise BlockError(str(problem)) from problem


def read_block(path: Path) -> Block:
    """Read the file of a block.

    Raises
    ------
    BlockError
        When the file can't be read, is not JSON, has an unknown key or schema, or holds an impossible value:
        one line with the file, the key and what to do.
    """
    path = Path(path)
    content = read_entries(path, BlockFile, {"thickness_mm": _A_PLAN})
    try:
        return content.to_block()
    except BlockError as problem:
        raise BlockError(f"{path}: {problem}") from problem


def write_block(path: Path, block: Block) -> None:
    """Write the file of a block, whole or not at all; OutputError when it can't be written."""
    write_whole(Path(path), block_text(block))


def block_text(block: Block) -> str:
    """The file of a block as text."""
    content = {
        "schema": 1,
        "code": block.code,
        "cast_on": None if block.cast_on is None else block.cast_on.isoformat(),
        "container": vars(block.container),
        "medium": None if block.medium is None else vars(block.medium),
        "temperature_c": block.temperature_c,
        "layers": tuple(vars(layer) for layer in block.layers),
        "targets": tuple(vars(target) for target in block.targets),
        "notes": block.notes,
    }
    return entries_text(BlockFile.model_validate(content))


def parse_day(text: str, key: str) -> date:
    """Day of the calendar written YYYY-MM-DD; BlockError with the key otherwise."""
    try:
        if not _DAY.fullmatch(text):  # fromisoformat takes other forms too
            raise ValueError
        return date.fromisoformat(text)
    except ValueError as problem:
        shown = text[:20] if text.isprintable() else "?"
        raise BlockError(
            f'key "{key}" must be a day as YYYY-MM-DD, such as 2026-11-26, got "{shown}"; correct it.'
        ) from problem
