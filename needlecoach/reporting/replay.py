"""The clip again with the needle, its tip and the target drawn on: the replay video and the stills."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from needlecoach.clips import ClipReader, open_clip, straightened
from needlecoach.errors import OutputError
from needlecoach.model import Frame, Scorecard
from needlecoach.reporting.overlay import Overlay

Progress = Callable[[int, int], None]
Write = Callable[[np.ndarray, int, int], None]

MAX_FPS = 30.0
MAX_SIDE_PX = 720
STILL_SIDE_PX = 840
# Meant to keep a replay of up to two minutes small enough to be embedded in the page.
AIM_BYTES = 13_000_000
MIN_BIT_RATE, MAX_BIT_RATE = 800_000, 3_000_000
# A full picture about every two seconds, so that a viewer can jump.
KEY_INTERVAL = 50
# Below zero "cpu-used" is a fixed effort; above, the effort follows the clock and no two files are alike.
ENCODER_OPTIONS: dict[str, object] = {
    "deadline": "realtime",
    "cpu-used": "-8",
    "crf": "14",
    "g": str(KEY_INTERVAL),
}


def write_replay(
    card: Scorecard, path: Path, progress: Progress | None = None, *, with_stills: Sequence[int] = ()
) -> dict[int, bytes]:
    """Write the region of the clip with everything found drawn on as a VP8 .webm file; return stills.

    Every picture carries the time of its frame (to 1 ms), so an uneven recording stays as uneven as it was.

    Parameters
    ----------
    progress
        Called with (frames done, frames in all).
    with_stills
        Frames to return as `stills` does, so that the clip need not be read once more for them.

    Raises
    ------
    ClipError
        When the clip can't be read again.
    OutputError
        When the video can't be encoded.
    OSError
        When it can't be written.
    """
    stamps = replay_stamps_ms(card)
    ends = dict(zip(stamps, [*list(stamps.values())[1:], _end_ms(card)], strict=True))
    painter, still_painter = (Overlay(card, max_side_px=side) for side in (MAX_SIDE_PX, STILL_SIDE_PX))
    found: dict[int, bytes] = {}
    with _encoder(path, painter.size_px, len(stamps), _end_ms(card)) as write, _reader(card) as reader:
        for frame in reader:
            if frame.number in stamps:
                start_ms = stamps[frame.number]
                write(painter.draw(frame, frame.number), start_ms, max(ends[frame.number] - start_ms, 1))
            if frame.number in with_stills:
                found[frame.number] = _jpeg(still_painter.draw(frame, frame.number))
            if progress is not None:
                progress(frame.number + 1, len(card.track))
    return found


def stills(card: Scorecard, frames: Sequence[int]) -> dict[int, bytes]:
    """Return single frames with everything found drawn on, as JPEG files keyed by frame number.

    Raises
    ------
    ClipError
        When the clip can't be read again.
    """
    if not frames:
        return {}
    painter = Overlay(card, max_side_px=STILL_SIDE_PX)
    with _reader(card) as reader:
        found = reader.read_frames(sorted(set(frames)))
    return {number: _jpeg(painter.draw(frame, number)) for number, frame in found.items()}


def overlay(frame: Frame, card: Scorecard, index: int, *, max_side_px: int = MAX_SIDE_PX) -> np.ndarray:
    """Draw row `index` of the track on the frame's region: BGR picture, uint8 (height, width, 3)."""
    return Overlay(card, max_side_px=max_side_px).draw(frame, index)


def replay_stamps_ms(card: Scorecard) -> dict[int, int]:
    """Return the frames that the replay shows and when, in ms from the first one; at most 30 a second."""
    stamps: dict[int, int] = {}
    # A tenth of slack lets a rate of just over 30 through instead of halving it.
    due_s, least_gap_s = -1.0, 0.9 / MAX_FPS
    for number, time_s in enumerate(card.track.time_s - card.track.time_s[:1]):
        if time_s >= due_s:
            stamps[number] = round(float(time_s) * 1000)
            due_s = time_s + least_gap_s
    return stamps


def _end_ms(card: Scorecard) -> int:
    """When the last frame ends, in ms from the first one's start."""
    return round(float(card.track.frame_durations_s.sum()) * 1000)


def _reader(card: Scorecard) -> ClipReader:
    """Open the scored clip again; one without times of its own needs the rate that was given for it."""
    fps = None if card.clip.kind == "video" else card.clip.nominal_fps or None
    reader = open_clip(card.clip.path, fps=fps)
    return reader if card.screen is None else straightened(reader, card.screen)


def _jpeg(picture: np.ndarray) -> bytes:
    """Encode a BGR picture."""
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not done:
        raise OutputError("A still could not be encoded as JPEG; check the installation of opencv-python.")
    return data.tobytes()


@contextmanager
def _encoder(path: Path, size_px: tuple[int, int], n_pictures: int, length_ms: int) -> Iterator[Write]:
    """Give a function that adds a BGR picture with its start and length in ms.

    The file is written in one go at the end, so that a full disk is an ordinary OSError; FFmpeg's own writing
    tells of it late and in riddles.
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
            aim = AIM_BYTES * 8000 / max(length_ms, 1)
            stream.bit_rate = int(np.clip(aim, MIN_BIT_RATE, MAX_BIT_RATE))
            stream.options = ENCODER_OPTIONS
            # Several threads spend most of their time waiting for one another, at full load.
            stream.codec_context.thread_count = 1

            def encode(picture: np.ndarray, start_ms: int, length_ms: int) -> None:
                planes = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2YUV_I420), dtype=np.uint8)
                image = av.VideoFrame.from_ndarray(planes, format="yuv420p")
                image.pts, image.duration, image.time_base = start_ms, length_ms, clock
                container.mux(stream.encode(image))

            with _one_behind(encode) as write:
                yield write
            container.mux(stream.encode())
    except av.FFmpegError as problem:
        raise OutputError(f"{path.name} can't be encoded ({problem}); use --no-replay.") from problem
    path.write_bytes(whole.getbuffer())


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
