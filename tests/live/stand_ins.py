"""Stand-ins for camera, recorder and tracker, and a sample clip played to a session as fast as it can go."""

from __future__ import annotations

import json
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from needlecoach.clips import open_clip
from needlecoach.live.card import CardLine
from needlecoach.live.figures import Verdict
from needlecoach.live.hindsight import Done, Hindsight, Order, Scorer
from needlecoach.live.setup import Setup
from needlecoach.marks import MarkOptions
from needlecoach.model import LiveRow

CLIPS = Path(__file__).parents[2] / "sample_clips"


@dataclass(frozen=True, eq=False)
class Picture:
    number: int
    time_s: float
    pixels: np.ndarray


@dataclass(frozen=True)
class CameraState:
    kind: str = "running"
    words: str = ""
    since_s: float = 0.0
    size_px: tuple[int, int] = (640, 480)
    fps: float = 20.0


@cache
def pictures_of(name: str) -> tuple[Picture, ...]:
    """All pictures of a sample clip in colour, with its own times."""
    with open_clip(CLIPS / f"{name}.mp4") as reader:
        return tuple(
            Picture(frame.number, frame.time_s, cv2.cvtColor(frame.pixels, cv2.COLOR_GRAY2BGR))
            for frame in reader
        )


@cache
def truth_of(name: str) -> dict:
    """What a sample clip was drawn from."""
    return json.loads((CLIPS / f"{name}.truth.json").read_text(encoding="utf-8"))


class PlayedCamera:
    """Gives each picture as soon as it is asked for; its clock is that of the pictures.

    `hold_at` stops it before a number until `go`; at the end its clock goes on by 50 ms when it is asked.
    """

    def __init__(self, pictures, *, hold_at: int | None = None) -> None:
        self.pictures = list(pictures)
        self.kind = "running"
        self.words = ""
        self.hold_at = hold_at
        self._next = 0
        self._now_s = 0.0
        self._pause = threading.Event()
        self.done = threading.Event()

    @property
    def state(self) -> CameraState:
        newest = self.pictures[max(self._next - 1, 0)].pixels
        size = (newest.shape[1], newest.shape[0])
        return CameraState(self.kind, self.words, 0.0, size)

    def now_s(self) -> float:
        return self._now_s

    def go(self, until: int | None = None) -> None:
        self.done.clear()
        self.hold_at = until

    def wait_newer(self, than: int, timeout_s: float, *, spare_s: float = 0.0) -> Picture | None:
        end = len(self.pictures) if self.hold_at is None else self.hold_at
        if self._next >= end or self.kind != "running":
            self.done.set()
            self._now_s += 0.05 if self.hold_at is None else 0.0
            self._pause.wait(0.002)
            return None
        picture = self.pictures[self._next]
        self._next += 1
        self._now_s = max(picture.time_s, self._now_s)
        return picture


class CopyingRecording:
    def __init__(self, clip: Path, path: Path, first_s: float, last_s: float) -> None:
        self.clip, self.path, self.first_s, self.last_s = clip, path, first_s, last_s
        self.ended_s: float | None = None

    def end(self, at_s: float) -> Path:
        shutil.copyfile(self.clip, self.path)
        self.ended_s = at_s
        return self.path


@dataclass(frozen=True)
class TapeState:
    kind: str = "recording"
    words: str = ""


class CopyingRecorder:
    """Every recording is the whole clip that is played."""

    def __init__(self, clip: Path) -> None:
        self.clip = clip
        self.state = TapeState()
        self.made: list[CopyingRecording] = []
        self.dropped: list[CopyingRecording] = []
        self.asked_s: list[float] = []
        self.marks_were_there: list[bool] = []
        self.last_s = 1e9

    def begin(self, path: Path, from_s: float) -> CopyingRecording:
        self.asked_s.append(from_s)
        self.marks_were_there.append(path.with_name(f"{path.stem}.marks.json").is_file())
        self.made.append(CopyingRecording(self.clip, path, 0.0, self.last_s))
        return self.made[-1]

    def drop(self, recording: CopyingRecording) -> None:
        self.dropped.append(recording)
        recording.path.unlink(missing_ok=True)


class TruthFollower:
    """Tells what a sample clip was drawn from, as a perfect tracker would."""

    def __init__(self, name: str) -> None:
        self.frames = truth_of(name)["frames"]
        self.closed = False
        self.seen: list[int] = []

    def see(self, number: int, time_s: float, picture: np.ndarray) -> LiveRow:
        self.seen.append(number)
        truth = self.frames[number % len(self.frames)]
        known = truth["needle_present"] and truth["tip_xy_px"] is not None
        sight = "none" if not known else "seen" if truth["tip_visible"] else "inferred"
        nowhere = [np.nan, np.nan]
        tip = np.array(truth["tip_xy_px"] if known else nowhere, dtype=float)
        return LiveRow(
            number=number,
            time_s=time_s,
            sight=sight,
            tip_px=tip,
            tip_sd_mm=0.3 if known else np.nan,
            entry_px=np.array(truth["entry_xy_px"] if known else nowhere, dtype=float),
            angle_deg=truth["angle_deg"] if known else np.nan,
            shaft_visible_share=1.0 if known else np.nan,
            target_px=np.array(truth["target"]["centre_px"], dtype=float),
            target_found=True,
            target_sd_mm=0.1,
            strip=np.arange(80, dtype=np.uint8) if known else np.zeros(0, np.uint8),
        )

    def close(self) -> None:
        self.closed = True


class StandInScorer(Scorer):
    """Finds in every recording what it was told to, and leaves a folder as a result.

    With `waits` it is done only when what it puts into `dones` is called.
    """

    def __init__(self, verdict: Verdict, *, waits: bool = False) -> None:
        super().__init__()
        self.verdict, self.waits = verdict, waits
        self.dones: list[Callable[[], None]] = []
        self.orders: list[Order] = []

    def submit(self, order: Order, done: Done) -> None:
        self.orders.append(order)
        folder = order.out / order.name
        folder.mkdir()
        (folder / "run.json").write_text("{}")
        if self.waits:
            self.dones.append(lambda: done(Hindsight(self.verdict)))
        else:
            done(Hindsight(self.verdict))


def verdict(outcome: str = "miss", centre_mm: float = 7.0) -> Verdict:
    """An invented verdict."""
    line = CardLine("closest_centre_mm", "Closest to centre", f"{centre_mm} mm", centre_mm, 0.3, "mm")
    return Verdict(outcome, outcome, (line,), ())


def setup_of(name: str, **options) -> Setup:
    """The day's setup: the marks of a sample clip."""
    return Setup.of_file(CLIPS / f"{name}.marks.json", MarkOptions(**options))


def until_of(session, wanted, patience_s=60.0):
    """Wait for a state."""
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        state = session.state
        if wanted(state):
            return state
        time.sleep(0.01)
    raise AssertionError(f"never came: {session.state.record()}")
