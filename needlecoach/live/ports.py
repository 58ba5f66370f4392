"""What a session asks of the camera and the recorder, which `clips` gives."""

from __future__ import annotations

from typing import Protocol

from needlecoach.clips.capture import Captured, SourceState
from needlecoach.live.saving import Recorder
from needlecoach.live.state import RecordingNow, SourceNow


class Source(Protocol):
    """The camera: its latest pictures, its state, and the session's clock."""

    @property
    def state(self) -> SourceState: ...

    def wait_newer(self, than: int, timeout_s: float, *, spare_s: float = 0.0) -> Captured | None: ...

    def now_s(self) -> float: ...


class RecorderState(Protocol):
    """How recording goes: idle, recording, full or failed, and what is to be said of it."""

    @property
    def kind(self) -> str: ...

    @property
    def words(self) -> str: ...


class LiveRecorder(Recorder, Protocol):
    """The recorder, which is shown every picture of the camera."""

    @property
    def state(self) -> RecorderState: ...


def source_now(state: SourceState, followed_fps: float | None) -> SourceNow:
    """The camera as a page shows it, and how many of its pictures are followed a second."""
    size_px = state.size_px if min(state.size_px) > 0 else None
    return SourceNow(state.kind, state.words, state.since_s, size_px, state.fps or None, followed_fps)


def recording_now(state: RecorderState, name: str) -> RecordingNow:
    """The recorder as a page shows it; `name` is that of the attempt being recorded, "" without one."""
    if state.kind in ("full", "failed"):
        return RecordingNow("stopped", state.words, name)
    if name and state.kind == "recording":
        return RecordingNow("recording", state.words or f"Recording {name}.", name)
    return RecordingNow("idle", state.words)
