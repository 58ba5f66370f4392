"""Following in another process gives what following here gives; drawn clips, invented data."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor
from pathlib import Path

import numpy as np
import pytest

from needlecoach.apart import Apart
from needlecoach.model import Clip, Region, Scale
from needlecoach.tracking import windows
from needlecoach.tracking.beside import another_process, get_ready
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.track import track_clip

PLANE = Plane(Region("rectangle", (60, 30, 240, 220)), Scale.from_mm_per_px(0.15))
TWICE = ((0, -2), (0.5, -2), (2, 25), (3, 25), (4, -2), (6.5, -2), (8, 20), (9, 20), (10, -2), (11, -2))


@pytest.fixture(scope="module")
def beside() -> Iterator[Apart]:
    with another_process() as process:
        yield process


@pytest.mark.skipif(not hasattr(os, "getpriority"), reason="processes have no such order here")
def test_it_stands_back_as_far_as_is_asked() -> None:
    with another_process(3) as process:
        standing = process.submit(os.getpriority, os.PRIO_PROCESS, 0).result()
    assert standing == os.getpriority(os.PRIO_PROCESS, 0) + 3


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="signals can't be held back here")
def test_the_first_process_is_sheltered_from_ctrl_c_as_well() -> None:
    # In a Python of its own, where the helper that multiprocessing starts along does not run yet.
    held = "import signal; from multiprocessing import resource_tracker as helper\n"
    held += "from needlecoach.apart import sheltered\n"
    held += "with sheltered():\n helper.ensure_running()\n"
    held += " print(signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, set()))"
    told = subprocess.run([sys.executable, "-c", held], capture_output=True, text=True, check=True)
    assert told.stdout == "True\n"


def test_a_window_followed_in_another_process_has_the_same_rows(
    drawn: Callable, monkeypatch: pytest.MonkeyPatch, beside: Apart
) -> None:
    clip = drawn(*TWICE)
    monkeypatch.setattr(windows, "WINDOW_S", 6.0)
    submitted = []
    submit = beside.submit
    monkeypatch.setattr(beside, "submit", lambda *work: submitted.append(work) or submit(*work))

    here, there = (
        track_clip(zip(clip.time_s, clip.pictures, strict=True), PLANE, None, process).track
        for process in (None, beside)
    )

    assert len(submitted) >= 1
    assert here.needle_present.any()
    for name in ("needle_present", "tip_px", "tip_visible", "tip_sd_mm", "angle_deg"):
        np.testing.assert_array_equal(getattr(here, name), getattr(there, name))


def test_the_work_is_done_in_a_process_of_its_own(beside: Apart) -> None:
    assert beside.submit(os.getpid).result() != os.getpid()


@pytest.mark.parametrize(
    ("n_frames", "fps", "asked"), [(300, 30.0, 0), (1800, 30.0, 1), (1000, 60.0, 1), (0, 0.0, 0)]
)
def test_it_is_made_ready_for_a_clip_of_several_windows_only(
    monkeypatch: pytest.MonkeyPatch, beside: Apart, n_frames: int, fps: float, asked: int
) -> None:
    begun = []
    submit = beside.submit
    monkeypatch.setattr(beside, "submit", lambda work: begun.append(submit(work)))

    get_ready(beside, Clip(Path("L01.mp4"), "video", 640, 480, n_frames, fps))

    assert len(begun) == asked
    assert all(work.exception() is None for work in begun)


def test_a_process_that_is_ended_is_told(drawn: Callable, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ended by the system, for want of memory for instance: no waiting for ever."""
    clip = drawn(*TWICE)
    monkeypatch.setattr(windows, "WINDOW_S", 6.0)

    with another_process() as process, pytest.raises(BrokenExecutor):
        process.submit(os._exit, 1)
        track_clip(zip(clip.time_s, clip.pictures, strict=True), PLANE, None, process)


PARENT = """
import os, time
from needlecoach.tracking.beside import another_process
if __name__ == "__main__":
    beside = another_process()
    print(beside.submit(os.getpid).result(), flush=True)
    time.sleep(60)
"""


def test_it_does_not_outlive_its_parent(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(PARENT, encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, script], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        parent.kill()

    deadline_s = time.monotonic() + 10
    while is_running(child) and time.monotonic() < deadline_s:
        time.sleep(0.05)
    assert not is_running(child)


def is_running(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{process}/stat")
    return not state.exists() or state.read_text().rsplit(")", 1)[1].split()[0] != "Z"


def test_a_file_in_the_working_folder_is_none_of_its_modules(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "select.py").write_text("raise SystemExit(3)", encoding="utf-8")
    monkeypatch.chdir(tmp_path)

    with another_process() as process:
        assert process.submit(os.getpid).result() > 0
    assert "PYTHONSAFEPATH" not in os.environ
