"""Lines that follow one another in time: which line of each block of frames belongs to the needle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.finding.candidates import FAINTEST_RIDGE_GREY, Line, find_lines
from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.changes import Changes, single

ENTRY_STEP_PX = 0.5
# Which line it is shows in coarser pixels too, for a quarter of the work; where exactly is read later. Means
# of four pixels hold less coding noise.
COARSEST_MM = 0.4
COARSE_FAINTEST_GREY = 1.0
LEVER_MM = 20.0
LONGEST_GAP_S = 4.0
# All costs are in the currency of supported length, mm.
SHORTEST_SUPPORT_MM = 1.0
SUPPORT_CAP_MM = 30.0
JUMP_COST_PER_MM = 1.5
JUMP_COST_CAP = 15.0
GAP_COST_PER_BLOCK = 0.3
NEW_CHAIN_COST = 15.0
ENTRY_REACH_MM = 10.0
# A needle goes in beside the probe: it comes into the picture through the upper part of a side, or from
# above.
DEEPEST_ENTRY = 0.6
SAME_AXIS_MM = 10.0
# A needle that comes in right now has had little time: that it moves like one is asked of it all the same.
SHORTEST_TOTAL_MM, EARLY_TOTAL_MM = 12.0, 5.0


def entries_of(points: FloatArray, along: FloatArray, mask: BoolArray) -> FloatArray:
    """Points where lines enter the region from above, (n, 2) in working pixels; NaN where they miss it.

    Parameters
    ----------
    points, along : (n, 2)
        A point of every line, and its unit vector.
    """
    down = np.where(along[:, 1:] < 0, -along, along)
    limits = np.array([[-0.5, -0.5], mask.shape[::-1]]) - [[0.0], [0.5]]
    with np.errstate(divide="ignore", invalid="ignore"):
        crossings = (limits[:, None, :] - points) / down
    low = np.fmax.reduce(np.fmin.reduce(crossings, axis=0), axis=1)
    high = np.fmin.reduce(np.fmax.reduce(crossings, axis=0), axis=1)
    steps = low[:, None] + np.arange(0, max(float((high - low).max()), 1.0), ENTRY_STEP_PX)
    places = points[:, None, :] + steps[..., None] * down[:, None, :]
    column, row = np.moveaxis(np.rint(places).astype(np.intp), -1, 0)
    height, width = mask.shape
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    inside[inside] = mask[row[inside], column[inside]]
    entries = places[np.arange(len(points)), inside.argmax(axis=1)]
    return np.asarray(np.where(inside.any(axis=1)[:, None], entries, np.nan))


def line_entries(lines: Sequence[Line], mask: BoolArray) -> FloatArray:
    """Points where lines enter the region, (n, 2); NaN where they miss it."""
    if not lines:
        return np.zeros((0, 2))
    feet = [line.offset_px * np.array([np.cos(line.normal_rad), np.sin(line.normal_rad)]) for line in lines]
    return entries_of(np.array(feet), np.array([line.direction for line in lines]), mask)


@dataclass(frozen=True)
class Node:
    """A candidate line in one block of frames: where it enters, a second point of it, what it is worth."""

    block: int
    line: Line
    entry: FloatArray
    lever: FloatArray
    reward: float


class LinesKept:
    """Lines of blocks that were looked at before: what comes later changes little in them.

    A block is kept once the blocks beside it are complete and it was looked at for the second time: by then
    it is known where the needle was.
    """

    def __init__(self) -> None:
        self._numbers: Sequence[int] = ()
        self._looked_at = -1
        self._keys: list[tuple[int, int]] = []
        self._lines: dict[tuple[int, int], list[Node]] = {}

    def begin(self, numbers: Sequence[int]) -> None:
        """Begin a look at the frames of these numbers, which rise from look to look."""
        self._looked_at = self._numbers[-1] if self._numbers else -1
        self._numbers = list(numbers)

    def lay(self, block_of: npt.NDArray[np.intp]) -> None:
        """Say which block each of the frames is in; what is kept of others is let go."""
        blocks = np.arange(int(block_of[-1]) + 1)
        first = np.searchsorted(block_of, blocks - 1)
        last = np.searchsorted(block_of, blocks + 1, side="right") - 1
        self._keys = [(self._numbers[i], self._numbers[j]) for i, j in zip(first, last, strict=True)]
        self._lines = {key: self._lines[key] for key in self._keys if key in self._lines}

    def lines(self, block: int) -> list[Node] | None:
        """The lines of a block; None where they must be looked for."""
        known = self._lines.get(self._keys[block])
        return None if known is None else [replace(node, block=block) for node in known]

    def keep(self, block: int, nodes: list[Node]) -> None:
        """Keep the lines of a block if no more will change in it."""
        if 0 < block < len(self._keys) - 2 and self._keys[block][1] <= self._looked_at:
            self._lines[self._keys[block]] = nodes


def lines_of(
    changes: Changes, depth_share: FloatArray, step_mm: float, kept: LinesKept | None = None
) -> list[Node]:
    """Candidate lines of every block that come in from an edge; those `kept` are not looked for again."""
    nodes: list[Node] = []
    if kept is not None:
        kept.lay(changes.block_of)
    times = max(1, int(COARSEST_MM / step_mm))
    faintest_grey = COARSE_FAINTEST_GREY if times > 1 else FAINTEST_RIDGE_GREY
    mask = _shrunk(changes.mask.astype(np.float32), times) == 1
    for block, picture in enumerate(changes.pictures):
        if kept is not None and (known := kept.lines(block)) is not None:
            nodes += known
            continue
        here = len(nodes)
        coarse = _shrunk(single(picture), times)
        found = find_lines(coarse, step_mm=times * step_mm, mask=mask, count=8, faintest_grey=faintest_grey)
        lines = [line.enlarged(times) for line in found]
        for line, entry in zip(lines, line_entries(lines, changes.mask), strict=True):
            if line.support_mm < SHORTEST_SUPPORT_MM or np.isnan(entry).any():
                continue
            column, row = np.rint(entry).astype(np.intp)
            if depth_share[row, column] > DEEPEST_ENTRY:
                continue
            # A needle comes in from the edge: a line that begins in mid-picture is worth less the further in.
            gap_mm = max(0.0, float((line.first_px - entry) @ line.direction)) * step_mm
            worth = min(line.support_mm, SUPPORT_CAP_MM) * np.exp(-gap_mm / ENTRY_REACH_MM)
            lever = entry + line.direction * LEVER_MM / step_mm
            nodes.append(Node(block, line, entry, lever, float(worth) - SHORTEST_SUPPORT_MM))
        if kept is not None:
            kept.keep(block, nodes[here:])
    return nodes


def _shrunk(picture: npt.NDArray[np.float32], times: int) -> npt.NDArray[np.float32]:
    """Means of squares of so many pixels; what is left at the right and below is left out."""
    height, width = (size // times for size in picture.shape)
    cut, how = picture[: height * times, : width * times], cv2.INTER_AREA
    return np.asarray(cv2.resize(cut, (width, height), interpolation=how), dtype=np.float32)


def jump_mm(node: Node, others: Sequence[Node], step_mm: float) -> FloatArray:
    """How far a line lies from others at their entries and a lever's length in, shape (n_others,)."""
    points = np.array([(other.entry, other.lever) for other in others])
    return np.asarray(np.abs(node.line.distance_px(points)).mean(axis=1) * step_mm)


