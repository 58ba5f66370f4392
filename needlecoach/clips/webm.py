"""A WebM file written picture by picture: VP8, each picture with a time of its own."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from needlecoach.errors import OutputError

Write = Callable[[np.ndarray, int, int], None]

# A full picture about every two seconds, so that a viewer can jump.
KEY_INTERVAL = 50
# Below zero "cpu-used" is a fixed effort; above, the effort follows the clock and no two files are alike.
ENCODER_OPTIONS: dict[str, object] = {
    "deadline": "realtime",
    "cpu-used": "-8",
    "crf": "14",
    "g": str(KEY_INTERVAL),
}


@contextmanager
def webm_file(
    path: Path,
    size_px: tuple[int, int],
    n_pictures: int,
    length_ms: int,
    *,
    bit_rate: int,
    advice: str = "export the clip again",
) -> Iterator[Write]:
    """Give a function that adds a picture, BGR (h, w, 3) or grey (h, w), with its start and length in ms.

    The file is written in one go at the end, so that a full disk is an ordinary OSError; FFmpeg's own writing
    tells of it late and in riddles.

    Parameters
    ----------
    size_px : width and height of every picture, even
    n_pictures, length_ms : of the whole, about
    bit_rate : bits a second to aim at
    advice : what to do when it can't be encoded, as the end of a sentence

    Raises
    ------
    OutputError
        When the video can't be encoded.
    OSError
        When it can't be written.
    """
    # Imported here: the tool starts faster without it.
    import av

    clock, whole = Fraction(1, 1000), io.BytesIO()
    try:
        with av.open(whole, "w", format="webm") as container:
            stream = container.add_stream(
                "libvpx", rate=Fraction(max(n_pictures, 1) * 1000, max(length_ms, 1))
            )
            stream.width, stream.height = size_px
            stream.pix_fmt = "yuv420p"
            # The codec's clock too, or times would be rounded to whole pictures of the nominal rate.
            stream.time_base = stream.codec_context.time_base = clock
            stream.bit_rate = bit_rate
            stream.options = ENCODER_OPTIONS
            # Several threads spend most of their time waiting for one another, at full load.
            stream.codec_context.thread_count = 1

            def encode(picture: np.ndarray, start_ms: int, length_ms: int) -> None:
                image = av.VideoFrame.from_ndarray(_planes(picture), format="yuv420p")
                image.pts, image.duration, image.time_base = start_ms, length_ms, clock
                container.mux(stream.encode(image))

            with _one_behind(encode) as write:
                yield write
            container.mux(stream.encode())
    except av.FFmpegError as problem:
        raise OutputError(f"{path.name} can't be encoded ({problem}); {advice}.") from problem
    path.write_bytes(whole.getbuffer())


def _planes(picture: np.ndarray) -> np.ndarray:
    """Luma and colour of a picture one below the other, limited range (ITU-R BT.601)."""
    colours = cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR) if picture.ndim == 2 else picture
    return np.asarray(cv2.cvtColor(colours, cv2.COLOR_BGR2YUV_I420), dtype=np.uint8)


@contextmanager
def _one_behind(encode: Write) -> Iterator[Write]:
    """Encode each picture while the next is drawn; a fault is raised with that one, or at the end."""
    with ThreadPoolExecutor(max_workers=1) as beside:
        under_way: list[Future[None]] = []

        def write(picture: np.ndarray, start_ms: int, length_ms: int) -> None:
            while under_way:
                under_way.pop().result()
            under_way.append(beside.submit(encode, picture, start_ms, length_ms))

        yield write
        for last in under_way:
            last.result()
