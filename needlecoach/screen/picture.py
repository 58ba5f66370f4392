"""Tells whether what stands in the region can be an ultrasound picture at all."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.errors import UnscorableError
from needlecoach.model import BoolArray, FloatArray, Region

ColourImages = Sequence[npt.NDArray[np.uint8]]

# Fewer frames hold no movement, and a needle is known by its movement.
_FEWEST_FRAMES = 3
# Share of a picture that may be coloured otherwise: guide lines, writing, a few echoes of flow.
_COLOURED_SHARE = 0.15
# Differences in colour below these, on a scale of 256 levels, come from coding and from mixing pixels.
_CHROMA_LEVELS = 12.0
_OFF_MAP_LEVELS = 15.0
_TINT_LEVELS = 3.0
_OFF_TINT_RAD = np.radians(100)
_LUMA_STEP = 8.0
_DARK_LUMA = 16.0
_FEWEST_LIT_PX = 100
# Gliding: from sample to sample the upper third moves up or down by over 1 % of the picture's height and
# matches itself there this well, and clearly worse in its old place.
_GLIDE_SHARE = 0.01
_GLIDE_MATCH = 0.9
_GLIDE_GAIN = 0.1
_GLIDING_STEPS = 0.75
_FEWEST_STEPS = 4
_FLAT_SD = 4.0


def check_picture(pictures: ColourImages, region: Region, frame_size_px: tuple[int, int]) -> None:
    """Refuse what can't be the recording of an ultrasound picture, by its length, colours and movement.

    Parameters
    ----------
    pictures : sequence of uint8 arrays (h, w, 3), blue-green-red
        Whole frames spread over the recording, as they are or shrunk.
    region : Region
        Where the picture lies, in px of the original frame; what is coloured round it does not count.
    frame_size_px : (width, height) of the original frame

    Raises
    ------
    UnscorableError
        The message says what was seen.

    Notes
    -----
    Scanners draw brightness through one map, grey or tinted: the colour of a pixel follows from its
    brightness, and hues do not lie on opposite sides of the colour circle. Both are required of all but a
    small share of the picture. A rainbow map may be refused. What lies close
    below the probe's face stays there or is pressed a little; a camera's view glides as a whole. A photo in
    grey or in shades of one hue passes when it stands still or glides sideways only, as a probe can.
    """
    if len(pictures) < _FEWEST_FRAMES:
        raise UnscorableError(
            f"the recording has {len(pictures)} frame{'s' * (len(pictures) != 1)}, and a needle is known "
            "by its movement: give a longer recording."
        )
    inside = np.concatenate([_inside(picture, region, frame_size_px) for picture in pictures])
    luma, chroma = _luma_and_chroma(inside)
    lit = luma > _DARK_LUMA
    if lit.sum() < _FEWEST_LIT_PX:
        return
    luma, chroma = luma[lit], chroma[lit]
    share = max(_off_tint(chroma).mean(), _off_map(luma, chroma).mean())
    if share > _COLOURED_SHARE:
        raise UnscorableError(
            f"this does not look like an ultrasound picture: {share:.0%} of it is coloured unlike the rest; "
            "give the recording of a scanner's screen, or the picture's place with --region."
        )
    if _glides([_upper_third(picture, region, frame_size_px) for picture in pictures]):
        raise UnscorableError(
            "this does not look like an ultrasound picture: all of it glides up or down, which no echo "
            "close to a probe can do; give the recording of a scanner's screen."
        )


def tint_of(
    pictures: ColourImages, region: Region, frame_size_px: tuple[int, int]
) -> Literal["grey", "tinted", "coloured", "not known"]:
    """Say how the region is coloured: grey, through a map of one tint, or otherwise; see `check_picture`."""
    if not len(pictures):
        return "not known"
    inside = np.concatenate([_inside(picture, region, frame_size_px) for picture in pictures])
    luma, chroma = _luma_and_chroma(inside)
    lit = luma > _DARK_LUMA
    if lit.sum() < _FEWEST_LIT_PX:
        return "not known"
    luma, chroma = luma[lit], chroma[lit]
    if max(_off_tint(chroma).mean(), _off_map(luma, chroma).mean()) > _COLOURED_SHARE:
        return "coloured"
    return "tinted" if abs(chroma.mean()) > _TINT_LEVELS else "grey"


def _inside(
    picture: npt.NDArray[np.uint8], region: Region, frame_size_px: tuple[int, int]
) -> npt.NDArray[np.uint8]:
    """Pixels of one picture that lie in the region, shape (n, 3)."""
    height, width = picture.shape[:2]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    across, down = frame_size_px[0] / width, frame_size_px[1] / height
    points_px = np.stack([(x + 0.5) * across - 0.5, (y + 0.5) * down - 0.5], axis=-1)
    return np.asarray(picture[region.contains(points_px)])


def _upper_third(
    picture: npt.NDArray[np.uint8], region: Region, frame_size_px: tuple[int, int]
) -> npt.NDArray[np.float32]:
    """Grey picture of the upper third of the region's box."""
    height, width = picture.shape[:2]
    across, down = width / frame_size_px[0], height / frame_size_px[1]
    x, y, w, h = region.box_px
    part = picture[int(y * down) : int((y + h / 3) * down) + 1, int(x * across) : int((x + w) * across) + 1]
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_BGR2GRAY), dtype=np.float32)


