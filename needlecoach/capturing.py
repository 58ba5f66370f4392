"""What the commands capture and cameras do, once the command line is read."""

from __future__ import annotations

import contextlib
import math
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import typer

from needlecoach.clips.cameras import CameraList, list_cameras
from needlecoach.clips.capture import Source, open_source
from needlecoach.clips.recorder import Recorder, Recording
from needlecoach.console import say_error
from needlecoach.errors import OutputError

FIRST_PICTURE_S = 10.0
_LOOK_S = 0.2
_DRAW_S = 1.0


@dataclass(frozen=True)
class CaptureWish:
    """What is to be recorded: size (width, height) in px and rate to ask for, and for how long."""

    out: Path
    size: tuple[int, int] | None = None
    fps: float | None = None
    seconds: float = math.inf
    quiet: bool = False


def run_capture(text: str, wish: CaptureWish, *, recorder: Callable[[], Recorder] = Recorder) -> Path:
    """Record a camera until it is stopped or the time is up; say what it gave and where the recording is.

    Returns
    -------
    Path
        The recording.

    Raises
    ------
    ClipError
        When the source is none, or gives no picture within 10 s.
    OutputError
        When nothing could be written.
    """
    with open_source(text, size=wish.size, fps=wish.fps) as source, recorder() as at_work:
        source.subscribe(at_work.see)
        typer.echo(f"{source.name}: {_found(source)}")
        with _folder(wish.out):
            recording = at_work.begin(new_path(wish.out), 0.0)
            if at_work.state.kind == "full":
                raise OutputError(f"{at_work.state.words} Make room, or name another disk with --out.")
            typer.echo(f"Recording to {recording.path}; Ctrl-C ends it.")
            try:
                _watch(source, at_work, recording, wish)
            except KeyboardInterrupt:  # how a recording is meant to end
                pass
            finally:
                path = recording.end(source.now_s())
            if path is None:
                raise OutputError(
                    f"{wish.out}: no picture could be recorded; {at_work.state.words or 'again.'}"
                )
    for line in _told(recording, at_work.state.lost):
        typer.echo(line)
    return path


def run_cameras(listed: Callable[[], CameraList] = list_cameras) -> None:
    """Print the cameras that can be opened, or what to try where there is none."""
    found = listed()
    for camera in found.cameras:
        rate = f" at {camera.fps:g} a second" if camera.fps else ""
        name = f"  {' '.join(camera.name.split())}" if camera.name else ""
        typer.echo(f"{camera.index}  {camera.size_px[0]}x{camera.size_px[1]}{rate}{name}")
    if found.cameras:
        return
    typer.echo("No camera can be opened on this machine.")
    if found.refused:
        numbers = ", ".join(str(index) for index in found.refused)
        typer.echo(
            f"There, but not to be opened: {numbers}. Close other programs that use a camera, and see that "
            "this user may (on Linux the group `video`)."
        )
    typer.echo(
        "Plug in a camera or capture stick and try again, or give the address of a network camera: "
        "needlecoach capture http://ADDRESS/PATH"
    )


def new_path(folder: Path, at: datetime | None = None) -> Path:
    """Name a recording by date and time, such as 2026-11-26_104500.mkv; one that is free."""
    stem = f"{at or datetime.now():%Y-%m-%d_%H%M%S}"
    path, number = folder / f"{stem}.mkv", 2
    while path.exists():
        path, number = folder / f"{stem}-{number}.mkv", number + 1
    return path


@contextlib.contextmanager
def _folder(out: Path) -> Iterator[None]:
    """Make the folder; one that nothing came into goes again."""
    is_new = not out.exists()
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError(
            f"{out}: the folder can't be made ({problem.strerror or problem}); give another with --out."
        ) from problem
    try:
        yield
    finally:
        if is_new:
            with contextlib.suppress(OSError):  # not empty, as it should be
                out.rmdir()


def _found(source: Source) -> str:
    first = source.wait_first(FIRST_PICTURE_S)
    high, wide = first.pixels.shape[:2]
    return source.got.words or f"gives {wide}x{high}."


def _watch(source: Source, recorder: Recorder, recording: Recording, wish: CaptureWish) -> None:
    """Wait for the end; each change of source or recorder is said once."""
    said, drawn_s = "", time.monotonic()
    shows = sys.stderr.isatty() and not wish.quiet
    while not recording.last_s - recording.first_s >= wish.seconds and not _is_late(source, recording, wish):
        time.sleep(_LOOK_S)
        trouble = _trouble(source, recorder)
        if trouble != said:
            said = trouble
            say_error(_cleared(shows) + (trouble or "Recording goes on."))
        if shows and not trouble and time.monotonic() - drawn_s > _DRAW_S:
            drawn_s = time.monotonic()
            sys.stderr.write(f"\r{_progress(source, recording)}  ")
            sys.stderr.flush()
    sys.stderr.write(_cleared(shows))


def _is_late(source: Source, recording: Recording, wish: CaptureWish) -> bool:
    """Whether the time is up while no picture comes."""
    first_s = recording.first_s
    return source.now_s() - (first_s if math.isfinite(first_s) else 0.0) > wish.seconds + _LOOK_S


def _trouble(source: Source, recorder: Recorder) -> str:
    source_state = source.state
    words = [] if source_state.kind == "running" else [source_state.words]
    if recorder.state.kind in {"full", "failed"}:
        words.append(recorder.state.words)
    return " ".join(words)


def _progress(source: Source, recording: Recording) -> str:
    return f"{_clock(recording)}, {recording.n_frames} pictures, {source.state.fps:.1f} a second"


def _cleared(shows: bool) -> str:
    return "\r" + " " * 60 + "\r" if shows else ""


def _clock(recording: Recording) -> str:
    seconds = recording.last_s - recording.first_s
    whole = int(seconds) if math.isfinite(seconds) else 0
    return f"{whole // 60}:{whole % 60:02d}"


def _told(recording: Recording, lost: int) -> Iterator[str]:
    """What was recorded, a line for each file."""
    for part in recording.writer.parts:
        seconds = (part.last_ms - part.first_ms) / 1000
        rate = f", {(part.n_frames - 1) / seconds:.1f} a second" if seconds else ""
        wide, high = part.coder.size_px
        size_mb = part.path.stat().st_size / 1e6 if part.path.exists() else 0.0
        pictures = f"{part.n_frames} pictures of {wide}x{high}{rate}"
        yield f"{part.path}: {seconds:.1f} s, {pictures}, {size_mb:.1f} MB."
    if lost:
        yield f"{lost} pictures were not recorded: this machine is too slow; ask for fewer with --fps."
    yield f"Mark it: needlecoach mark {recording.path}"
