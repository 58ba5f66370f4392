"""A video file open through PyAV: its packets, its decoded pictures, and what they hold as arrays."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, TypeAlias

import av
import cv2
import numpy as np
from av.stream import Disposition
from av.video.reformatter import ColorRange

from needlecoach.clips.reader import ColourImage, FileFacts
from needlecoach.errors import ClipError
from needlecoach.model import GreyImage

# Formats whose first plane is luma, 8 bits a pixel.
_LUMA_FIRST = re.compile(r"yuv[aj]?4\d\dp|nv\d\d|gray")
# Limited range holds black at 16 and white at 235 (ITU-R BT.601-7, section 2.5.3).
_BLACK, _STRETCH = 16, 255 / (235 - 16)

# Some containers are entered by the time of decoding, which runs ahead of the time of showing.
_SEEK_AHEAD_S = 1

_Part: TypeAlias = "av.VideoFrame | av.Packet[av.VideoStream]"


class Packets(NamedTuple):
    """What the packets of a video tell, about one a frame: stamps, those of key frames, and size in all."""

    stamps: list[int | None]
    keys: list[int]
    n_bytes: int

    @property
    def shown(self) -> list[int]:
        """Stamps in order of showing."""
        return sorted(stamp for stamp in self.stamps if stamp is not None)


class VideoFile:
    """The video stream of a file; use `with`, or `close` it.

    Attributes
    ----------
    damaged : int
        Parts that could not be decoded and pictures that came out damaged, so far.
    only : frozenset of int or None
        Stamps of the pictures that are wanted, None for all: of the others those that no picture builds on
        are left undecoded, which changes nothing in the wanted ones.

    Raises
    ------
    ClipError
        When FFmpeg can't open the file, or it holds no video (a cover picture is none).
    """

    def __init__(self, path: Path) -> None:
        try:
            # The absolute path keeps a name such as "a:b.mp4" from being read as a protocol.
            self._container = av.open(str(path.absolute()))
        except av.FFmpegError as problem:
            raise ClipError(f"{path}: {why_unreadable(path)}") from problem
        stream = next(filter(_is_recording, self._container.streams.video), None)
        if stream is None:
            self._container.close()
            raise ClipError(f"{path}: {why_unreadable(path)}")
        self.stream, self.damaged = stream, 0
        self.only: frozenset[int] | None = None
        # AVI holds no times of showing; FFmpeg's guesses at them fall back where the order is shuffled.
        self._counts_on = self._container.format.name == "avi"

    def __enter__(self) -> VideoFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file; safe to call twice."""
        self._container.close()

    @property
    def fps(self) -> float:
        """Pictures a second by the container, 0 without a sound figure."""
        fps = float(self.stream.average_rate or self.stream.guessed_rate or 0)
        return fps if 0 < fps <= 1000 else 0.0

    @property
    def n_frames(self) -> int:
        """Number of frames by the container, from its length if need be; 0 if it says neither."""
        length_s = (self._container.duration or 0) / av.time_base
        count = self.stream.frames or int(length_s * self.fps + 0.5)
        return count if 0 < count < 1e8 else 0

    def stamp(self, part: _Part) -> int | None:
        """When a picture or packet is to be shown, in ticks; None when the file does not say."""
        first, second = (part.dts, part.pts) if self._counts_on else (part.pts, part.dts)
        return second if first is None else first

    def seconds(self, stamp: int | None) -> float:
        """Time of a stamp from the stream's start; NaN without a stamp."""
        base = self.stream.time_base
        if stamp is None or base is None:
            return float("nan")
        return (stamp - (self.stream.start_time or 0)) * base.numerator / base.denominator

    def pictures(self) -> Iterator[av.VideoFrame]:
        """Yield the pictures from the present place on, in order of showing; what is damaged is left out."""
        for packet in self._packets():
            yield from self._decoded(packet)

    def pictures_from(self, stamp: int) -> Iterator[av.VideoFrame]:
        """Yield the pictures from that of a key frame on; none when it can't be entered there.

        Pictures that are decoded with a key frame but shown before it may lack what they build on: they are
        passed over.
        """
        for ahead_s in (0, _SEEK_AHEAD_S):
            if not self._enter(stamp, ahead_s=ahead_s):
                return
            pictures = self.pictures()
            first = next((one for one in pictures if self._is_reached(one, stamp)), None)
            if first is not None and self.stamp(first) == stamp:
                yield first
                yield from pictures
                return

    def key_picture(self, stamp: int) -> av.VideoFrame | None:
        """Decode the picture of one key frame alone; None when it can't be entered there."""
        if not self._enter(stamp, ahead_s=_SEEK_AHEAD_S):
            return None
        for packet in self._packets():
            if packet is not None and packet.is_keyframe and self._is_reached(packet, stamp):
                return next(iter([*self._decoded(packet), *self._decoded(None)]), None)
        return None

    def _enter(self, stamp: int, *, ahead_s: int) -> bool:
        """Seek to the last key frame at a stamp or so long ahead of it; tell whether the file allows it."""
        base = self.stream.time_base
        ahead = round(ahead_s / base) if base else 0
        try:
            self._container.seek(stamp - ahead, stream=self.stream)
        except av.FFmpegError:
            return False
        return True

    def _is_reached(self, part: _Part, stamp: int) -> bool:
        at = self.stamp(part)
        return at is not None and at >= stamp

    def packets(self) -> Packets:
        """Read through all packets from the present place on, without decoding."""
        stamps, keys, n_bytes = [], [], 0
        for packet in self._packets():
            if packet is not None:
                stamp = self.stamp(packet)
                stamps.append(stamp)
                n_bytes += packet.size
                if packet.is_keyframe and stamp is not None:
                    keys.append(stamp)
        return Packets(stamps, keys, n_bytes)

    def facts(self, n_bytes: int) -> FileFacts:
        """Tell how the video is stored; `n_bytes` is the size of all its packets."""
        context = self.stream.codec_context
        return FileFacts(
            container=self._container.format.name,
            codec=context.codec.name,
            pixel_format=context.pix_fmt or "",
            n_bytes=n_bytes,
            # 0 is not known, 1 progressive, the others are orders of fields (FFmpeg's AVFieldOrder).
            flagged_interlaced=int(context.field_order) > 1,
        )

    def _packets(self) -> Iterator[av.Packet[av.VideoStream] | None]:
        """Yield the stream's packets, at the end None; a fault in reading the file is taken for its end."""
        try:
            # Recorders write empty packets for "as before", which a decoder would take for the end.
            yield from (packet for packet in self._container.demux(self.stream) if packet.size)
        except av.FFmpegError:
            self.damaged += 1
        yield None

    def _decoded(self, packet: av.Packet[av.VideoStream] | None) -> list[av.VideoFrame]:
        """Decode a packet, or with None what the decoder still holds back."""
        context = self.stream.codec_context
        spare = self.only is not None and packet is not None and self.stamp(packet) not in self.only
        context.skip_frame = "NONREF" if spare else "DEFAULT"
        try:
            pictures = context.decode(packet)
        except av.FFmpegError:
            self.damaged += 1
            return []
        self.damaged += sum(picture.is_corrupt for picture in pictures)
        return pictures