def _glides(parts: Sequence[npt.NDArray[np.float32]]) -> bool:
    """Tell whether nearly every step from one part to the next is a rigid shift up or down."""
    if len(parts) <= _FEWEST_STEPS or min(parts[0].shape) < 16:
        return False
    steps = [_is_shifted(first, second) for first, second in pairwise(parts)]
    return float(np.mean(steps)) >= _GLIDING_STEPS


def _is_shifted(first: npt.NDArray[np.float32], second: npt.NDArray[np.float32]) -> bool:
    """Tell whether the second part is the first one moved as a whole, clearly up or down."""
    height, width = first.shape
    window = cv2.createHanningWindow((width, height), cv2.CV_32F)
    (right, down), _ = cv2.phaseCorrelate(first - first.mean(), second - second.mean(), window)
    # The part is a third of the picture's height.
    if abs(down) < _GLIDE_SHARE * 3 * height or abs(down) > height / 2 or abs(right) > width / 2:
        return False
    back = np.array([[1, 0, -right], [0, 1, -down]], dtype=np.float32)
    moved = cv2.warpAffine(second, back, (width, height))
    known = cv2.warpAffine(np.ones_like(second), back, (width, height)) > 0.99
    a, b, old = first[known], moved[known], second[known]
    if min(a.std(), b.std(), old.std()) < _FLAT_SD:
        return False
    match = np.corrcoef(a, b)[0, 1]
    return bool(match > _GLIDE_MATCH and match - np.corrcoef(a, old)[0, 1] > _GLIDE_GAIN)


def _luma_and_chroma(pixels: npt.NDArray[np.uint8]) -> tuple[FloatArray, npt.NDArray[np.complex128]]:
    """Luma Y' and colour difference Cb + i Cr (ITU-R BT.601), each of shape (n,)."""
    blue, green, red = pixels.astype(float).T
    luma = 0.299 * red + 0.587 * green + 0.114 * blue
    return luma, 0.564 * (blue - luma) + 0.713j * (red - luma)


def _off_tint(chroma: npt.NDArray[np.complex128]) -> BoolArray:
    """Tell which pixels have a hue of their own, off the picture's mean tint; a grey picture has none."""
    tint = chroma.mean()
    turned = np.abs(np.angle(chroma * np.conj(tint))) > _OFF_TINT_RAD
    return np.asarray((np.abs(chroma) > _CHROMA_LEVELS) & turned)


def _off_map(luma: FloatArray, chroma: npt.NDArray[np.complex128]) -> BoolArray:
    """Tell which pixels have another colour than most of like brightness."""
    level = (luma / _LUMA_STEP).astype(np.intp)
    off = np.zeros(len(luma), dtype=bool)
    for one in np.unique(level):
        rows = level == one
        usual = np.median(chroma[rows].real) + 1j * np.median(chroma[rows].imag)
        off[rows] = np.abs(chroma[rows] - usual) > _OFF_MAP_LEVELS
    return off
