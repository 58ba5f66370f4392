"""What the marking page shows of blocks: those there are, and what their files say of the marks it holds."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from needlecoach.blockuse import with_block
from needlecoach.errors import MarksError
from needlecoach.marks import marks_from_json
from needlecoach.model import Block, BlockTarget, Scale
from needlecoach.review.refusal import RefusalError
from needlecoach.screen.size import check_size, size_notes
from needlecoach.screen.sound import sound_in


def blocks_view(given: Block | None, beside: Sequence[Block]) -> dict[str, Any]:
    """Blocks as values that JSON can hold: the one that was given, if one was, and those beside the clip."""
    there = {one.code for one in beside}
    known = ([] if given is None else [given]) + [
        one for one in beside if given is None or one.code != given.code
    ]
    return {
        "given": None if given is None else given.code,
        "blocks": [_block_view(one, beside=one.code in there) for one in known],
    }


def notes_of(marks: object, blocks: Sequence[Block], mm_per_px: tuple[float, float] | None) -> list[str]:
    """What scoring will say of marks and the block that they name, in sentences; none where it is not known.

    Parameters
    ----------
    marks : as the page holds them
    blocks : those that are known, the first of a code counts
    mm_per_px : of the picture along x and y; None while there is no scale

    Raises
    ------
    RefusalError
        422 when the marks are impossible.

    Notes
    -----
    Sound is taken to run straight down, which in a sector holds for its middle alone: there the extents may
    differ a little from those that scoring finds.
    """
    try:
        told = marks_from_json(json.dumps(marks)).to_marks()
        block = next((one for one in blocks if one.code == told.block), None)
        if block is None:
            return []
        told = with_block(told, block)
        assert told.of_block is not None
        notes = told.of_block.notes
        if mm_per_px is None:
            return list(notes)
        scale = Scale.from_mm_per_px(*mm_per_px)
        stretch = 1.0 if told.medium is None else sound_in(told.medium).stretch
        down = replace(scale, y_mm_per_px=scale.y_mm_per_px * stretch)
        return [*notes, *size_notes(check_size(told, told.target, down))]
    except MarksError as problem:
        raise RefusalError(422, str(problem)) from problem


def _block_view(block: Block, *, beside: bool) -> dict[str, Any]:
    """A block with its targets; `beside` tells whether its file lies beside the clip."""
    sound = None if block.scanned_medium is None else sound_in(block.scanned_medium)
    return {
        "code": block.code,
        "cast_on": None if block.cast_on is None else block.cast_on.isoformat(),
        "beside": beside,
        "sound": None if sound is None else f"{sound.speed_m_s:.0f} m/s",
        "targets": [_target_view(one) for one in block.targets],
    }


def _target_view(target: BlockTarget) -> dict[str, Any]:
    return {
        "name": target.name,
        "kind": target.kind,
        "shape": target.shape,
        "size_mm": list(target.size_mm),
    }
