"""The line along which the needle moves, as a function of time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.finding.candidates import Line, find_lines
from needlecoach.model import BoolArray, FloatArray
from needlecoach.tracking.changes import Changes

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


@dataclass(frozen=True, eq=False)
class Axis:
    """Shaft of every frame: a line, or a slight arc, from the edge of the picture into it.

    `entry` and `direction` (pointing inwards) have shape (n_frames, 2), in working pixels; `bow_per_mm`
    (n_frames,) is the arc's deviation below the line over the square of the distance from the entry.
    """

    entry: FloatArray
    direction: FloatArray
    bow_per_mm: FloatArray
    step_mm: float

    @cached_property
    def below(self) -> FloatArray:
        """Unit vectors across the axis, pointing down the picture, shape (n_frames, 2)."""
        across = np.stack([-self.direction[:, 1], self.direction[:, 0]], axis=1)
        return across * np.where(across[:, 1:] < 0, -1.0, 1.0)

    def points(self, frame: int, along_mm: npt.ArrayLike, below_mm: npt.ArrayLike = 0.0) -> FloatArray:
        """Working-pixel points at a distance from the entry along the shaft and below it, shape (..., 2)."""
        s = np.asarray(along_mm, dtype=float)[..., None]
        n = np.asarray(below_mm, dtype=float)[..., None] + self.bow_per_mm[frame] * s**2
        places = self.entry[frame] + (s * self.direction[frame] + n * self.below[frame]) / self.step_mm
        return np.asarray(places)

    def slope_deg(self, frame: int, upto_mm: float) -> float:
        """Acute angle to the picture's horizontal of the chord from the entry to a place along the shaft."""
        chord = self.direction[frame] + self.bow_per_mm[frame] * upto_mm * self.below[frame]
        return float(np.degrees(np.arctan2(abs(chord[1]), abs(chord[0]))))

    def reversed(self) -> Axis:
        """The same with time running backwards."""
        return Axis(self.entry[::-1], self.direction[::-1], self.bow_per_mm[::-1], self.step_mm)


def entry_of(line: Line, mask: BoolArray) -> FloatArray | None:
    """Point where a line enters the region from above, (2,) in working pixels; None when it misses it."""
    height, width = mask.shape
    along = line.direction
    foot = line.offset_px * np.array([np.cos(line.normal_rad), np.sin(line.normal_rad)])
    reach = np.hypot(height, width)
    points = foot + np.arange(-2 * reach, 2 * reach, 0.5)[:, None] * along
    near = np.rint(points).astype(np.intp)
    inside = (near[:, 0] >= 0) & (near[:, 0] < width) & (near[:, 1] >= 0) & (near[:, 1] < height)
    inside[inside] = mask[near[inside, 1], near[inside, 0]]
    first = int(np.argmax(inside))
    return np.asarray(points[first]) if inside[first] else None


@dataclass(frozen=True)
class _Node:
    """A candidate line in one block of frames."""

    block: int
    line: Line
    entry: FloatArray
    lever: FloatArray
    reward: float


def _nodes(changes: Changes, depth_share: FloatArray, step_mm: float) -> list[_Node]:
    nodes = []
    for block, picture in enumerate(changes.pictures):
        for line in find_lines(picture, step_mm=step_mm, mask=changes.mask, count=8):
            entry = entry_of(line, changes.mask)
            if line.support_mm < SHORTEST_SUPPORT_MM or entry is None:
                continue
            column, row = np.rint(entry).astype(np.intp)
            if depth_share[row, column] > DEEPEST_ENTRY:
                continue
            # A needle comes in from the edge: a line that begins in mid-picture is worth less the further in.
            gap_mm = max(0.0, float((line.first_px - entry) @ line.direction)) * step_mm
            worth = min(line.support_mm, SUPPORT_CAP_MM) * np.exp(-gap_mm / ENTRY_REACH_MM)
            lever = entry + line.direction * LEVER_MM / step_mm
            nodes.append(_Node(block, line, entry, lever, float(worth) - SHORTEST_SUPPORT_MM))
    return nodes


def _jump_mm(node: _Node, others: Sequence[_Node], step_mm: float) -> FloatArray:
    """How far a line lies from others at their entries and a lever's length in, shape (n_others,)."""
    points = np.array([(other.entry, other.lever) for other in others])
    return np.asarray(np.abs(node.line.distance_px(points)).mean(axis=1) * step_mm)


