"""Lines of blocks are kept from look to look, and let go of in time; invented data."""

from __future__ import annotations

import numpy as np

from needlecoach.finding.candidates import Line
from needlecoach.tracking.chain import LinesKept, Node

PER_BLOCK = 5


def node(block: int, support_mm: float = 8.0) -> Node:
    return Node(block, Line(0.0, 10.0, support_mm), np.zeros(2), np.ones(2), support_mm - 1)


def looked(kept: LinesKept, first: int, end: int) -> list[float | None]:
    """A look at frames from `first` to `end`: the support that was kept of each block, None where none was.

    A block's support tells where it was found: its first frame, and a thousandth for each frame looked at.
    """
    numbers = list(range(first, end))
    block_of = (np.array(numbers) - first) // PER_BLOCK
    kept.begin(numbers)
    kept.lay(block_of)
    found = []
    for block in range(int(block_of[-1]) + 1):
        lines = kept.lines(block)
        found.append(None if lines is None else lines[0].line.support_mm)
        if lines is None:
            kept.keep(block, [node(block, first + block * PER_BLOCK + end / 1000)])
        else:
            assert [one.block for one in lines] == [block]
    return found


def test_a_block_is_looked_at_twice_before_it_is_kept() -> None:
    """The second time all that is near it is complete."""
    kept = LinesKept()

    assert looked(kept, 0, 30) == [None] * 6
    # Block 1 and its neighbours were looked at before; of block 5 and on nothing was complete then.
    assert looked(kept, 0, 35) == [None] * 7
    third = looked(kept, 0, 40)
    assert third[1:5] == [5.035, 10.035, 15.035, 20.035]
    assert third[0] is None and third[5:] == [None] * 3


def test_a_block_whose_neighbour_grew_is_looked_at_anew() -> None:
    """The last block of a look is not complete: what is found beside it may change."""
    kept = LinesKept()
    for end in (28, 33, 38):
        found = looked(kept, 0, end)

    assert found[1:4] == [5.033, 10.033, 15.033]
    assert found[4:] == [None] * 4


def test_kept_lines_are_known_by_their_frames_not_by_their_place() -> None:
    """Once the first frames are let go of, the same blocks have other numbers."""
    kept = LinesKept()
    for end in (30, 35):
        looked(kept, 0, end)

    assert looked(kept, 5, 40)[:4] == [None, 10.035, 15.035, 20.035]


def test_what_is_no_longer_looked_at_is_let_go() -> None:
    kept = LinesKept()
    for end in (30, 35):
        looked(kept, 0, end)
    looked(kept, 60, 90)

    assert looked(kept, 0, 35) == [None] * 7
