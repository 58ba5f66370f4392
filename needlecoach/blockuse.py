"""What the file of a block tells of a clip: the target as it was cast, and what the sound runs through."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from needlecoach.block.file import read_block
from needlecoach.errors import BlockError
from needlecoach.marks import MarkOptions, marks_beside
from needlecoach.model import Block, BlockTarget, Marks, Medium, OfBlock

ENDING = ".block.json"
# A stated true diameter that differs from the block's by more is told.
_SIZE_SHARE = 0.1
_MOST_NAMED = 8


def marks_of_clip(clip: Path, options: MarkOptions, *, no_target: bool = False) -> Marks:
    """Marks from the file beside a clip and the command line, with what the block's file tells.

    The block is that of `options`, else the one whose code is marked and whose file CODE.block.json lies
    beside the clip. `no_target` leaves the target out.

    Raises
    ------
    MarksError
        As `marks_beside`.
    BlockError
        When the file of the marked block can't be read, or is of another block.
    """
    marks = marks_beside(clip, options)
    if no_target:
        marks = replace(marks, target=None)
    if options.block is not None:
        return with_block(marks, options.block)
    if marks.block is None:
        return marks
    block = block_beside(clip, marks.block)
    return without_file(marks) if block is None else with_block(marks, block)


def block_beside(clip: Path, code: str) -> Block | None:
    """The block of this code by its file beside a clip; None where there is no such file.

    Raises
    ------
    BlockError
        When the file can't be read, or is of another block.
    """
    path = Path(os.path.abspath(clip)).parent / f"{code}{ENDING}"
    if not os.path.lexists(path):
        return None
    block = read_block(path)
    if block.code != code:
        raise BlockError(f"{path}: is of block {block.code}; name it by its code, or correct the code in it.")
    return block


def blocks_beside(clip: Path) -> tuple[list[Block], list[str]]:
    """All blocks whose files, by their codes, lie beside a clip, and what is wrong with others."""
    blocks, faults = [], []
    for path in sorted(Path(os.path.abspath(clip)).parent.glob(f"*{ENDING}")):
        try:
            block = block_beside(clip, path.name.removesuffix(ENDING))
            blocks += [] if block is None else [block]
        except BlockError as problem:
            faults.append(str(problem))
    return blocks, faults


def with_block(marks: Marks, block: Block) -> Marks:
    """Marks with what a block's file tells; what was marked itself goes before it, and is told to differ."""
    target, notes = _target_of(marks, block)
    medium = block.scanned_medium
    own = marks.medium is not None
    if marks.block not in (None, block.code):
        notes.insert(0, f"The marks name block {marks.block}; the file of block {block.code} was used.")
    notes += [] if target is None else _differences(marks, target, block.code)
    notes += _other_medium(marks.medium, medium, block.code)
    cast_on = None if block.cast_on is None else block.cast_on.isoformat()
    return replace(
        marks,
        block=block.code,
        medium=marks.medium if own else medium,
        target_name=marks.target_name if target is None else target.name,
        target_kind=marks.target_kind or (None if target is None else target.kind or None),
        of_block=OfBlock(cast_on, target, medium is not None and not own, tuple(notes)),
    )


def without_file(marks: Marks) -> Marks:
    """Marks that name a block whose file is not there, with a note that says so."""
    note = (
        f"The marks name block {marks.block}, whose file {marks.block}{ENDING} is not beside the clip: true "
        "sizes and speed of sound were not taken from it. Put it there, or give it with --block."
    )
    return replace(marks, of_block=OfBlock(notes=(note,)))


def _target_of(marks: Marks, block: Block) -> tuple[BlockTarget | None, list[str]]:
    """The marked target in the block, by its name however that is written, and why there is none."""
    if marks.target is None:
        return None, []
    if not marks.target_name:
        if len(block.targets) == 1:
            return block.targets[0], []
        if not block.targets:
            return None, [f"The file of block {block.code} tells of no target."]
        return None, [
            f"Which target of block {block.code} was marked is not said, so its true size was not compared: "
            f"name one of {_names(block)}."
        ]
    name = marks.target_name.casefold()
    alike = [one for one in block.targets if one.name.casefold() == name]
    target = block.target(marks.target_name) or (alike[0] if len(alike) == 1 else None)
    if target is not None:
        return target, []
    has = f"it has {_names(block)}" if block.targets else "it has none"
    return None, [
        f"Block {block.code} has no target {marks.target_name} by its file ({has}), so no true size was "
        "compared."
    ]


def _names(block: Block) -> str:
    names = [one.name for one in block.targets]
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _differences(marks: Marks, target: BlockTarget, code: str) -> Iterator[str]:
    """What was marked of the target and is otherwise in the file."""
    if marks.target_kind and target.kind and marks.target_kind != target.kind:
        yield (
            f"Target {target.name} is marked as {marks.target_kind}, which was used; by the file of block "
            f"{code} it is {target.kind}."
        )
    least_mm, most_mm = target.mean_range_mm
    stated_mm = marks.target_true_mm
    if stated_mm is not None and not (1 - _SIZE_SHARE) * least_mm <= stated_mm <= (1 + _SIZE_SHARE) * most_mm:
        mean = f"{least_mm:.3g}" if least_mm == most_mm else f"{least_mm:.3g} to {most_mm:.3g}"
        yield (
            f"The marks say that target {target.name} is {stated_mm:g} mm across, the file of block {code} "
            f"says {mean} mm. Correct the one that is wrong."
        )


def _other_medium(own: Medium | None, medium: Medium | None, code: str) -> Iterator[str]:
    """Say that the marks' own medium was used where the block's is another."""
    if own is None or medium is None or own == medium:
        return
    # Imported here: reading the command line needs none of it.
    from needlecoach.screen.sound import sound_in

    mine, its = sound_in(own), sound_in(medium)
    yield (
        f"Depths go by the medium of the marks, {mine.speed_m_s:.0f} m/s ({mine.source}); the file of block "
        f"{code} says {its.speed_m_s:.0f} m/s ({its.source})."
    )
