"""The clip again with the needle, its tip and the target drawn on: the replay video and the stills."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np

from needlecoach.clips import ClipReader, open_clip
from needlecoach.errors import OutputError
from needlecoach.model import Frame, Scorecard
from needlecoach.reporting.overlay import Overlay

Progress = Callable[[int, int], None]

MAX_FPS = 30.0
MAX_SIDE_PX = 720
STILL_SIDE_PX = 960


def write_replay(card: Scorecard, path: Path, progress: Progress | None = None) -> None:
    """Write the region of the clip with everything found drawn on as a VP8 .webm file.

    The file's rate is constant; each of its pictures shows the frame that was on screen at that moment, so the clip's
    own timing is kept to half a picture.

    Parameters
    ----------
    progress
        Called with (frames done, frames in all).

    Raises
    ------
    ClipError
        When the clip can't be read again.
    OutputError
        When the video can't be encoded or written whole.
    """
    fps, slots = replay_slots(card)
    painter = Overlay(card, max_side_px=MAX_SIDE_PX)
    with _writer(path, fps, painter.size_px) as writer, _reader(card) as reader:
        for frame in reader:
            if frame.number >= len(slots):
                break
            if slots[frame.number]:
                picture = painter.draw(frame, frame.number)
                for _ in range(slots[frame.number]):
                    writer.write(picture)
            if progress is not None:
                progress(frame.number + 1, len(slots))
    _check_written(path, sum(slots))


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
    """Draw what was found in row `index` of the track on the frame's region: BGR picture, uint8 (height, width, 3)."""
    return Overlay(card, max_side_px=max_side_px).draw(frame, index)


def replay_slots(card: Scorecard) -> tuple[float, list[int]]:
    """Return the replay's rate and, for each frame of the clip, how many of its pictures show that frame.

    The rate is the clip's usual one, at most 30 a second; a frame that lasts long fills several pictures, one shorter
    than half a picture may fill none.
    """
    times, durations = card.track.time_s, card.track.frame_durations_s
    if not len(times):
        return 1.0, []
    usual_s = float(np.median(durations))
    fps = min(MAX_FPS, round(1 / usual_s, 3)) if usual_s > 0 else 1.0
    edges_s = np.append(times, times[-1] + durations[-1]) - times[0]
    edges = np.floor(edges_s * fps + 0.5).astype(int)
    edges[-1] = max(edges[-1], 1)
    return fps, np.diff(edges).tolist()


def _reader(card: Scorecard) -> ClipReader:
    """Open the scored clip again; an image folder needs the rate that was given for it."""
    return open_clip(card.clip.path, fps=card.clip.nominal_fps if card.clip.kind == "images" else None)


def _jpeg(picture: np.ndarray) -> bytes:
    """Encode a BGR picture."""
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not done:
        raise OutputError("A still could not be encoded as JPEG; check the installation of opencv-python.")
    return data.tobytes()


@contextmanager
def _writer(path: Path, fps: float, size_px: tuple[int, int]) -> Iterator[cv2.VideoWriter]:
    """Open a video writer and close it whatever happens."""
    with _muted_stderr():
        writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"VP80"), fps, size_px)
    try:
        if not writer.isOpened():
            raise OutputError(
                f"{path.name} could not be opened for writing as VP8; check the disk, or use --no-replay."
            )
        yield writer
    finally:
        writer.release()


@contextmanager
def _muted_stderr() -> Iterator[None]:
    """Keep FFmpeg's remark off the terminal that .webm has no four-letter code for VP8: it is of no use to a reader."""
    sys.stderr.flush()
    kept, sink = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(sink, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(sink)


def _check_written(path: Path, n_pictures: int) -> None:
    """Refuse a replay that is not whole: OpenCV says nothing when the disk is full."""
    capture = cv2.VideoCapture(str(path)) if path.exists() and path.stat().st_size else None
    found = int(capture.get(cv2.CAP_PROP_FRAME_COUNT)) if capture is not None and capture.isOpened() else 0
    if capture is not None:
        capture.release()
    if abs(found - n_pictures) > 1:
        raise OutputError(
            f"{path.name} holds {max(found, 0)} of {n_pictures} pictures after writing; "
            "free some disk space, or use --no-replay."
        )
