"""The pictures of a DICOM file, decoded one at a time by number."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Any

import numpy as np
from pydicom import uid
from pydicom.encaps import encapsulate, parse_basic_offsets, parse_fragments
from pydicom.pixels.decoders.base import get_decoder

from needlecoach.clips import dicom_lossless
from needlecoach.clips.dicom_header import BoundedFile, Header
from needlecoach.clips.dicom_samples import COLOURS, GREYS, PALETTE, Picture, conversion
from needlecoach.errors import ClipError

# One decoder for each way of coding, so that a file gives the same figures whatever else is installed.
_PLUGINS = {
    uid.JPEGBaseline8Bit: "pillow",
    uid.JPEGExtended12Bit: "pillow",
    uid.JPEG2000Lossless: "pillow",
    uid.JPEG2000: "pillow",
    uid.JPEGLSLossless: "pyjpegls",
    uid.JPEGLSNearLossless: "pyjpegls",
    uid.RLELossless: "pylibjpeg",
    **dict.fromkeys(dicom_lossless.SYNTAXES, dicom_lossless.PLUGIN),
}
_PLAIN = (uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian)
_JPEGS = set(_PLUGINS) - {uid.RLELossless}
# End of a coded picture: JPEG's EOI and JPEG 2000's EOC have one code.
_END_OF_PICTURE = b"\xff\xd9"
_UNDEFINED = 0xFFFFFFFF


class Pictures:
    """The pictures of a file by number; only where they lie is kept, never what they show.

    Raises
    ------
    ClipError
        When they are coded in a way that can't be read, or the file holds fewer than it announces.
    """

    def __init__(self, header: Header) -> None:
        self._header = header
        self._photometric = header.word("PhotometricInterpretation")
        self._options = _options(header, self._photometric)
        _check_coding(header, self._photometric, self._options)
        dicom_lossless.install()
        self._decoder = get_decoder(header.syntax)
        self._spans: list[list[tuple[int, int]]] = []
        try:
            with BoundedFile(header.path) as file:
                if header.syntax.is_encapsulated:
                    self._spans = _spans(header, file)
                else:
                    _check_length(header, self._options, file)
            self._to_8_bits = conversion(header, self._photometric, self._options)
        except (ValueError, struct.error, MemoryError, OverflowError):
            raise ClipError(f"{header.path}: its pictures are damaged; export the clip again.") from None

    def read(self, number: int, file: BoundedFile) -> Picture:
        """Decode one picture of the opened file.

        Raises
        ------
        ClipError
            When it is damaged.
        """
        try:
            samples, properties = self._decoded(number, file)
            picture = self._to_8_bits(samples, str(properties["photometric_interpretation"]))
        except ClipError:
            raise
        except Exception:  # each decoder has errors of its own
            raise self._damaged(number) from None
        if picture.samples.shape[:2] != (self._header.height_px, self._header.width_px):
            raise self._damaged(number)
        return picture

    def _damaged(self, number: int) -> ClipError:
        return ClipError(
            f"{self._header.path}: frame {number} is damaged and can't be decoded; export the clip again."
        )

    def _decoded(self, number: int, file: BoundedFile) -> tuple[np.ndarray, dict[str, Any]]:
        if not self._header.syntax.is_encapsulated:
            file.seek(self._header.pixels_at)
            # Pixels must be checked by us: pydicom would do so against all that is left of the file.
            return self._decoder.as_array(file, index=number, raw=True, validate=False, **self._options)
        data = b"".join(_part(file, start, length) for start, length in self._spans[number])
        self._check_coded_size(number, data)
        alone = encapsulate([data], has_bot=False)
        options = self._options | {"number_of_frames": 1}
        plugin = _PLUGINS.get(self._header.syntax, "")
        return self._decoder.as_array(alone, index=0, raw=True, decoding_plugin=plugin, **options)

    def _check_coded_size(self, number: int, data: bytes) -> None:
        """Refuse a coded picture of another size before a decoder sets memory aside for it."""
        size = coded_size_px(data) if self._header.syntax in _JPEGS else None
        stated = (self._header.width_px, self._header.height_px)
        if size is not None and size != stated:
            raise ClipError(
                f"{self._header.path}: frame {number} is coded as {size[0]} x {size[1]} px, the file claims "
                f"{stated[0]} x {stated[1]}; export the clip again."
            )


def _part(file: BoundedFile, start: int, length: int) -> bytes:
    file.seek(start)
    return file.read(length)


def coded_size_px(data: bytes) -> tuple[int, int] | None:
    """Width and height by the head of a JPEG, JPEG-LS (ITU-T T.81, T.87) or JPEG 2000 (T.800) picture."""
    if data[2:4] == b"\xff\x51":
        right, down, left, top = struct.unpack(">4L", data[8:24].ljust(16, b"\0"))
        return right - left, down - top
    at = 2
    while at + 9 <= len(data):
        marker, length = struct.unpack(">HH", data[at : at + 4])
        # Starts of frame are C0 to CF but for C4, C8 and CC; JPEG-LS has F7.
        if marker == 0xFFF7 or (0xFFC0 <= marker <= 0xFFCF and marker not in (0xFFC4, 0xFFC8, 0xFFCC)):
            height, width = struct.unpack(">HH", data[at + 5 : at + 9])
            return width, height
        if marker >> 8 != 0xFF:
            return None
        at += 1 if marker == 0xFFFF else 2 + length
    return None


def _options(header: Header, photometric: str) -> dict[str, Any]:
    """What pydicom's decoders want to know."""
    bits = int(header.number("BitsAllocated") or 0)
    planar = int(header.number("PlanarConfiguration") or 0)
    return {
        "transfer_syntax_uid": header.syntax,
        "rows": header.height_px,
        "columns": header.width_px,
        "number_of_frames": header.n_frames,
        "samples_per_pixel": int(header.number("SamplesPerPixel") or 1),
        "photometric_interpretation": photometric,
        "bits_allocated": bits,
        "bits_stored": int(header.number("BitsStored") or bits),
        "pixel_representation": int(header.number("PixelRepresentation") or 0),
        "planar_configuration": planar,
        "pixel_keyword": "PixelData",
        "pixel_vr": header.pixel_vr,
    }