def chain_lines(nodes: Sequence[_Node], time_s: FloatArray, step_mm: float) -> list[_Node]:
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
                jumps = JUMP_COST_PER_MM * _jump_mm(nodes[i], [nodes[j] for j in recent.tolist()], step_mm)
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


def _segments(chain: Sequence[_Node], step_mm: float) -> list[list[_Node]]:
    """Cut a chain where the line jumps to another place altogether."""
    parts: list[list[_Node]] = []
    for node in chain:
        if parts and _jump_mm(node, parts[-1][-1:], step_mm)[0] < SAME_AXIS_MM:
            parts[-1].append(node)
        else:
            parts.append([node])
    # A lone line between two segments is a stray, not a needle.
    return [part for part in parts if sum(node.reward for node in part) > SHORTEST_TOTAL_MM]


SHORTEST_TOTAL_MM = 12.0
BAND_MM = 5.0
SAMPLE_MM = 0.3
FIRST_ECHO_SHARE = 0.5
FIRST_ECHO_FLOOR = 8.0
RESIDUAL_MM = 0.4
SMOOTH_S = 0.25
FAR_SMOOTH_S = 1.5
FAR_SHARE = 0.02
# A needle bends by about a millimetre over 40 mm.
BOW_SD_PER_MM = 1 / 40**2


def find_axis(
    changes: Changes, frame_time_s: FloatArray, *, depth_share: FloatArray, step_mm: float
) -> Axis | None:
    """Find the needle's axis over a clip.

    Returns
    -------
    Axis or None
        None when no line enters from an edge, stands out against its own past and future, and lasts.
    """
    chain = chain_lines(_nodes(changes, depth_share, step_mm), changes.time_s, step_mm)
    segments = _segments(chain, step_mm)
    if not segments:
        return None
    n = len(frame_time_s)
    entry, direction, bow = np.zeros((n, 2)), np.zeros((n, 2)), np.zeros(n)
    ends = [changes.time_s[part[-1].block] for part in segments]
    starts = [changes.time_s[part[0].block] for part in segments]
    cuts = [-np.inf, *[(a + b) / 2 for a, b in zip(ends[:-1], starts[1:], strict=True)], np.inf]
    for part, from_s, to_s in zip(segments, cuts[:-1], cuts[1:], strict=True):
        rows = np.flatnonzero((frame_time_s >= from_s) & (frame_time_s < to_s))
        if rows.size:
            fitted = _follow(part, changes, frame_time_s[rows], step_mm)
            entry[rows], direction[rows] = fitted.entry, fitted.direction
            bow[rows] = fitted.bow_per_mm
    return Axis(entry, direction, bow, step_mm)


def _follow(part: Sequence[_Node], changes: Changes, frame_time_s: FloatArray, step_mm: float) -> Axis:
    """Fit the first echoes along one segment of the chain and read the shaft off for every frame."""
    weight = np.array([max(node.reward, 0.1) for node in part])
    along = np.average([node.line.direction for node in part], axis=0, weights=weight)
    along /= np.hypot(*along)
    pivot = np.average([node.entry for node in part], axis=0, weights=weight)
    across = np.array([-along[1], along[0]]) if along[0] >= 0 else np.array([along[1], -along[0]])
    moments = _echo_moments(part, changes, (pivot, along, across), step_mm)
    time_s = np.array([changes.time_s[node.block] for node in part])
    held = np.clip(frame_time_s, time_s[0], time_s[-1])
    level, slope, bow = _solve_arcs(moments, time_s, held)
    direction = along + slope[:, None] * across
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    on_line = pivot + level[:, None] / step_mm * across
    entry = np.empty_like(on_line)
    for i in range(len(held)):
        normal = np.array([-direction[i, 1], direction[i, 0]])
        line = Line(float(np.arctan2(normal[1], normal[0])), float(normal @ on_line[i]), 0.0)
        found = entry_of(line, changes.mask)
        entry[i] = on_line[i] if found is None else found
    return Axis(entry, direction, bow, step_mm)


