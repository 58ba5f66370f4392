"""The tip's own echo: its place to a fraction of a pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray, GreyImage
from needlecoach.tracking.axis import Axis

FloatImage = npt.NDArray[np.float32]

SAMPLE_MM = 0.05
BACK_MM = 1.6
AHEAD_MM = 1.0
ACROSS_MM = 0.7
# A peak this much darker than the brightest one near it is an extra echo or speckle beyond the tip.
FAINTER_GREY = 45.0
# One further out than the guess allows is such an echo too: so far at least, or two of its errors.
NEAR_MM = 0.3
SMOOTH_MM = 0.12
# Price of lying at the rim of the searched band: extra echoes round the tip lie off the axis, the tip hardly
# does.
OFF_AXIS_GREY = 40.0
CLIMB = 5
# Fallen by half, 6 dB, is 25 of 255 greys at a dynamic range of 60 dB; it does so within so many mm. On a
# logarithmic display a point's picture is a parabola: a share of that fall takes the root of it of the way.
# Read off further up the slope than at the half, a tip's end is less drawn out by what lies beyond it; at the
# very peak ripples of an even shaft would be taken for it.
HALF_GREY = 25.0
END_SHARE = 0.6
FALL_MM = 1.5
WIDE_MM = 1.2


@dataclass(frozen=True)
class Spot:
    """The outer end of the bright row that a needle makes, in mm along the axis from the entry.

    `end_mm` is where brightness has fallen by 3.6 dB beyond the outermost bright peak; `across_mm` (below is
    positive) and `grey` are that peak's; `half_width_mm` is how far it takes to fall by half across the
    shaft, upwards, where no copies lie; NaN where it does not. `fall_mm` is how far it takes along the shaft.
    """

    end_mm: float
    across_mm: float
    grey: float
    half_width_mm: float
    fall_mm: float

    @property
    def tip_mm(self) -> float:
        """Place of the tip by this spot alone, mm along the axis."""
        return self.end_mm - float(np.nan_to_num(self.half_width_mm) * np.sqrt(END_SHARE))


def find_spot(
    picture: GreyImage, axis: Axis, frame: int, guess_mm: float, sd_mm: float = AHEAD_MM
) -> Spot | None:
    """Find the outermost bright peak near a guessed tip, from 1.6 mm behind it to 1.0 mm beyond.

    Parameters
    ----------
    sd_mm : error of the guess; peaks well beyond what it allows are not taken while there are others

    Returns
    -------
    Spot or None
        None when brightness neither has a peak nor ends there.

    Notes
    -----
    The picture of the tip is a spot of the size of the point-spread function, whose peak lies at the tip; the
    shaft behind it is a row of such spots, so the outermost of the bright ones is taken, or the end of the
    row where it has no peak of its own.
    """
    along = np.arange(guess_mm - BACK_MM, guess_mm + AHEAD_MM + FALL_MM, SAMPLE_MM)
    across = np.arange(-WIDE_MM, WIDE_MM + 1e-9, SAMPLE_MM)
    points = axis.points(frame, along[None, :], across[:, None])
    patch = cv2.remap(
        picture, points[..., 0].astype(np.float32), points[..., 1].astype(np.float32), cv2.INTER_CUBIC
    ).astype(np.float32)
    patch = np.asarray(cv2.GaussianBlur(patch, (0, 0), SMOOTH_MM / SAMPLE_MM), dtype=np.float32)
    leaning = patch - OFF_AXIS_GREY * (across[:, None] / ACROSS_MM).astype(np.float32) ** 2
    leaning[np.abs(across) > ACROSS_MM + 1e-9] = -np.inf
    ridge = leaning.max(axis=0)
    searched = ridge[: len(ridge) - round(FALL_MM / SAMPLE_MM)]
    inner = searched[1:-1]
    peak = np.flatnonzero((inner >= searched[:-2]) & (inner > searched[2:])) + 1
    peak = peak[searched[peak] >= searched.max() - FAINTER_GREY]
    if peak.size:
        near = peak[along[peak] <= guess_mm + max(NEAR_MM, 2 * sd_mm)]
        column = int(near[-1] if near.size else peak[0])
    elif searched[-1] < searched.max() - FAINTER_GREY:
        column = int(np.argmax(searched))
    else:
        return None
    # The price chooses the peak but must not shift it.
    start = max(0, int(np.argmax(leaning[:, column])) - CLIMB)
    row = start + int(np.argmax(patch[start : start + 2 * CLIMB + 1, column]))
    grey = float(patch[row, column])
    beyond = _fall(ridge[column:], HALF_GREY)
    if np.isnan(beyond):
        return None
    upwards = _fall(patch[row::-1, column], HALF_GREY)
    end = float(along[column]) + _fall(ridge[column:], END_SHARE * HALF_GREY)
    return Spot(end, float(across[row]), grey, upwards, beyond)


def _fall(profile: FloatImage, by_grey: float) -> float:
    """Way until a profile has fallen by so many greys below its first value, mm; NaN when it does not."""
    level = profile[0] - by_grey
    below = np.flatnonzero(profile < level)
    if not below.size:
        return np.nan
    i = int(below[0])
    return SAMPLE_MM * float(i - (level - profile[i]) / (profile[i - 1] - profile[i]))


def tip_places_mm(spots: Sequence[Spot | None]) -> FloatArray:
    """Place of the tip along the axis, (n,), NaN where no spot was found.

    The picture of any point falls by half within the point-spread function's half-width, which is much the
    same along the shaft as across it, and by 0.6 of that within 0.77 of it: the tip lies that far
    behind the end of the brightness, whether it has a peak of its own or not. The width is learned from all
    spots.
    """
    ends = np.array([np.nan if spot is None else spot.end_mm for spot in spots], dtype=float)
    return np.asarray(ends - half_width_mm(spots) * np.sqrt(END_SHARE))


def half_width_mm(spots: Sequence[Spot | None]) -> float:
    """Half-width of a point's picture in this clip, 0 when unknown."""
    widths = np.array([spot.half_width_mm for spot in spots if spot is not None], dtype=float)
    known = widths[np.isfinite(widths)]
    return float(np.median(known)) if known.size else 0.0


def place_doubts_mm(spots: Sequence[Spot | None]) -> FloatArray:
    """Standard uncertainty of each tip's place that its spot's own shape leaves open, (n,), 0 without a spot.

    What falls no slower than a point's picture does is one. A slower fall is that of the tip into something
    bright beyond it, or of a bright piece of shaft into a dimmer tip: the tip may lie anywhere along it.
    """
    falls = np.array([0.0 if spot is None else spot.fall_mm for spot in spots], dtype=float)
    return np.asarray(np.maximum(falls - half_width_mm(spots), 0.0) / np.sqrt(12))
