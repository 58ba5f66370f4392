"""Lays a camera's frame on a reference frame: the homography between both views of one flat screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage

FloatImage = npt.NDArray[np.float32]
_Levels = tuple[tuple[int, int, int], ...]

# Moiré and the codec's noise are finer than this blur, edges of letters and of the screen are not.
BLUR_PX = 1.5
# Levels of the search, in pixels of the frame per pixel of the level, with places used and rounds at most.
ANY_LEVELS: _Levels = ((8, 2500, 12), (4, 4000, 6), (1, 9000, 5))
# A shake from one frame to the next is within reach of the second level.
NEXT_LEVELS: _Levels = ((4, 2500, 4), (1, 9000, 4))
STOP_PX = 0.02
# Places are spread: so many tiles along the longer side share them evenly.
TILES = 24
# What one place tells is not independent of its neighbours: blur, moiré and coding are common to them.
DEPENDENT = 30.0
NOISE_GREY = 1.5
# Steep places differ by more than noise when blur or the place is off by this, px of the level.
JITTER_PX = 0.2
# What does not fit is left out more and more strictly from round to round.
LENIENCE = (4.0, 2.0, 1.0)
# Sd of the change from one frame to the next, in px at the border of the view: shifts, turns and sizes; and
# the change of perspective, for which a hand would have to walk about.
STEP_PX, PERSPECTIVE_STEP_PX = 30.0, 0.6
# Correlation of a frame with the reference over what stands still; less is no match.
LEAST_MATCH = 0.5
FEWEST_PLACES = 100


@dataclass(frozen=True, eq=False)
class Match:
    """How a frame lies on the reference.

    `homography` (3, 3) leads from the reference to the frame, `gain` and `offset` from grey values of the
    reference to those of the frame; `likeness` is their correlation over what stands still, 1 at best.
    """

    homography: FloatArray
    gain: float
    offset: float
    likeness: float

    @property
    def found(self) -> bool:
        """Tell whether the frame shows what the reference shows."""
        return self.likeness >= LEAST_MATCH


@dataclass(frozen=True, eq=False)
class _Level:
    """Places of the reference at one size: points (n, 2), grey values (n,), slopes (n, 8), weights (n,)."""

    step: int
    rounds: int
    points: npt.NDArray[np.float32]
    grey: FloatImage
    slopes: FloatImage
    weights: FloatImage


class Reference:
    """A view of the screen that frames are laid on.

    Parameters
    ----------
    picture : (height, width) grey values
    spread : (height, width), optional
        Standard deviation of each pixel over the recording, in grey values: what changes counts for less.
    mask : (height, width) bool, optional
        Where the screen is; the surroundings lie at another distance and move otherwise.

    Notes
    -----
    Inverse compositional image alignment (Baker & Matthews, Int J Comput Vis 2004;56:221; from memory) of a
    homography, with gain and offset of exposure, weights from Tukey's biweight, and a random walk from frame
    to frame as prior: a measured shake is followed at once, what a frame does not tell is kept from the one
    before.
    """

    def __init__(
        self, picture: npt.ArrayLike, spread: npt.ArrayLike | None = None, mask: BoolArray | None = None
    ) -> None:
        grey = np.asarray(picture, dtype=np.float32)
        height, width = grey.shape
        self._to_unit = _to_unit(width, height)
        sd = np.zeros_like(grey) if spread is None else np.asarray(spread, dtype=np.float32)
        inside = np.ones(grey.shape, dtype=bool) if mask is None else mask
        self._levels = {
            (step, count): self._level(grey, sd, inside, step=step, count=count, rounds=rounds)
            for step, count, rounds in (*ANY_LEVELS, *NEXT_LEVELS)
        }
        self._coarse = _shrunk(grey, 4)

    def _level(
        self, grey: FloatImage, sd: FloatImage, inside: BoolArray, *, step: int, count: int, rounds: int
    ) -> _Level:
        small = _smooth(_shrunk(grey, step), step)
        sd_small = _shrunk(sd, step)
        keep = _shrunk(inside.astype(np.float32), step) > 0.99
        right, down = (cv2.Sobel(small, cv2.CV_32F, *way, ksize=3, scale=1 / 8) for way in ((1, 0), (0, 1)))
        steep = right**2 + down**2
        weights = 1 / (sd_small**2 + NOISE_GREY**2 + JITTER_PX**2 * steep)
        row, column = _strongest(steep * weights, keep, count)
        points = (np.stack([column, row], axis=-1) + 0.5) * step - 0.5
        slope = np.stack([right[row, column], down[row, column]], axis=-1) / step
        unit = points * self._to_unit[[0, 1], [0, 1]] + self._to_unit[:2, 2]
        return _Level(
            step=step,
            rounds=rounds,
            points=points.astype(np.float32),
            grey=small[row, column],
            slopes=_steepest(unit, slope / self._to_unit[[0, 1], [0, 1]]).astype(np.float32),
            weights=weights[row, column].astype(np.float32),
        )

    def match(self, pixels: GreyImage, start: FloatArray | None = None) -> Match:
        """Lay a frame on the reference, from the one before (`start`) or from nowhere."""
        if start is None:
            start = self._shifted(pixels)
            levels, step_px = ANY_LEVELS, (1e4, 1e4)
        else:
            levels, step_px = NEXT_LEVELS, (STEP_PX, PERSPECTIVE_STEP_PX)
        prior = _prior(self._to_unit, *step_px)
        total = np.zeros(8)
        homography, gain, offset, likeness = start, 1.0, 0.0, -1.0
        for step, count, _ in levels:
            level = self._levels[step, count]
            if len(level.points) < FEWEST_PLACES:
                return Match(start, 1.0, 0.0, -1.0)
            picture = _smooth(_shrunk(pixels, step), step)
            for turn in range(level.rounds):
                seen, grey = _look(picture, level, homography)
                if seen.sum() < FEWEST_PLACES:
                    return Match(start, 1.0, 0.0, -1.0)
                gain, offset, likeness, residual, weights = _compare(
                    level, seen, grey, LENIENCE[min(turn, len(LENIENCE) - 1)]
                )
                change = _solve(level, residual, weights, prior, total)
                total += change
                homography = homography @ self._undone(change)
                if np.abs(change).max() / self._to_unit[0, 0] < STOP_PX:
                    break
        if likeness < LEAST_MATCH:
            homography = start
        return Match(homography / homography[2, 2], gain, offset, likeness)

    def _undone(self, change: FloatArray) -> FloatArray:
        """Inverse of a small homography given by its 8 numbers in unit coordinates."""
        small = np.eye(3) + np.append(change, 0.0).reshape(3, 3)
        to_px = np.linalg.inv(self._to_unit)
        undone = np.linalg.inv(to_px @ small @ self._to_unit)
        return np.asarray(undone / undone[2, 2], dtype=float)

    def _shifted(self, pixels: GreyImage) -> FloatArray:
        """Shift that brings the reference about onto a frame, by phase correlation."""
        small = _shrunk(pixels, 4)
        if small.shape != self._coarse.shape:
            return np.eye(3)
        window = cv2.createHanningWindow(small.shape[::-1], cv2.CV_32F)
        first, second = _edges(self._coarse), _edges(small)
        (right, down), _ = cv2.phaseCorrelate(first, second, window)
        moved = np.eye(3)
        moved[:2, 2] = 4 * right, 4 * down
        return moved


def mapped(homography: FloatArray, points_px: npt.ArrayLike) -> FloatArray:
    """Points (..., 2) carried through a homography (3, 3), or each through its own (n, 3, 3) with (n, 2)."""
    points = np.asarray(points_px, dtype=float)
    whole = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1)
    moved = np.einsum("...ij,...j->...i", homography, whole)
    return np.asarray(moved[..., :2] / moved[..., 2:])


def average(pictures: Sequence[GreyImage], matches: Sequence[Match]) -> tuple[FloatImage, FloatImage]:
    """Mean and spread of frames laid on one reference, each (height, width), in its grey values."""
    height, width = pictures[0].shape
    laid = []
    for picture, match in zip(pictures, matches, strict=True):
        level = (picture.astype(np.float32) - match.offset) / match.gain
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        laid.append(
            cv2.warpPerspective(
                level, match.homography, (width, height), flags=how, borderMode=cv2.BORDER_REPLICATE
            )
        )
    stack = np.stack(laid)
    return stack.mean(axis=0), stack.std(axis=0)


def _to_unit(width: int, height: int) -> FloatArray:
    """Matrix from pixels to coordinates of about -1 to 1, the same along both axes."""
    half = max(width, height) / 2
    return np.array(
        [[1 / half, 0, -(width - 1) / 2 / half], [0, 1 / half, -(height - 1) / 2 / half], [0, 0, 1]]
    )


def _shrunk(picture: npt.NDArray[Any], step: int) -> FloatImage:
    """Picture with each square of `step` px averaged; what is left over at the far edges is cut off."""
    if step > 1:
        height, width = (side // step for side in picture.shape)
        cut = picture[: height * step, : width * step]
        picture = cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(picture, dtype=np.float32)


def _smooth(picture: FloatImage, step: int) -> FloatImage:
    blur_px = BLUR_PX if step == 1 else 1.0
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), blur_px), dtype=np.float32)


def _edges(picture: FloatImage) -> FloatImage:
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.5)
    across, down = (cv2.Sobel(smooth, cv2.CV_32F, *way) for way in ((1, 0), (0, 1)))
    return np.asarray(cv2.magnitude(across, down), dtype=np.float32)


def _strongest(
    strength: npt.NDArray[Any], keep: BoolArray, count: int
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Rows and columns of the strongest pixels, the same number at most from every tile of the picture."""
    height, width = strength.shape
    strength = np.where(keep, strength, 0)
    strength[[0, 1, -2, -1]] = strength[:, [0, 1, -2, -1]] = 0
    side = max(-(-max(height, width) // TILES), 2)
    tall, wide = -(-height // side), -(-width // side)
    padded = np.pad(strength, ((0, tall * side - height), (0, wide * side - width)))
    tiles = padded.reshape(tall, side, wide, side).transpose(0, 2, 1, 3).reshape(tall * wide, side * side)
    share = min(max(count // (tall * wide), 4), side * side)
    best = np.argpartition(-tiles, share - 1, axis=1)[:, :share]
    tile = np.repeat(np.arange(tall * wide), share)
    row = tile // wide * side + best.ravel() // side
    column = tile % wide * side + best.ravel() % side
    real = padded[row, column] > 0
    return row[real], column[real]


def _steepest(unit: FloatArray, slope: FloatArray) -> FloatArray:
    """Change of grey with each of a homography's 8 numbers, shape (n, 8)."""
    x, y = unit.T
    across, down = slope.T
    inward = -(across * x + down * y)
    return np.stack(
        [across * x, across * y, across, down * x, down * y, down, inward * x, inward * y], axis=-1
    )


def _look(picture: FloatImage, level: _Level, homography: FloatArray) -> tuple[BoolArray, FloatImage]:
    """Which of the level's places lie in the frame, and the frame's grey values at all of them."""
    at = cv2.perspectiveTransform(level.points[:, None, :], homography)[:, 0]
    at = (at + np.float32(0.5)) / np.float32(level.step) - np.float32(0.5)
    height, width = picture.shape
    seen = (at[:, 0] >= 0) & (at[:, 0] <= width - 1) & (at[:, 1] >= 0) & (at[:, 1] <= height - 1)
    at[~seen] = 0
    grey = cv2.remap(picture, at[:, 0], at[:, 1], cv2.INTER_LINEAR)
    return seen, np.ravel(grey).astype(np.float32)


def _compare(
    level: _Level, seen: BoolArray, grey: FloatImage, lenience: float
) -> tuple[float, float, float, FloatImage, FloatImage]:
    """Gain, offset, likeness, what is left over, and how much every place counts."""
    weights = level.weights * seen
    for _ in range(2):
        total = weights.sum()
        mean_there, mean_here = (weights @ level.grey) / total, (weights @ grey) / total
        there, here = level.grey - mean_there, grey - mean_here
        cross, own, other = weights @ (there * here), weights @ (there * there), weights @ (here * here)
        gain = float(np.clip(cross / max(own, 1e-6), 0.2, 5.0))
        residual = here / np.float32(gain) - there
        size = np.abs(residual) * np.sqrt(level.weights)
        cut = np.float32(lenience * 4.685 * 1.4826 * max(float(np.median(size[seen])), 0.3))
        biweight = np.square(1 - np.minimum(np.square(size / cut), 1))
        weights = level.weights * seen * biweight
    likeness = float(cross / max(np.sqrt(own * other), 1e-6))
    scale = np.float32(max(float(np.median(size[seen])) * 1.4826, 0.3) ** 2 * DEPENDENT)
    return gain, float(mean_here - gain * mean_there), likeness, residual, weights / scale


def _prior(to_unit: FloatArray, step_px: float, perspective_px: float) -> FloatArray:
    """Information on each of the 8 numbers from the frame before."""
    sd = np.array([step_px] * 6 + [perspective_px] * 2) * to_unit[0, 0]
    return np.asarray(1 / sd**2)


def _solve(
    level: _Level, residual: FloatImage, weights: FloatImage, prior: FloatArray, total: FloatArray
) -> FloatArray:
    weighted = level.slopes * weights[:, None]
    normal = (weighted.T @ level.slopes).astype(float) + np.diag(prior)
    right = (weighted.T @ residual).astype(float) - prior * total
    return np.asarray(np.linalg.solve(normal, right))
