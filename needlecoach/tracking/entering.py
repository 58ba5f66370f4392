"""A needle that is just coming in: what grows from the picture's edge, told from picture to picture."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.axis import Axis
from needlecoach.tracking.chain import DEEPEST_ENTRY, entries_of
from needlecoach.tracking.changes import without_rim
from needlecoach.tracking.drift import moved
from needlecoach.tracking.plane import Plane

# Pictures are looked at in pixels of about half a needle's width.
PIXEL_MM, BLUR_PX = 0.3, 0.7
# New is what is brighter than any look of its place in all of so long before, a needle's way in before now.
NEW_S, KEPT_S = 0.45, 1.5
BLOCK_S, FEWEST_BLOCKS = 0.15, 2
# Where a picture has slid by more than this since, its rim shows what lay beyond it, which is new as well.
SLID_MM = 1.0
# By at least so many greys, and so many times what other places are brighter by than ever before.
NEW_GREY, NOISE_PERCENTILE, NEW_TIMES = 14.0, 95, 2.0
# A needle's look: long, begun at the edge, and all of what is new but for this share, copies included.
SHORT_MM, LONG_MM, EDGE_MM, FARTHEST_MM = 1.0, 2.0, 1.5, 14.0
LEAST_SHARE, COPIES_MM = 0.6, 1.5
# Of one direction for certain (0 in all directions alike, 1 in one); of parallel lines the first that is at
# least so bright, compared with the brightest; so much to either side of it belongs to it.
LEAST_CLEAR, FIRST_SHARE, HALF_WIDTH_MM = 0.3, 0.5, 0.6
# It grows: over so long, in at least so many pictures, by so much.
GROWTH_S, FEWEST, GROWN_MM, SHRUNK_MM = 0.4, 3, 1.0, 0.5
SAME_MM = 1.5


@dataclass(frozen=True, eq=False)
class Entering:
    """A needle that has just come in: its axis (one row), how far in it is, and the last look without it."""

    axis: Axis
    reach_mm: float
    past: GreyImage


@dataclass(frozen=True, eq=False)
class _Streak:
    """Something long and thin that is new: its line, and how far from the edge it begins and ends."""

    time_s: float
    entry: FloatArray
    direction: FloatArray
    near_mm: float
    far_mm: float

    def like(self, other: _Streak, step_mm: float) -> bool:
        """Whether both lie on one line, as far as the shorter goes."""
        reach = min(self.far_mm, other.far_mm) / step_mm * np.array([[0.5], [1.0]])
        off = self.entry + reach * self.direction - other.entry - reach * other.direction
        across = off @ np.array([-self.direction[1], self.direction[0]])
        return bool(np.abs(across).max() * step_mm < SAME_MM)


@dataclass(frozen=True, eq=False)
class _Block:
    """Pictures on end: the brightest look of every place, shrunk, and the last of them."""

    start_s: float
    end_s: float
    most: npt.NDArray[np.float32]
    picture: GreyImage
    drift: FloatArray


class EntryWatch:
    """Watches the picture's edge while no needle is in."""

    def __init__(self, plane: Plane) -> None:
        self._step_mm, self._times = plane.step_mm, max(1, round(PIXEL_MM / plane.step_mm))
        self._inside = without_rim(plane.mask, plane.step_mm)
        self._pixel_mm = self._times * self._step_mm
        self._small_inside = self._shrunk(self._inside.astype(np.float32)) == 1
        self._some = np.zeros_like(self._small_inside)
        self._some[::3, ::3] = self._small_inside[::3, ::3]
        self._depth_share = plane.depth_share
        self._corners = np.array(plane.size)[None] * [[0, 0], [0, 1], [1, 0], [1, 1]]
        self._blocks: deque[_Block] = deque()
        self._latest: npt.NDArray[np.float32] | None = None
        self._streaks: deque[_Streak] = deque()

    def begin_anew(self) -> None:
        """Forget what was: a needle is in, or was until now."""
        self._blocks.clear()
        self._streaks.clear()
        self._latest = None

    def see(self, picture: GreyImage, drift: FloatArray, time_s: float) -> Entering | None:
        """Look at the next steadied picture and its drift (3,); a needle if one is coming in."""
        small = np.asarray(cv2.GaussianBlur(self._shrunk(picture), (0, 0), BLUR_PX), dtype=np.float32)
        fresh = small if self._latest is None else cv2.addWeighted(small, 0.5, self._latest, 0.5, 0.0)
        self._latest = small
        known = [one for one in self._blocks if one.end_s <= time_s - NEW_S and self._near(one.drift, drift)]
        found = None
        if len(known) >= FEWEST_BLOCKS:
            past = cv2.dilate(np.maximum.reduce([one.most for one in known]), np.ones((3, 3), np.uint8))
            excess = np.asarray(cv2.subtract(fresh, past), dtype=np.float32)
            found = self._grown(self._streak(excess, time_s), known[-1].picture)
        self._keep(_Block(time_s, time_s, small, picture, drift))
        return found

    def _near(self, drift: FloatArray, other: FloatArray) -> bool:
        """Whether the picture lies much as it did, at all of its corners."""
        off = np.abs(moved(self._corners, drift) - moved(self._corners, other))
        return bool(off.max() * self._step_mm <= SLID_MM)

    def _shrunk(self, picture: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
        height, width = (size // self._times for size in picture.shape)
        cut = picture[: height * self._times, : width * self._times]
        return np.asarray(cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)

    def _keep(self, new: _Block) -> None:
        """Keep the brightest look of every place, block by block of time."""
        if self._blocks and new.end_s - self._blocks[-1].start_s < BLOCK_S:
            block = self._blocks.pop()
            new = replace(new, start_s=block.start_s, most=np.maximum(block.most, new.most))
        self._blocks.append(new)
        while self._blocks[0].start_s < new.end_s - KEPT_S:
            self._blocks.popleft()

    def _streak(self, excess: npt.NDArray[np.float32], time_s: float) -> _Streak | None:
        """The one long, thin thing that is new and begins at the edge, if nothing else is new."""
        over = np.where(self._small_inside, np.maximum(excess, 0), 0).astype(np.float32)
        noise_grey = float(np.percentile(over[self._some], NOISE_PERCENTILE))
        new = (over > max(NEW_GREY, NEW_TIMES * noise_grey)).astype(np.uint8)
        if cv2.countNonZero(new) < SHORT_MM / self._pixel_mm:
            return None
        reach = 2 * round(COPIES_MM / 2 / self._pixel_mm) + 1
        labels = cv2.connectedComponents(cv2.dilate(new, np.ones((reach, reach), np.uint8)))[1] * new
        counts = np.bincount(labels.ravel())[1:]
        if counts.max() < LEAST_SHARE * counts.sum():
            return None
        return self._line(labels == 1 + int(np.argmax(counts)), over, time_s)

    def _line(self, here: BoolArray, over: npt.NDArray[np.float32], time_s: float) -> _Streak | None:
        """The uppermost of the lines in a patch: a needle's copies lie below it."""
        along, clear = _grain(over, here)
        if clear < LEAST_CLEAR:
            return None
        points, weight = np.argwhere(here)[:, ::-1].astype(float), over[here].astype(float)
        first = self._first_line(points, weight, along)
        points, weight = points[first], weight[first]
        middle = np.average(points, axis=0, weights=weight)
        if np.ptp((points - middle) @ along) * self._pixel_mm >= LONG_MM:
            along = np.linalg.eigh(np.cov((points - middle).T, aweights=weight))[1][:, 1]
        along = along if along[1] >= 0 else -along
        middle, points = self._full_px(middle), self._full_px(points)
        entry = entries_of(middle[None], along[None], self._inside)[0]
        if np.isnan(entry).any():
            return None
        column, row = np.rint(entry).astype(int)
        at_mm = (points - entry) @ along * self._step_mm
        near_mm, far_mm = float(at_mm.min()), float(at_mm.max())
        shallow = self._depth_share[row, column] <= DEEPEST_ENTRY
        if not shallow or near_mm > EDGE_MM or not SHORT_MM <= far_mm <= FARTHEST_MM:
            return None
        return _Streak(time_s, entry, along, near_mm, far_mm)

    def _first_line(self, points: FloatArray, weight: FloatArray, along: FloatArray) -> BoolArray:
        """Which points lie on the uppermost line of that direction, (n,)."""
        across = np.array([-along[1], along[0]])
        off = points @ (across if across[1] >= 0 else -across)
        bins = np.rint(off - off.min()).astype(int)
        profile = np.convolve(np.bincount(bins, weight), [0.5, 1.0, 0.5], mode="same")
        peaks = (profile >= np.roll(profile, 1)) & (profile >= np.roll(profile, -1))
        first = int(np.flatnonzero(peaks & (profile >= FIRST_SHARE * profile.max()))[0])
        return np.asarray(np.abs(off - off.min() - first) * self._pixel_mm <= HALF_WIDTH_MM)

    def _full_px(self, points: FloatArray) -> FloatArray:
        """Points of the small picture in working pixels."""
        return (points + 0.5) * self._times - 0.5

    def _grown(self, streak: _Streak | None, past: GreyImage) -> Entering | None:
        """A needle, where a streak has grown from the edge."""
        if streak is None:
            return None
        while self._streaks and self._streaks[0].time_s < streak.time_s - GROWTH_S:
            self._streaks.popleft()
        self._streaks.append(streak)
        alike = [one for one in self._streaks if streak.like(one, self._step_mm)]
        ways_mm = np.array([one.far_mm for one in alike])
        if streak.far_mm < LONG_MM or len(alike) < FEWEST:
            return None
        if np.ptp(ways_mm) < GROWN_MM or ways_mm[-1] < ways_mm.max() - SHRUNK_MM:
            return None
        axis = Axis(streak.entry[None], streak.direction[None], np.zeros(1), self._step_mm)
        return Entering(axis, streak.far_mm, past)


def _grain(over: npt.NDArray[np.float32], here: BoolArray) -> tuple[FloatArray, float]:
    """Direction of what is drawn in a patch, and how clear it is, 0-1: by the structure tensor."""
    dx, dy = (cv2.Sobel(over, cv2.CV_32F, *order, ksize=3)[here].astype(float) for order in ((1, 0), (0, 1)))
    size, ways = np.linalg.eigh(np.array([[dx @ dx, dx @ dy], [dx @ dy, dy @ dy]]))
    return np.asarray(ways[:, 0]), float((size[1] - size[0]) / max(size.sum(), 1e-9))
