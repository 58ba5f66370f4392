"""Decoded samples of a DICOM picture, of any kind of colour and depth, as a picture of 8 bits a sample."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.pixels.processing import apply_color_lut

from needlecoach.clips.dicom_header import Header
from needlecoach.clips.reader import ColourImage, grey_from_bgr
from needlecoach.model import GreyImage

# Kinds of colour (Photometric Interpretation, PS3.3, C.7.6.3.1.2) that are read.
GREYS, PALETTE = ("MONOCHROME1", "MONOCHROME2"), "PALETTE COLOR"
COLOURS = ("RGB", "YBR_FULL", "YBR_FULL_422", "YBR_RCT", "YBR_ICT")


@dataclass(frozen=True, eq=False)
class Picture:
    """One decoded picture, 8 bits a sample: grey (h, w), or RGB or full-range YCbCr (h, w, 3).

    YCbCr by ITU-R BT.601 as in PS3.3, C.7.6.3.1.2; PS3.3 calls it YBR_FULL.
    """

    kind: Literal["MONOCHROME2", "RGB", "YBR_FULL"]
    samples: ColourImage

    def grey(self) -> GreyImage:
        """Luma, uint8 (h, w), read-only: the file's own where it holds one."""
        if self.kind == "RGB":
            return grey_from_bgr(self.samples[..., ::-1])
        luma = self.samples if self.kind == "MONOCHROME2" else np.ascontiguousarray(self.samples[..., 0])
        return grey_from_bgr(luma)

    def colour(self) -> ColourImage:
        """Colours, uint8 (h, w, 3), blue-green-red."""
        if self.kind == "MONOCHROME2":
            return np.asarray(cv2.cvtColor(self.samples, cv2.COLOR_GRAY2BGR), dtype=np.uint8)
        if self.kind == "RGB":
            return np.ascontiguousarray(self.samples[..., ::-1])
        swapped = np.ascontiguousarray(self.samples[..., [0, 2, 1]])
        return np.asarray(cv2.cvtColor(swapped, cv2.COLOR_YCrCb2BGR), dtype=np.uint8)


def conversion(
    header: Header, photometric: str, options: dict[str, Any]
) -> Callable[[np.ndarray, str], Picture]:
    """Return what turns decoded samples, (h, w) or (h, w, 3), and their kind into a picture of 8 bits.

    Raises
    ------
    ValueError
        When the file's palette is damaged.
    """
    bits = options["bits_stored"]
    if photometric in GREYS:
        if bits == 8 and photometric == "MONOCHROME2" and not options["pixel_representation"]:
            return lambda samples, kind: Picture("MONOCHROME2", samples.astype(np.uint8, copy=False))
        lowest = -(1 << (bits - 1)) if options["pixel_representation"] else 0
        greys = _greys(header, lowest, 1 << bits, inverted=photometric == "MONOCHROME1")
        return lambda samples, kind: Picture("MONOCHROME2", _looked_up(greys, samples, lowest))
    if photometric == PALETTE:
        palette = _palette(header)
        return lambda samples, kind: Picture("RGB", _looked_up(palette, samples, 0))
    return lambda samples, kind: Picture(
        "YBR_FULL" if kind.startswith("YBR_FULL") else "RGB", _shifted(samples, bits)
    )


def _shifted(samples: np.ndarray, bits: int) -> ColourImage:
    """Colours of any depth as 8 bits."""
    wide = samples.astype(np.uint16, copy=False)
    return (wide >> (bits - 8) if bits >= 8 else wide << (8 - bits)).astype(np.uint8)


def _looked_up(table: np.ndarray, samples: np.ndarray, lowest: int) -> ColourImage:
    places = np.clip(samples.astype(np.int32) - lowest, 0, len(table) - 1)
    return np.asarray(table[places], dtype=np.uint8)


def _greys(header: Header, lowest: int, count: int, *, inverted: bool) -> np.ndarray:
    """Grey level of each of `count` stored values: by the window (PS3.3, C.11.2.1.2.1), else all of them."""
    values = np.arange(lowest, lowest + count, dtype=float)
    shares = (values - lowest) / max(count - 1, 1)
    centre, width = header.number("WindowCenter"), header.number("WindowWidth")
    if centre is not None and width is not None and width > 1:
        slope = header.number("RescaleSlope") or 1.0
        shown = values * slope + (header.number("RescaleIntercept") or 0.0)
        windowed = np.clip((shown - (centre - 0.5)) / (width - 1) + 0.5, 0, 1)
        # A window that shows one grey only is a slip of the file.
        shares = windowed if np.ptp(windowed) > 0 else shares
    greys = np.round(255 * shares)
    return (255 - greys if inverted else greys).astype(np.uint8)


def _palette(header: Header) -> np.ndarray:
    """Red, green and blue of each stored value, uint8 (n, 3), by PS3.3, C.7.6.3.1.5."""
    depths = header.numbers("RedPaletteColorLookupTableDescriptor")[2:]
    count = 1 << int(header.number("BitsAllocated") or 8)
    try:
        attributes = header.attributes if header.syntax.is_little_endian else _swapped(header.attributes)
        table = apply_color_lut(np.arange(count, dtype=np.uint16), attributes)
    except Exception:  # a damaged table makes pydicom raise almost anything
        raise ValueError("damaged palette") from None
    return (table >> (8 if depths == [16.0] else 0)).astype(np.uint8)


def _swapped(attributes: Dataset) -> Dataset:
    """Palette in the order of bytes that pydicom takes it to have, also in a file of the other order."""
    swapped = copy.copy(attributes)
    for colour in ("Red", "Green", "Blue"):
        name = f"{colour}PaletteColorLookupTableData"
        if name in attributes:
            data = np.frombuffer(attributes[name].value, dtype=np.uint16).byteswap().tobytes()
            swapped[name] = DataElement(attributes[name].tag, "OW", data)
    return swapped
