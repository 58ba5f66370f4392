"""A decoder of lossless JPEG for pydicom, which ships none: FFmpeg's, already here for the videos.

Lossless JPEG (ITU-T T.81, process 14) is what many scanners export. Made as pydicom's plugins are: it asks
for `is_available`, `DECODER_DEPENDENCIES` and a function that turns one frame's bytes into samples.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import av
import numpy as np
from pydicom import uid
from pydicom.pixels.decoders.base import get_decoder

if TYPE_CHECKING:
    from pydicom.pixels.decoders.base import DecodeRunner

PLUGIN = "needlecoach"
SYNTAXES = (uid.JPEGLossless, uid.JPEGLosslessSV1)
DECODER_DEPENDENCIES = {syntax: ("numpy", "av") for syntax in SYNTAXES}


def is_available(syntax: str) -> bool:
    """Tell whether this decoder is meant for a transfer syntax."""
    return syntax in SYNTAXES


def decode_frame(data: bytes, runner: DecodeRunner) -> bytes:
    """Decode one frame of 8 bits a sample; colours come out pixel by pixel.

    Raises
    ------
    ValueError, av.FFmpegError
        When the frame is damaged, or of more than 8 bits.
    """
    if runner.bits_stored > 8 or runner.samples_per_pixel not in (1, 3):
        raise ValueError("lossless JPEG of more than 8 bits")
    decoder = av.CodecContext.create("mjpeg", "r")
    assert isinstance(decoder, av.VideoCodecContext)
    pictures = decoder.decode(av.Packet(data)) or decoder.decode(None)
    if not pictures or pictures[0].is_corrupt:
        raise ValueError("no whole picture in the frame")
    samples = _samples(pictures[0], runner.samples_per_pixel)
    runner.set_option("bits_allocated", 8)
    runner.set_option("planar_configuration", 0)
    return samples.tobytes()


def _samples(picture: av.VideoFrame, per_pixel: int) -> np.ndarray:
    """Samples as coded: never turned from one colour space into another."""
    name = picture.format.name
    if per_pixel == 1 and name == "gray":
        return picture.to_ndarray()
    if per_pixel == 3 and name in {"gbrp", "bgr24", "rgb24", "bgr0"}:
        return picture.to_ndarray(format="rgb24")
    if per_pixel == 3 and name in {"yuv444p", "yuvj444p"}:
        return np.ascontiguousarray(np.moveaxis(picture.to_ndarray(), 0, -1))
    raise ValueError(f"unexpected samples {name}")


def install() -> None:
    """Make the decoder known to pydicom, once."""
    for decoder in map(get_decoder, SYNTAXES):
        if PLUGIN not in decoder.available_plugins:
            decoder.add_plugin(PLUGIN, (__name__, "decode_frame"))
