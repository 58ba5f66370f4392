"""What a DICOM file says of its pictures; nothing that says of whom they are is ever read from it."""

from __future__ import annotations

import io
import logging
import math
import os
import struct
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pydicom
from pydicom import uid
from pydicom.dataset import Dataset

from needlecoach.errors import ClipError

# The only attributes that are read: a list of what is wanted can't forget a name, one of what is not could.
WANTED = (
    "Modality",
    "SamplesPerPixel",
    "PhotometricInterpretation",
    "PlanarConfiguration",
    "NumberOfFrames",
    "FrameIncrementPointer",
    "Rows",
    "Columns",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "WindowCenter",
    "WindowWidth",
    "RescaleIntercept",
    "RescaleSlope",
    "RedPaletteColorLookupTableDescriptor",
    "GreenPaletteColorLookupTableDescriptor",
    "BluePaletteColorLookupTableDescriptor",
    "RedPaletteColorLookupTableData",
    "GreenPaletteColorLookupTableData",
    "BluePaletteColorLookupTableData",
    "SegmentedRedPaletteColorLookupTableData",
    "SegmentedGreenPaletteColorLookupTableData",
    "SegmentedBluePaletteColorLookupTableData",
    "FrameTime",
    "FrameTimeVector",
    "RecommendedDisplayFrameRate",
    "CineRate",
    "SequenceOfUltrasoundRegions",
    "BurnedInAnnotation",
    "LossyImageCompression",
)
_PIXELS, _OTHER_PIXELS = (0x7FE0, 0x0010), {(0x7FE0, 0x0008), (0x7FE0, 0x0009)}
# No scanner's picture is larger; a damaged header may claim 65535 x 65535.
_MOST_PX = 8192 * 8192
_MOST_FRAMES = 10_000_000

# Values are checked where they are used, and what pydicom says of them may quote them.
pydicom.config.settings.reading_validation_mode = pydicom.config.IGNORE
logging.getLogger("pydicom").propagate = False


class BoundedFile(io.BufferedReader):
    """A file of which no damaged length can ask for more bytes, and so for more memory, than it has."""

    def __init__(self, path: Path) -> None:
        super().__init__(io.FileIO(path))
        self.size_bytes = os.fstat(self.fileno()).st_size

    def read(self, size: int | None = -1, /) -> bytes:
        if size is not None and size >= 0:
            size = min(size, max(self.size_bytes - self.tell(), 0))
        return super().read(size)


@dataclass(frozen=True)
class Header:
    """A DICOM file up to its pixels: the wanted attributes, checked sizes, and where the pixels start."""

    path: Path
    attributes: Dataset
    syntax: uid.UID
    pixel_vr: str
    pixels_at: int
    pixels_length: int
    width_px: int
    height_px: int
    n_frames: int

    def number(self, keyword: str) -> float | None:
        """Return the first value of an attribute as a finite number, None where it is none."""
        return number_of(self.attributes, keyword)

    def numbers(self, keyword: str) -> list[float]:
        """Return all values of an attribute as numbers, NaN for what is none."""
        return numbers_of(self.attributes, keyword)

    def word(self, keyword: str) -> str:
        """Return a text value in capitals, for comparing with known ones; never to be shown."""
        return word_of(self.attributes, keyword)

    def items(self, keyword: str) -> list[Dataset]:
        """Return the items of a sequence, none where it is missing or damaged."""
        try:
            items = self.attributes.get(keyword)
        except Exception:  # a damaged sequence; pydicom converts late and raises what comes
            return []
        return [item for item in items or [] if isinstance(item, Dataset)]

    @property
    def is_lossy(self) -> bool:
        """Whether detail was given up in coding, by the file or by its way of coding."""
        lossy = {uid.JPEGBaseline8Bit, uid.JPEGExtended12Bit, uid.JPEGLSNearLossless, uid.JPEG2000}
        return self.syntax in lossy or self.word("LossyImageCompression") == "01"


def numbers_of(attributes: Dataset, keyword: str) -> list[float]:
    """Return all values of an attribute as numbers, NaN for what is none."""
    try:
        value: Any = attributes.get(keyword)
    except Exception:  # a damaged value; pydicom converts late and raises what comes
        return []
    if value is None or isinstance(value, (str, bytes)):
        values: Sequence[Any] = [value] if value else []
    else:
        values = list(value) if hasattr(value, "__iter__") else [value]
    return [_number(one) for one in values]


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError, OverflowError):
        return math.nan


def number_of(attributes: Dataset, keyword: str) -> float | None:
    """Return the first value of an attribute as a finite number, None where it is none."""
    values = numbers_of(attributes, keyword)
    return values[0] if values and math.isfinite(values[0]) else None


def word_of(attributes: Dataset, keyword: str) -> str:
    """Return a text value in capitals, for comparing with known ones; never to be shown."""
    try:
        value = attributes.get(keyword)
    except Exception:  # a damaged value; pydicom converts late and raises what comes
        return ""
    return value.strip().upper() if isinstance(value, str) else ""


