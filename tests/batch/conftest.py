"""Clips to be scored side by side, and the command in a process of its own."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

SAMPLES = Path(__file__).parents[2] / "sample_clips"
# Two clips of the same learner, so that the second one's page holds the first as an earlier attempt.
PAIR = ("first", "second")
MARKS = ("--no-target", "--mm-per-px", "0.12", "--no-replay")


def noise(path: Path, seed: int = 0, n_frames: int = 12) -> Path:
    """A film of noise that glides by: scored within a second, without an attempt."""
    grey = np.random.default_rng(seed).normal(90, 25, (240, 320)).clip(20, 220).astype(np.uint8)
    film = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*"FFV1"), 25.0, (212, 160))
    for number in range(n_frames):
        film.write(cv2.cvtColor(np.ascontiguousarray(grey[:160, 5 * number :][:, :212]), cv2.COLOR_GRAY2BGR))
    film.release()
    return path


def start(*words: str | Path, cwd: Path) -> subprocess.Popen[str]:
    """Start `needlecoach score` in a process group of its own."""
    told = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "cwd": cwd}
    command = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
    command += "from needlecoach.cli import main\nif __name__ == '__main__': main()"
    return subprocess.Popen(
        [sys.executable, "-c", command, "score", *map(str, words)], start_new_session=True, **told
    )


def until(happened: Callable[[], object], patience_s: float = 30.0) -> object:
    """Wait for something; return what it is."""
    deadline_s = time.monotonic() + patience_s
    while not (found := happened()):
        assert time.monotonic() < deadline_s, "it never happened"
        time.sleep(0.02)
    return found


def cut(source: Path, path: Path, n_frames: int) -> None:
    """Copy the first frames of a sample clip, as they are encoded, with its marks."""
    with av.open(str(source)) as whole, av.open(str(path), "w") as part:
        stream = part.add_stream_from_template(whole.streams.video[0])
        for number, packet in enumerate(whole.demux(video=0)):
            if number < n_frames and packet.dts is not None:
                packet.stream = stream
                part.mux(packet)
    shutil.copy(source.with_suffix(".marks.json"), path.with_suffix(".marks.json"))


@pytest.fixture(scope="session")
def pair(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two beginnings of one sample clip, both with the needle in."""
    folder = tmp_path_factory.mktemp("pair")
    for name, n_frames in zip(PAIR, (100, 90), strict=True):
        cut(SAMPLES / "clean_hit.mp4", folder / f"{name}.mp4", n_frames)
    return [folder / f"{name}.mp4" for name in PAIR]


@pytest.fixture(scope="session")
def one_by_one(pair: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Their results, scored one after the other."""
    folder = tmp_path_factory.mktemp("one_by_one")
    process = start(*pair, "--no-replay", "--jobs", "1", "--out", folder / "reports", cwd=folder)
    _, err = process.communicate(timeout=120)
    assert (process.returncode, err) == (0, "")
    return folder / "reports"


def same_results(one: Path, other: Path) -> None:
    """Fail unless both folders hold the same results; the time of scoring alone may differ."""
    for name in PAIR:
        for file in ("track.csv", "attempts.csv", "page.json", "strip.png", "summary.html"):
            assert (one / name / file).read_bytes() == (other / name / file).read_bytes(), (name, file)
    assert (one / "attempts.csv").read_bytes() == (other / "attempts.csv").read_bytes()
    assert sorted(path.name for path in one.iterdir()) == sorted(path.name for path in other.iterdir())