def _echo_moments(
    part: Sequence[_Node], changes: Changes, frame: tuple[FloatArray, FloatArray, FloatArray], step_mm: float
) -> FloatArray:
    """Sums for fitting n = a + b s + c s^2 to the first echoes of each block, shape (n, 8), in mm.

    The first echo, counted from above, is the shaft; what lies below it are copies drawn by reverberation.
    """
    pivot, along, across = frame
    offsets = np.arange(-BAND_MM, BAND_MM + 1e-9, step_mm)
    moments = np.zeros((len(part), 8))
    for row, node in enumerate(part):
        reach = float((np.asarray(node.line.last_px) - pivot) @ along) * step_mm + 2
        s = np.arange(0, max(reach, 3.0), SAMPLE_MM)
        centre = node.entry + s[:, None] / step_mm * node.line.direction
        points = centre[:, None, :] + offsets[None, :, None] / step_mm * across
        raw = cv2.remap(
            changes.pictures[node.block],
            points[..., 0].astype(np.float32),
            points[..., 1].astype(np.float32),
            cv2.INTER_LINEAR,
        )
        band: npt.NDArray[np.float32] = np.asarray(cv2.GaussianBlur(raw, (1, 5), 0), dtype=np.float32)
        peak = band.max(axis=1)
        level = max(FIRST_ECHO_FLOOR, FIRST_ECHO_SHARE * float(np.percentile(peak, 75)))
        n_mm, ok = _first_peak(
            band, np.minimum(level, np.maximum(FIRST_ECHO_SHARE * peak, FIRST_ECHO_FLOOR)), offsets
        )
        if np.count_nonzero(ok) < 4:
            continue
        at = centre[ok] + n_mm[ok, None] / step_mm * across - pivot
        moments[row] = _robust_moments(at @ along * step_mm, at @ across * step_mm)
    return moments


def _first_peak(
    band: npt.NDArray[np.float32], level: FloatArray, offsets_mm: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Offset of the first local peak above a level in every row of a band, and whether there is one."""
    inner = band[:, 1:-1]
    top = (inner >= band[:, :-2]) & (inner > band[:, 2:]) & (inner >= level[:, None])
    ok = np.asarray(top.any(axis=1))
    column = np.argmax(top, axis=1) + 1
    row = np.arange(len(band))
    left, mid, right = band[row, column - 1], band[row, column], band[row, column + 1]
    curve = left - 2 * mid + right
    shift = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, -1), 0)
    return offsets_mm[column] + np.clip(shift, -0.5, 0.5) * (offsets_mm[1] - offsets_mm[0]), ok


def _robust_moments(s: FloatArray, n: FloatArray) -> FloatArray:
    """Weighted sums (1, s, s^2, s^3, s^4, n, sn, s^2 n) of points about their own robust arc."""
    # Theil-Sen start: up to half of the first echoes may be stray without moving it.
    i, j = np.triu_indices(len(s), max(1, len(s) // 3))
    steep = float(np.median((n[j] - n[i]) / (s[j] - s[i] + 1e-9))) if len(i) else 0.0
    fitted = np.median(n - steep * s) + steep * s
    powers = np.stack([s**k for k in range(5)])
    for _ in range(4):
        w = 1 / (1 + ((n - fitted) / RESIDUAL_MM) ** 2) ** 2
        sums = np.concatenate([powers @ w, powers[:3] @ (w * n)])
        level, slope, bow = _solve_sums(sums[None])
        fitted = level[0] + slope[0] * s + bow[0] * s**2
    return sums


def _solve_sums(sums: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Level, slope and bow of the arcs that fit sums (n, 8) best, a bow costing what it is unlikely to be."""
    design = sums[:, [0, 1, 2, 1, 2, 3, 2, 3, 4]].reshape(-1, 3, 3).copy()
    design[:, 2, 2] += (RESIDUAL_MM / BOW_SD_PER_MM) ** 2
    design[:, 1, 1] += 1e-3
    design[:, 0, 0] += 1e-6
    level, slope, bow = np.linalg.solve(design, sums[:, 5:, None])[..., 0].T
    return level, slope, bow


def _solve_arcs(
    moments: FloatArray, time_s: FloatArray, at_s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Level (mm), slope and bow of the shaft at given times, from the sums of blocks close in time.

    Blocks far in time count little, but enough to hold the shaft where the near ones show too short a
    stretch.
    """
    gap = at_s[:, None] - time_s[None, :]
    kernel = (
        np.exp(-0.5 * (gap / SMOOTH_S) ** 2) + FAR_SHARE * np.exp(-0.5 * (gap / FAR_SMOOTH_S) ** 2) + 1e-6
    )
    return _solve_sums(kernel @ moments)