def chain_lines(nodes: Sequence[Node], time_s: FloatArray, step_mm: float) -> list[Node]:
    """Choose at most one line per block by dynamic programming: long support, small jumps, few gaps."""
    best = np.zeros(len(nodes))
    before = np.full(len(nodes), -1)
    block_of = np.array([node.block for node in nodes], dtype=int)
    champion = (0.0, -1)  # best chain that ends before the block in hand
    for block in np.unique(block_of).tolist():
        recent = np.flatnonzero((block_of < block) & (time_s[block] - time_s[block_of] <= LONGEST_GAP_S))
        gaps = GAP_COST_PER_BLOCK * (block - block_of[recent] - 1)
        now = champion
        for i in np.flatnonzero(block_of == block).tolist():
            value, before[i] = 0.0, -1
            if champion[1] >= 0 and champion[0] > NEW_CHAIN_COST:
                value, before[i] = champion[0] - NEW_CHAIN_COST, champion[1]
            if recent.size:
                jumps = JUMP_COST_PER_MM * jump_mm(nodes[i], [nodes[j] for j in recent.tolist()], step_mm)
                carried = best[recent] - np.minimum(jumps, JUMP_COST_CAP) - gaps
                if carried.max() > value:
                    value, before[i] = float(carried.max()), recent[np.argmax(carried)]
            best[i] = value + nodes[i].reward
            if best[i] > now[0]:
                now = (float(best[i]), i)
        champion = now
    chosen = []
    i = champion[1]
    while i >= 0:
        chosen.append(nodes[i])
        i = int(before[i])
    return chosen[::-1]


def segments(
    chain: Sequence[Node], step_mm: float, shortest_mm: float = SHORTEST_TOTAL_MM
) -> list[list[Node]]:
    """Cut a chain where the line jumps to another place altogether; parts worth less are left out."""
    parts: list[list[Node]] = []
    for node in chain:
        if parts and jump_mm(node, parts[-1][-1:], step_mm)[0] < SAME_AXIS_MM:
            parts[-1].append(node)
        else:
            parts.append([node])
    # A lone line between two segments is a stray, not a needle.
    return [part for part in parts if sum(node.reward for node in part) > shortest_mm]