def silence() -> None:
    """Keep pydicom's and Pillow's warnings, which may quote values of the file, off the terminal.

    A filter rather than `warnings.catch_warnings`, which must not be used beside other threads. Python keeps
    one copy however often this is called.
    """
    warnings.filterwarnings("ignore", module=r"pydicom\b|PIL\b|needlecoach\.clips\.dicom")


def has_mark(path: Path) -> bool:
    """Tell whether a file carries the mark of DICOM, DICM after a preamble of 128 bytes (PS3.10, 7.1)."""
    with path.open("rb") as file:
        return file.read(132)[128:] == b"DICM"


def read_header(path: Path) -> Header:
    """Read what a DICOM file says of its pictures.

    Raises
    ------
    ClipError
        When it is no DICOM file, holds no pictures, or states sizes that can't be.
    """
    silence()
    with BoundedFile(path) as file:
        if file.size_bytes == 0:
            raise ClipError(f"{path}: the file is empty (0 bytes); copy or export the recording again.")
        try:
            syntax = _syntax(path)
            found = pydicom.dcmread(file, stop_before_pixels=True, specific_tags=list(WANTED), force=True)
            implicit, little_endian = found.original_encoding
            if syntax is None:
                syntax = _plain_syntax(bool(implicit), little_endian is not False)
        except ClipError:
            raise
        except Exception:  # a damaged file makes pydicom raise almost anything
            raise ClipError(f"{path}: is damaged or no DICOM file; export the clip again.") from None
        vr, length = _pixel_element(path, file, little_endian=syntax.is_little_endian)
        width_px, height_px, n_frames = _sizes(path, found)
        return Header(path, found, syntax, vr, file.tell(), length, width_px, height_px, n_frames)


def _syntax(path: Path) -> uid.UID | None:
    """Transfer syntax by the file's meta information, None without it; refuse what is no clip."""
    if not has_mark(path):
        return None
    meta = pydicom.filereader.read_file_meta_info(path)
    if word_of(meta, "MediaStorageSOPClassUID") == uid.MediaStorageDirectoryStorage:
        raise ClipError(f"{path}: is a DICOMDIR, a list of files; give one of the clips that it lists.")
    name = word_of(meta, "TransferSyntaxUID")
    if name == uid.DeflatedExplicitVRLittleEndian:
        # To be read it would have to be unpacked whole, however large that turns out.
        raise ClipError(f"{path}: is deflated as a whole; save it uncompressed or as JPEG.")
    syntax = uid.UID(name)
    return syntax if syntax.is_transfer_syntax else _unknown(path, syntax)


def _unknown(path: Path, syntax: uid.UID) -> uid.UID | None:
    # Never quoted: what stands in the place of a UID may be anything.
    if syntax:
        raise ClipError(f"{path}: its transfer syntax is a private or unknown one; save it uncompressed.")
    return None


def _plain_syntax(implicit: bool, little_endian: bool) -> uid.UID:
    if not little_endian:
        return uid.ExplicitVRBigEndian
    return uid.ImplicitVRLittleEndian if implicit else uid.ExplicitVRLittleEndian


def _pixel_element(path: Path, file: BoundedFile, *, little_endian: bool) -> tuple[str, int]:
    """Type and length of the pixels' element; leaves the file where its value starts."""
    order = "<" if little_endian else ">"
    head = file.read(8)
    tag = struct.unpack(f"{order}HH", head[:4]) if len(head) == 8 else (0, 0)
    if tag in _OTHER_PIXELS:
        raise ClipError(
            f"{path}: holds floating-point pictures, which no scanner's screen shows; export again."
        )
    if tag != _PIXELS:
        raise ClipError(
            f"{path}: is a DICOM file without pictures (no pixel data: a report, a list or cut off); "
            "give the clip itself."
        )
    if head[4:6] in (b"OB", b"OW", b"UN"):
        tail = file.read(4)
        length = struct.unpack(f"{order}L", tail)[0] if len(tail) == 4 else 0
        return head[4:6].decode(), length
    return "OW", struct.unpack(f"{order}L", head[4:])[0]


def _sizes(path: Path, attributes: Dataset) -> tuple[int, int, int]:
    """Width, height and number of frames, refused before anything is set aside for them."""
    width, height = (number_of(attributes, name) or 0 for name in ("Columns", "Rows"))
    if width < 1 or height < 1 or width * height > _MOST_PX:
        raise ClipError(f"{path}: claims pictures of {width:g} x {height:g} px; export the clip again.")
    stated = numbers_of(attributes, "NumberOfFrames")
    frames = stated[0] if stated else 1.0
    if not 1 <= frames <= _MOST_FRAMES:
        count = "an unreadable number of" if math.isnan(frames) else f"{frames:g}"
        raise ClipError(f"{path}: claims {count} frames; export the clip again.")
    return int(width), int(height), int(frames)
