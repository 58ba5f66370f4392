"""The line along which the needle moves, as a function of time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.arcs import Echoes, Pins, fit_arcs, read_bands, shaft_echoes
from needlecoach.tracking.chain import (
    EARLY_TOTAL_MM,
    SHORTEST_TOTAL_MM,
    LinesKept,
    Node,
    chain_lines,
    entries_of,
    lines_of,
    segments,
)
from needlecoach.tracking.changes import Changes


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

    def places(self, along_mm: FloatArray, below_mm: FloatArray | float = 0.0) -> FloatArray:
        """What `points` gives, of all frames at once: (n_frames, k, 2) at distances (n_frames, k)."""
        s = along_mm[..., None]
        n = (below_mm + self.bow_per_mm[:, None] * along_mm**2)[..., None]
        direction, below = self.direction[:, None], self.below[:, None]
        return np.asarray(self.entry[:, None] + (s * direction + n * below) / self.step_mm)

    def chord(self, frame: int, upto_mm: float) -> FloatArray:
        """Direction from the entry to a place along the shaft, (2,)."""
        return np.asarray(self.direction[frame] + self.bow_per_mm[frame] * upto_mm * self.below[frame])

    def away_mm(self, other: Axis, along_mm: float) -> FloatArray:
        """Distance of the places so far along the shaft from those of another axis, (n_frames,)."""
        here, there = (
            axis.entry
            + (along_mm * axis.direction + axis.bow_per_mm[:, None] * along_mm**2 * axis.below) / axis.step_mm
            for axis in (self, other)
        )
        return np.asarray(np.hypot(*(here - there).T) * self.step_mm)

    def reversed(self) -> Axis:
        """The same with time running backwards."""
        return Axis(self.entry[::-1], self.direction[::-1], self.bow_per_mm[::-1], self.step_mm)


@dataclass(frozen=True, eq=False)
class _Part:
    """Frames in which the needle stays about one line, and the echoes seen along it."""

    rows: npt.NDArray[np.intp]
    pivot: FloatArray
    along: FloatArray
    across: FloatArray
    echoes: Echoes

    def pinned(
        self, frames: npt.NDArray[np.intp], places: FloatArray, time_s: FloatArray, step_mm: float
    ) -> _Part:
        """The same with certain echoes at places (k, 2) in those of the frames (k,) that belong to it."""
        mine = np.isin(frames, self.rows)
        off = (places[mine] - self.pivot) * step_mm
        pins = Pins(time_s[frames[mine]], off @ self.along, off @ self.across)
        return replace(self, echoes=self.echoes.pinned(pins)) if mine.any() else self


@dataclass(frozen=True, eq=False)
class AxisEvidence:
    """What was seen of the needle's axis over a clip, from which it is fitted."""

    parts: tuple[_Part, ...]
    time_s: FloatArray
    mask: BoolArray
    step_mm: float

    @classmethod
    def of_line(cls, points: FloatArray, time_s: FloatArray, mask: BoolArray, step_mm: float) -> AxisEvidence:
        """Evidence of a straight line through points (n >= 2, 2) in working pixels, in all frames alike."""
        pivot = points.mean(axis=0)
        along = np.linalg.svd(points - pivot)[2][0]
        along = -along if along[1] < 0 else along
        rows = np.arange(len(time_s))
        part = _Part(rows, pivot, along, _across(along), Echoes.none())
        return cls((part,), time_s, mask, step_mm)

    def pinned(self, frames: npt.NDArray[np.intp], places: FloatArray) -> AxisEvidence:
        """The same evidence with places (k, 2) through which the shaft is known to pass in frames (k,)."""
        parts = [part.pinned(frames, places, self.time_s, self.step_mm) for part in self.parts]
        return replace(self, parts=tuple(parts))

    def fit(self, reach_mm: FloatArray | None = None) -> Axis:
        """Fit the axis of every frame.

        Parameters
        ----------
        reach_mm : (n_frames,), optional
            How far from the entry the needle reaches at most, as far as that is known, else NaN: echoes
            beyond are none of it.
        """
        n = len(self.time_s)
        entry, direction, bow = np.zeros((n, 2)), np.zeros((n, 2)), np.zeros(n)
        for part in self.parts:
            times, rows = self.time_s[part.rows], part.rows
            echoes = part.echoes if reach_mm is None else part.echoes.upto(reach_mm[rows], times)
            level, slope, bow[rows] = fit_arcs(echoes, times)
            along = part.along + slope[:, None] * part.across
            direction[rows] = along / np.linalg.norm(along, axis=1, keepdims=True)
            on_line = part.pivot + level[:, None] / self.step_mm * part.across
            found = entries_of(on_line, direction[rows], self.mask)
            entry[rows] = np.where(np.isnan(found), on_line, found)
        return Axis(entry, direction, bow, self.step_mm)


def find_axis(
    pictures: Sequence[GreyImage],
    changes: Changes,
    frame_time_s: FloatArray,
    *,
    depth_share: FloatArray,
    step_mm: float,
    pick: Callable[[list[Node]], list[Node]] = list,
    kept: LinesKept | None = None,
) -> AxisEvidence | None:
    """Find the evidence for the needle's axis over a clip; `pick` may choose among the candidate lines.

    Lines `kept` from an earlier look at the same pictures are not looked for again.

    Returns
    -------
    AxisEvidence or None
        None when no line enters from an edge, stands out against its own past and future, and lasts.
    """
    lines = pick(lines_of(changes, depth_share, step_mm, kept))
    chain = chain_lines(lines, changes.time_s, step_mm)
    stretches = segments(chain, step_mm, SHORTEST_TOTAL_MM if changes.hindsight else EARLY_TOTAL_MM)
    if not stretches:
        return None
    ends = [changes.time_s[stretch[-1].block] for stretch in stretches]
    starts = [changes.time_s[stretch[0].block] for stretch in stretches]
    cuts = [-np.inf, *[(a + b) / 2 for a, b in zip(ends[:-1], starts[1:], strict=True)], np.inf]
    parts = []
    for stretch, from_s, to_s in zip(stretches, cuts[:-1], cuts[1:], strict=True):
        rows = np.flatnonzero((frame_time_s >= from_s) & (frame_time_s < to_s))
        if rows.size:
            parts.append(_part(stretch, pictures, changes, frame_time_s, rows, step_mm))
    return AxisEvidence(tuple(parts), frame_time_s, changes.mask, step_mm)


def _part(
    stretch: Sequence[Node],
    pictures: Sequence[GreyImage],
    changes: Changes,
    frame_time_s: FloatArray,
    rows: npt.NDArray[np.intp],
    step_mm: float,
) -> _Part:
    """Find the first echoes along one stretch of the chain."""
    weight = np.array([max(node.reward, 0.1) for node in stretch])
    along = np.average([node.line.direction for node in stretch], axis=0, weights=weight)
    along /= np.hypot(*along)
    pivot = np.average([node.entry for node in stretch], axis=0, weights=weight)
    across = _across(along)
    frame = pivot, along, across
    bands = read_bands(stretch, pictures, changes, frame_time_s, rows, frame, step_mm)
    return _Part(rows, pivot, along, across, shaft_echoes(bands, frame, step_mm))


def _across(along: FloatArray) -> FloatArray:
    """Unit vector across a line, (2,), pointing down the picture."""
    return np.array([-along[1], along[0]]) if along[0] >= 0 else np.array([along[1], -along[0]])
