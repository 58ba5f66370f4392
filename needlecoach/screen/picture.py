"""Tells whether what stands in the region can be an ultrasound picture at all."""

from __future__ import annotations

from collections.abc import Sequence

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
_OFF_TINT_RAD = np.radians(100)
_LUMA_STEP = 8.0
_DARK_LUMA = 16.0
_FEWEST_LIT_PX = 100


def check_picture(pictures: ColourImages, region: Region, frame_size_px: tuple[int, int]) -> None:
    """Refuse what can't be the recording of an ultrasound picture: too few frames, or a photo's colours.

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
    small share of the picture. A rainbow map may be refused; a photo in grey or in shades of one hue passes.
    """
    if len(pictures) < _FEWEST_FRAMES:
        raise UnscorableError(
            f"the recording has {len(pictures)} frame(s), and a needle is known by its movement: "
            "give a longer recording."
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


def _inside(
    picture: npt.NDArray[np.uint8], region: Region, frame_size_px: tuple[int, int]
) -> npt.NDArray[np.uint8]:
    """Pixels of one picture that lie in the region, shape (n, 3)."""
    height, width = picture.shape[:2]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    across, down = frame_size_px[0] / width, frame_size_px[1] / height
    points_px = np.stack([(x + 0.5) * across - 0.5, (y + 0.5) * down - 0.5], axis=-1)
    return np.asarray(picture[region.contains(points_px)])


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
