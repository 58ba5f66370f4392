"""Small thin marks beside the ultrasound picture that could be a ruler's ticks."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray
from needlecoach.screen.comb import IntArray

# Grey levels by which a tick stands out of its surround, and the share of the brightest spot beside it.
_LEAST_RISE, _LEAST_SHARE = 20.0, 0.45
# Along the ruler a tick is at most so many px thick, or this share of the screen where that is more.
_THICKEST_PX, _THICKEST_SHARE = 6, 1 / 120
# What is longer than so many thicknesses along it is a spine or a wedge; writing is not, and stays whole.
_LONG_THICK = 5
# Marks up to so many thicknesses high and wide can be digits; a tick that touches them sticks out by some px.
_WRITING_THICK, _WRITING_WIDE, _END_PX = 4, 12, 3
# Across the ruler it is at most this share of the screen long.
_LONGEST_SHARE = 0.12
# With more marks than this there is no quiet surround to read a ruler from.
_MOST_MARKS = 600
# Marks of one ruler share an edge or their middle to within this.
_ALIGNED_PX = 1.3


class TickMarks:
    """Marks thin along y, one row per mark, sorted by y.

    `y_px` and `x_px` are centres of brightness, `left_px` and `right_px` the ends across the ruler, `high_px`
    thicknesses along it, `mass` the brightness summed over the mark; each (n,).
    """

    def __init__(self, image: FloatArray, allowed: BoolArray) -> None:
        """Find the marks of `image` (height, width), bright on dark, where it is `allowed`."""
        thickest = max(_THICKEST_PX, round(_THICKEST_SHARE * min(image.shape)))
        rise = _thin_along_y(image, _LONG_THICK * thickest)
        rise[~allowed] = 0
        lit = (rise > _LEAST_RISE) & (rise > _LEAST_SHARE * cv2.dilate(rise, np.ones((7, 7), np.uint8)))
        _, labels, stats, _ = cv2.connectedComponentsWithStats(lit.astype(np.uint8), connectivity=8)
        wide, high = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
        small = (high <= thickest) & (wide <= _LONGEST_SHARE * image.shape[1])
        small[0] = False
        boxes = np.concatenate([stats[small], _sticking_out(lit, labels, stats, thickest)])
        self.too_many = len(boxes) > _MOST_MARKS
        self._measure(rise, boxes[:0] if self.too_many else boxes)

    def _measure(self, rise: FloatArray, boxes: npt.NDArray[Any]) -> None:
        rows = [_centre(rise, *(int(side) for side in box[:4])) for box in boxes]
        table = np.array(rows, dtype=float).reshape(-1, 3)
        order = np.argsort(table[:, 1], kind="stable")
        self.x_px, self.y_px, self.mass = table[order].T
        left, wide = boxes[order, cv2.CC_STAT_LEFT], boxes[order, cv2.CC_STAT_WIDTH]
        self.left_px, self.right_px = left.astype(float), (left + wide - 1).astype(float)
        self.high_px = boxes[order, cv2.CC_STAT_HEIGHT].astype(float)

    def rows(self) -> Iterator[IntArray]:
        """Groups of four or more marks that lie in line: same left end, same right end, or same middle."""
        seen: set[tuple[int, ...]] = set()
        for key in (self.left_px, self.right_px, (self.left_px + self.right_px) / 2):
            for value in np.unique(np.rint(key * 2) / 2):
                group = np.flatnonzero(np.abs(key - value) <= _ALIGNED_PX)
                if len(group) >= 4 and tuple(group) not in seen:
                    seen.add(tuple(group))
                    yield group


def _sticking_out(
    lit: BoolArray, labels: npt.NDArray[Any], stats: npt.NDArray[Any], thickest: int
) -> npt.NDArray[Any]:
    """Boxes of thin ends of thicker marks, as of a tick that runs into its digits; rows as of `stats`."""
    column = np.ones((thickest + 1, 1), np.uint8)
    thick = cv2.morphologyEx(lit.astype(np.uint8), cv2.MORPH_OPEN, column) > 0
    ends = [np.zeros((0, stats.shape[1]), stats.dtype)]
    for number in np.flatnonzero((stats[:, cv2.CC_STAT_HEIGHT] > thickest)[1:]) + 1:
        left, top, wide, high, _ = stats[number]
        if high > _WRITING_THICK * thickest or wide > _WRITING_WIDE * thickest:
            continue
        own = labels[top : top + high, left : left + wide] == number
        body = np.flatnonzero((own & thick[top : top + high, left : left + wide]).any(axis=0))
        if len(body) == 0:
            continue
        for start, stop in ((0, body[0]), (body[-1] + 1, wide)):
            rows = np.flatnonzero(own[:, start:stop].any(axis=1))
            if stop - start >= _END_PX and np.ptp(rows) < thickest:
                box = (left + start, top + rows[0], stop - start, np.ptp(rows) + 1, 0)
                ends.append(np.array([box], stats.dtype))
    return np.concatenate(ends)


def _thin_along_y(image: FloatArray, size_px: int) -> FloatArray:
    """How far each pixel stands out above all that is longer than `size_px` along y: spines and wedges go."""
    single = image.astype(np.float32)
    return cv2.morphologyEx(single, cv2.MORPH_TOPHAT, np.ones((size_px | 1, 1), np.uint8)).astype(float)


def _centre(rise: FloatArray, left: int, top: int, wide: int, high: int) -> tuple[float, float, float]:
    """Centre of brightness (x, y) of a mark in its box and one pixel above and below, and the brightness."""
    above = max(top - 1, 0)
    cut = rise[above : top + high + 1, left : left + wide]
    mass = float(cut.sum())
    y = float((cut.sum(axis=1) @ np.arange(len(cut))) / mass) + above
    x = float((cut.sum(axis=0) @ np.arange(cut.shape[1])) / mass) + left
    return x, y, mass
