"""A recording as a browser plays it: the file itself where it can, else a copy made once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from needlecoach.clips import ClipReader, open_clip
from needlecoach.clips.decoding import VideoFile
from needlecoach.clips.webm import webm_file
from needlecoach.errors import ClipError
from needlecoach.model import GreyImage

Progress = Callable[[int, int], None]

# What browsers play without a licence question or a plugin, by container: 8 bits, colour at half size.
_PLAYED = {
    ".mp4": ("video/mp4", {"h264", "av1", "libdav1d", "libaom-av1"}),
    ".m4v": ("video/mp4", {"h264"}),
    ".webm": ("video/webm", {"vp8", "vp9", "libvpx", "libvpx-vp9", "av1", "libdav1d", "libaom-av1"}),
}
_FORMATS = {"yuv420p", "yuvj420p"}
COPY_KIND = "video/webm"
# A copy for the eye: the exact frames are served apart.
MAX_SIDE_PX = 1280
_BITS_A_PIXEL, _MOST_BYTES = 8.0, 150_000_000


def played_kind(path: Path) -> str:
    """Kind of media (as HTTP names it) when a browser plays the file as it is, else "".

    It must start at time 0, lie upright and have square pixels: otherwise a browser's times or places would
    not be those of the frames.
    """
    kind, codecs = _PLAYED.get(path.suffix.lower(), ("", set()))
    if not kind or not path.is_file():
        return ""
    try:
        with VideoFile(path) as file:
            context = file.stream.codec_context
            picture = next(file.pictures(), None)
            ratio = context.sample_aspect_ratio
            plain = (
                context.codec.name in codecs
                and context.pix_fmt in _FORMATS
                and not (file.stream.start_time or 0)
                and (not ratio or ratio == 1)
                and picture is not None
                and not picture.rotation
            )
    except ClipError:
        return ""
    return kind if plain else ""


def write_copy(path: Path, copy: Path, *, fps: float | None = None, progress: Progress | None = None) -> None:
    """Write a WebM file (VP8) with the clip's frames at the clip's own times, the first at 0.

    Grey, as the tool sees it; larger than 1280 px it is shrunk; sides are made even.

    Raises
    ------
    ClipError
        When the clip can't be read.
    OutputError, OSError
        When the copy can't be encoded or written.
    """
    with open_clip(path, fps=fps) as reader:
        starts_ms = _starts_ms(reader)
        if not starts_ms:
            raise ClipError(f"{path.name}: no frame can be read; export the clip again.")
        usual_ms = round(float(np.median(np.diff(starts_ms)))) if len(starts_ms) > 1 else 40
        ends_ms = [*starts_ms[1:], starts_ms[-1] + max(usual_ms, 1)]
        size_px = _size_px(reader.clip.width_px, reader.clip.height_px)
        rate = min(_BITS_A_PIXEL * size_px[0] * size_px[1], _MOST_BYTES * 8000 / max(ends_ms[-1], 1))
        with webm_file(copy, size_px, len(starts_ms), ends_ms[-1], bit_rate=int(rate)) as write:
            for frame in reader:
                if frame.number < len(starts_ms):  # a file may hold more than it tells
                    start_ms = starts_ms[frame.number]
                    write(_resized(frame.pixels, size_px), start_ms, max(ends_ms[frame.number] - start_ms, 1))
                if progress is not None:
                    progress(frame.number + 1, len(starts_ms))


def _starts_ms(reader: ClipReader) -> list[int]:
    times_s = reader.times_s()
    return [round((time_s - times_s[0]) * 1000) for time_s in times_s]


def _size_px(width_px: int, height_px: int) -> tuple[int, int]:
    """Sides of the copy: even, as VP8's colours need them."""
    share = min(MAX_SIDE_PX / max(width_px, height_px), 1.0)
    wide, high = (max(2 * round(side * share / 2), 2) for side in (width_px, height_px))
    return wide, high


def _resized(picture: GreyImage, size_px: tuple[int, int]) -> GreyImage:
    if picture.shape == size_px[::-1]:
        return picture
    return np.asarray(cv2.resize(picture, size_px, interpolation=cv2.INTER_AREA), dtype=np.uint8)
