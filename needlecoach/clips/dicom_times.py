"""When the frames of a DICOM clip were taken, by whichever of its attributes says so (PS3.3, C.7.6.5)."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass

import numpy as np

from needlecoach.clips.dicom_header import Header
from needlecoach.clips.images import FASTEST_FPS, SLOWEST_FPS, check_fps
from needlecoach.errors import ClipError

_VECTOR_TAG = 0x00181065


@dataclass(frozen=True)
class Times:
    """Times of all frames in s from the first one, shape (n_frames,); the rate is 0 for a single picture."""

    times_s: list[float]
    fps: float
    notes: tuple[str, ...] = ()
    repaired: int = 0


def frame_times(header: Header, *, fps: float | None) -> Times:
    """Return when each frame was taken.

    Frame Time and Frame Time Vector go first, the one that the file points to before the other; then the
    rates at which it is to be shown; then `fps`, pictures a second.

    Raises
    ------
    ClipError
        When nothing tells the times, or `fps` is needed and is absurd.
    """
    if header.n_frames == 1:
        return Times([0.0], 0.0)
    ways = [_from_frame_time, _from_vector]
    if header.number("FrameIncrementPointer") == _VECTOR_TAG:
        ways.reverse()
    notes: list[str] = []
    for way in (*ways, _from_rates):
        found = way(header, notes)
        if found is not None:
            if fps is not None:
                notes.append("--fps is for clips without times; the file's own times were used.")
            return Times(found.times_s, found.fps, (*notes, *found.notes), found.repaired)
    if fps is None:
        raise ClipError(
            f"{header.path}: the file carries no usable frame times; give --fps, the pictures a second."
        )
    check_fps(header.path, fps)
    return Times(_even(header.n_frames, 1 / fps), float(fps), tuple(notes))


def _even(n_frames: int, step_s: float) -> list[float]:
    times: list[float] = (np.arange(n_frames) * step_s).tolist()
    return times


def _is_sound(step_ms: float) -> bool:
    return math.isfinite(step_ms) and 1000 / FASTEST_FPS <= step_ms <= 1000 / SLOWEST_FPS


def _from_frame_time(header: Header, notes: list[str]) -> Times | None:
    """Frame Time (0018,1063): ms from each frame to the next."""
    values = header.numbers("FrameTime")
    if not values:
        return None
    if not _is_sound(values[0]):
        notes.append(f"The file's frame time of {values[0]:g} ms can't be and was not used.")
        return None
    return Times(_even(header.n_frames, values[0] / 1000), 1000 / values[0])


def _from_vector(header: Header, notes: list[str]) -> Times | None:
    """Frame Time Vector (0018,1065): ms from the frame before, the first being 0."""
    steps_ms = header.numbers("FrameTimeVector")
    if not steps_ms:
        return None
    sound = [step for step in steps_ms[1:] if _is_sound(step)]
    if len(steps_ms) != header.n_frames or len(sound) < (len(steps_ms) - 1) / 2:
        notes.append(
            f"The file's list of frame times ({len(steps_ms)} for {header.n_frames} frames, "
            f"{len(sound)} of them sound) was not used."
        )
        return None
    usual_ms = statistics.median(sound)
    # A pause may be long; what does not rise can't be.
    mended = [step if 1e-3 < step < math.inf else usual_ms for step in steps_ms[1:]]
    repaired = sum(step != told for step, told in zip(mended, steps_ms[1:], strict=True))
    times_s = (np.cumsum([0.0, *mended]) / 1000).tolist()
    told = (f"{repaired} of {header.n_frames} time stamps did not rise and were replaced by guesses.",)
    return Times(times_s, 1000 / usual_ms, told if repaired else (), repaired)


def _from_rates(header: Header, notes: list[str]) -> Times | None:
    """Recommended Display Frame Rate (0008,2144), Cine Rate (0018,0040): frames a second to be shown."""
    for keyword, name in (
        ("RecommendedDisplayFrameRate", "rate for display"),
        ("CineRate", "cine rate"),
    ):
        rate = header.number(keyword)
        if rate is not None and SLOWEST_FPS <= rate <= FASTEST_FPS:
            told = (
                f"The file says no frame times; its {name} of {rate:g} a second was taken, which need not be "
                "the rate of recording.",
            )
            return Times(_even(header.n_frames, 1 / rate), rate, told)
    return None
