"""The clip again with the needle, its tip and the target drawn on: the replay video and the stills."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import MappingProxyType

import cv2
import numpy as np

from needlecoach.clips import ClipReader, open_clip, straightened
from needlecoach.clips.webm import webm_file
from needlecoach.errors import NeedlecoachError, OutputError
from needlecoach.model import Frame, Scorecard
from needlecoach.reporting.overlay import Overlay

Progress = Callable[[int, int], None]

MAX_FPS = 30.0
MAX_SIDE_PX = 720
STILL_SIDE_PX = 840
# Frames read ahead for stills take up no more than this.
AHEAD_BYTES = 64_000_000
# Meant to keep a replay of up to two minutes small enough to be embedded in the page.
AIM_BYTES = 13_000_000
MIN_BIT_RATE, MAX_BIT_RATE = 800_000, 3_000_000


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
    length_ms = _end_ms(card)
    aim = int(np.clip(AIM_BYTES * 8000 / max(length_ms, 1), MIN_BIT_RATE, MAX_BIT_RATE))
    film = webm_file(path, painter.size_px, len(stamps), length_ms, bit_rate=aim, advice="use --no-replay")
    with film as write, _reader(card) as reader:
        for frame in reader:
            if frame.number in stamps:
                start_ms = stamps[frame.number]
                write(painter.draw(frame, frame.number), start_ms, max(ends[frame.number] - start_ms, 1))
            if frame.number in with_stills:
                found[frame.number] = _jpeg(still_painter.draw(frame, frame.number))
            if progress is not None:
                progress(frame.number + 1, len(card.track))
    return found


def stills(
    card: Scorecard, frames: Sequence[int], ahead: Mapping[int, Frame] = MappingProxyType({})
) -> dict[int, bytes]:
    """Return single frames with everything found drawn on, as JPEG files keyed by frame number.

    Frames found in `ahead`, which `read_ahead` fills, are not read again.

    Raises
    ------
    ClipError
        When the clip can't be read again.
    """
    if not frames:
        return {}
    painter = Overlay(card, max_side_px=STILL_SIDE_PX)
    found = {number: ahead[number] for number in frames if number in ahead}
    if missing := sorted(set(frames) - found.keys()):
        with _reader(card) as reader:
            found |= reader.read_frames(missing)
    return {number: _jpeg(painter.draw(frame, number)) for number, frame in found.items()}


def read_ahead(card: Scorecard, frames: Sequence[int], into: dict[int, Frame]) -> None:
    """Read the frames that a still is likely to show, as many as little memory holds; a fault reads none.

    `card` may be of the clip's first part only.
    """
    room = max(1, AHEAD_BYTES // max(card.clip.width_px * card.clip.height_px, 1)) - len(into)
    wanted = [number for number in dict.fromkeys(frames) if number not in into][: max(room, 0)]
    if wanted:
        # What can't be read is told when it is needed.
        with suppress(NeedlecoachError), _reader(card) as reader:
            into |= reader.read_frames(wanted)


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
