"""Straight edges that run through a picture, told by the sign of the step across them, however faint."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray

FloatImage = npt.NDArray[np.float32]

BLUR_PX = 1.2
# Slopes of a side against the picture's own: a camera is held about upright.
MOST_SLOPE = 0.5
# A step in grey per px that counts half; that of a dark bezel against a dark screen is about one level high.
FAINT_SLOPE = 0.12
# The edge is looked at in so many pieces; speckle has no sign that lasts over a piece.
PIECES = 8
PIECE_LEAST = 0.25
LINES_PER_WAY = 20
# Two lines closer than this (px of the working picture, at both ends) are one.
SAME_PX = 3.0
SUPPORT_PX = 9
# An edge has one steepest place within so many px.
STEEP_PX = 2


@dataclass(frozen=True, eq=False)
class Lines:
    """Straight edges across one way of the picture: place = slope * (along - middle) + offset.

    `support` (n, length) is how clearly the edge shows at every place along it, from -1 to 1; `sign` whether
    it is brighter on the far side.
    """

    slope: FloatArray
    offset: FloatArray
    sign: FloatArray
    support: FloatArray
    middle: float


def straight_edges(picture: FloatImage) -> Lines:
    """Straight edges that run down a picture, the clearest first."""
    height = picture.shape[0]
    clear = _clear(picture)
    slopes = np.arange(-MOST_SLOPE, MOST_SLOPE, 2.0 / height)
    votes = np.stack([_votes(clear, one) for one in slopes])
    found = [_peaks(sign * votes, slopes, height, sign) for sign in (1.0, -1.0)]
    lines = np.array(sorted((line for lines in found for line in lines), reverse=True)).reshape(-1, 4)
    middle = (height - 1) / 2
    places = lines[:, 1, None] * (np.arange(height) - middle) + lines[:, 2, None]
    support = lines[:, 3, None] * _along(clear, places)
    return Lines(lines[:, 1], lines[:, 2], lines[:, 3], support, middle)


def _clear(picture: FloatImage) -> FloatImage:
    """Signs of edges, from -1 to 1: at the steepest place across each and one pixel beside it, else 0."""
    slope = cv2.Sobel(cv2.GaussianBlur(picture, (0, 0), BLUR_PX), cv2.CV_32F, 1, 0, scale=1 / 8)
    size = np.abs(slope)
    steepest = size >= cv2.dilate(size, np.ones((1, 2 * STEEP_PX + 1), np.uint8))
    thin = np.where(steepest, np.tanh(slope / np.float32(FAINT_SLOPE)), np.float32(0))
    beside = np.ones((1, 3), np.uint8)
    return np.asarray(cv2.dilate(thin, beside) + cv2.erode(thin, beside), dtype=np.float32)


def _votes(clear: FloatImage, slope: float) -> FloatImage:
    """Mean sign along lines of one slope, by piece of the length and place, (PIECES, width)."""
    height, width = clear.shape
    shear = np.array([[1, slope, -slope * (height - 1) / 2], [0, 1, 0]])
    upright = cv2.warpAffine(clear, shear, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    cuts = np.linspace(0, height, PIECES + 1).astype(int)[:-1]
    lengths = np.diff([*cuts, height])[:, None]
    return np.asarray(np.add.reduceat(upright, cuts, axis=0) / lengths, dtype=np.float32)


def _peaks(
    votes: FloatImage, slopes: FloatArray, height: int, sign: float
) -> list[tuple[float, float, float, float]]:
    """Lines (score, slope, offset, sign) with the most pieces that agree; none crosses a clearer one."""
    score = np.minimum(np.maximum(votes - PIECE_LEAST, 0), 0.5).sum(axis=1)
    best: list[tuple[float, float, float, float]] = []
    reach = 0.4 * height
    at = np.arange(votes.shape[2])
    for _ in range(LINES_PER_WAY):
        i, x = np.unravel_index(int(score.argmax()), score.shape)
        if score[i, x] < 0.5:
            break
        best.append((float(score[i, x]), float(slopes[i]), float(x), sign))
        turn = (slopes - slopes[i])[:, None] * reach
        first, last = at - x - turn, at - x + turn
        score[(np.minimum(np.abs(first), np.abs(last)) < SAME_PX) | (first * last < 0)] = 0
    return best


def _along(clear: FloatImage, places: FloatArray) -> FloatArray:
    """How clearly edges show along lines, from -1 to 1, smoothed over a few px; NaN outside the picture."""
    height, width = clear.shape
    if not len(places):
        return np.zeros(places.shape)
    rows = np.broadcast_to(np.arange(height, dtype=np.float32), places.shape).astype(np.float32)
    known = (places >= 1) & (places <= width - 2)
    seen = cv2.blur(cv2.remap(clear, places.astype(np.float32), rows, cv2.INTER_LINEAR), (SUPPORT_PX, 1))
    return np.asarray(np.where(known, seen, np.nan), dtype=float)