def _is_recording(stream: av.VideoStream) -> bool:
    """Tell whether a stream has a decoder and is not the cover of a sound file."""
    return stream.codec_context is not None and not stream.disposition & Disposition.attached_pic


def grey_of(picture: av.VideoFrame) -> GreyImage:
    """Luma of a picture, uint8 (h, w), full range, upright, read-only.

    Where the file holds Y' of 8 bits, be it of ITU-R BT.601 or BT.709, it is taken as it is; limited range
    (16-235, the rule for Y'CbCr that says nothing else) is stretched to 0-255. Anything else goes through
    FFmpeg's scaler, red, green and blue by BT.601.
    """
    name, plane = picture.format.name, picture.planes[0]
    if _LUMA_FIRST.fullmatch(name) and plane.line_size > 0:
        rows = np.frombuffer(memoryview(plane), dtype=np.uint8).reshape(-1, plane.line_size)
        luma = rows[: picture.height, : picture.width]
        pixels = luma.copy() if is_full_range(picture) else _stretched(luma)
    else:
        pixels = picture.to_ndarray(format="gray")
    grey = _upright(pixels, picture)
    grey.setflags(write=False)
    return grey


def is_full_range(picture: av.VideoFrame) -> bool:
    """Tell whether black is at 0: told in the file, or the rule for grey and for JPEG where it is not."""
    untold_is_full = picture.format.name.startswith(("gray", "yuvj"))
    return picture.color_range == ColorRange.JPEG or (
        untold_is_full and picture.color_range != ColorRange.MPEG
    )


def _stretched(luma: np.ndarray) -> np.ndarray:
    """Limited range as full range; one pass of vector instructions takes less than a look-up table."""
    return np.asarray(cv2.addWeighted(luma, _STRETCH, luma, 0.0, -_BLACK * _STRETCH))


def colour_of(picture: av.VideoFrame) -> ColourImage:
    """Colours of a picture, upright: uint8 (h, w, 3), blue-green-red, to 2 levels."""
    return _upright(picture.to_ndarray(format="bgr24"), picture)


def _upright(pixels: np.ndarray, picture: av.VideoFrame) -> ColourImage:
    """Turn pixels by the quarters that the file tells, as a phone held upright writes it."""
    return np.ascontiguousarray(np.rot90(pixels, round(picture.rotation / 90)), dtype=np.uint8)


def why_unreadable(path: Path) -> str:
    """Say what is known of a file that FFmpeg refuses, and what to do: the end of a sentence."""
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError as problem:
        return f"can't be opened ({problem.strerror or problem}); check its permissions."
    if head[4:8] == b"ftyp":
        if not _has_index(path):
            return "was cut off before its index was written (no 'moov' part); record or copy it again."
        return "holds no picture that can be read (sound only, or an unknown codec); export it as H.264 mp4."
    if not set(head) & set(range(9)):
        return "is text, not a video; give the recording itself."
    return "holds no picture that can be read (damaged, cut off or no video); export it again as mp4."


def _has_index(path: Path) -> bool:
    """Walk the top-level boxes of an ISO base media file (ISO/IEC 14496-12) in search of 'moov'."""
    size, at = path.stat().st_size, 0
    with path.open("rb") as file:
        while at + 8 <= size:
            file.seek(at)
            head = file.read(16)
            length = int.from_bytes(head[:4], "big")
            if length == 1:
                length = int.from_bytes(head[8:16], "big")
            if head[4:8] == b"moov":
                return at + length <= size
            if length < 8:
                return False
            at += length
    return False