def _check_coding(header: Header, photometric: str, options: dict[str, Any]) -> None:
    """Refuse what can't be decoded, and say what would help."""
    syntax, bits = header.syntax, options["bits_stored"]
    if syntax not in _PLAIN and not _is_decodable(syntax, bits):
        raise ClipError(
            f"{header.path}: {syntax.name} (transfer syntax {syntax}) can't be read; {_help(syntax)}."
        )
    samples = {**dict.fromkeys((*GREYS, PALETTE), 1), **dict.fromkeys(COLOURS, 3)}.get(photometric)
    if samples is None:
        raise ClipError(
            f"{header.path}: its kind of colour (photometric interpretation) can't be read; export it as "
            "MONOCHROME2, RGB or YBR_FULL."
        )
    allocated = options["bits_allocated"]
    wrong_bits = allocated not in (8, 16) or not 1 <= bits <= allocated
    if options["samples_per_pixel"] != samples or wrong_bits or options["pixel_representation"] not in (0, 1):
        raise ClipError(
            f"{header.path}: {options['samples_per_pixel']} samples a pixel of {bits} bits in {allocated} "
            f"can't be {photometric}; export it with 8 or 16 bits."
        )


def _is_decodable(syntax: uid.UID, bits: int) -> bool:
    eight_only = syntax in dicom_lossless.SYNTAXES or syntax == uid.JPEGExtended12Bit
    return syntax in _PLUGINS and not (eight_only and bits > 8)


def _help(syntax: uid.UID) -> str:
    again = "export the clip uncompressed or as JPEG"
    if "MPEG" in syntax.name or "HEVC" in syntax.name:
        return "export the clip as an mp4 video"
    if syntax in (uid.JPEGExtended12Bit, *dicom_lossless.SYNTAXES):
        return f"{again}, or convert it with pydicom and the package pylibjpeg-libjpeg"
    if "2000" in syntax.name:
        return f"{again}, or convert it with pydicom and the package pylibjpeg-openjpeg"
    return again


def _check_length(header: Header, options: dict[str, Any], file: BoundedFile) -> None:
    """Refuse uncompressed pixels that the file can't hold."""
    sub_sampled = options["photometric_interpretation"] == "YBR_FULL_422"
    per_px = (2 if sub_sampled else options["samples_per_pixel"]) * options["bits_allocated"] // 8
    wanted = header.n_frames * header.width_px * header.height_px * per_px
    there = file.size_bytes - header.pixels_at
    there = min(there, header.pixels_length) if header.pixels_length != _UNDEFINED else there
    if wanted > there:
        raise ClipError(
            f"{header.path}: announces {header.n_frames} frames of {header.width_px} x {header.height_px} px "
            f"({wanted} bytes) and holds {there} bytes of them; it was cut off, copy it again."
        )


def _spans(header: Header, file: BoundedFile) -> list[list[tuple[int, int]]]:
    """Places of the coded parts of each picture in the file: start and length in bytes (PS3.5, A.4)."""
    file.seek(header.pixels_at)
    starts = parse_basic_offsets(file)
    base = file.tell()
    _, items = parse_fragments(file)
    parts = [(item + 8, struct.unpack("<L", _part(file, item + 4, 4))[0]) for item in items]
    parts = [part for part in parts if sum(part) <= file.size_bytes]
    pictures = _by_picture(parts, [base + start + 8 for start in starts], header.n_frames, file)
    if len(pictures) < header.n_frames:
        raise ClipError(
            f"{header.path}: announces {header.n_frames} frames and holds {len(pictures)} whole ones; it was "
            "cut off, copy it again."
        )
    return pictures


def _by_picture(
    parts: list[tuple[int, int]], firsts: Sequence[int], n_frames: int, file: BoundedFile
) -> list[list[tuple[int, int]]]:
    """Parts that belong together: by the table of offsets, one each, or up to each picture's end code."""
    if n_frames == 1:
        return [parts] if parts else []
    if len(parts) <= n_frames:
        return [[part] for part in parts]
    ends_by = set(firsts[1:])
    pictures: list[list[tuple[int, int]]] = []
    under_way: list[tuple[int, int]] = []
    for start, length in parts:
        if start in ends_by and under_way:
            pictures.append(under_way)
            under_way = []
        under_way.append((start, length))
        if not ends_by and _END_OF_PICTURE in _part(file, start + max(length - 10, 0), min(length, 10)):
            pictures.append(under_way)
            under_way = []
    return [*pictures, under_way] if under_way else pictures
