"""The commands for cameras as a user runs them, over a stream on this machine."""

import os
import re
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from needlecoach.capturing import CaptureWish, new_path, run_cameras, run_capture
from needlecoach.cli import app
from needlecoach.clips import open_clip
from needlecoach.clips.cameras import Camera, CameraList
from needlecoach.clips.recorder import Recorder
from needlecoach.errors import ClipError, NeedlecoachError, OutputError
from tests.clips.camera_pictures import numbers_of
from tests.streams import MjpegServer, moving_square

SIZE = (160, 120)


@pytest.fixture
def server():
    with MjpegServer(moving_square(300, SIZE), fps=30, numbered=True) as running:
        yield running


def is_all_that_was_sent(numbers: list[int], server: MjpegServer) -> bool:
    """Whether a recording holds pictures on end as sent: a busy machine sends fewer than it plays."""
    sent = [number for number, _ in list(server.sent)]
    return any(sent[k : k + len(numbers)] == numbers for k in range(len(sent)))


def test_a_stream_is_recorded_for_some_seconds(server, tmp_path, capsys):
    path = run_capture(server.address, CaptureWish(tmp_path / "new" / "place", seconds=1.0, quiet=True))
    numbers = numbers_of(path)
    assert is_all_that_was_sent(numbers, server)
    assert 10 <= len(numbers) <= 45
    out, err = capsys.readouterr()
    assert "gives 160x120" in out
    assert f"{path}:" in out
    assert f"{len(numbers)} pictures of 160x120" in out
    assert f"needlecoach mark {path}" in out
    assert err == ""


def test_names_are_by_date_and_time_and_replace_nothing(tmp_path):
    at = datetime(2026, 11, 26, 9, 5, 7)
    names = []
    for _ in range(3):
        path = new_path(tmp_path, at)
        path.touch()
        names.append(path.name)
    assert names == ["2026-11-26_090507.mkv", "2026-11-26_090507-2.mkv", "2026-11-26_090507-3.mkv"]


def test_a_nearly_full_disk_is_told_before_anything_is_recorded(server, tmp_path):
    out = tmp_path / "recordings"
    with pytest.raises(OutputError, match=r"3 MB free.*--out"):
        run_capture(
            server.address,
            CaptureWish(out, seconds=1),
            recorder=lambda: Recorder(free_bytes=lambda folder: 3_000_000),
        )
    assert not out.exists()


def test_a_disk_that_fills_up_is_told_and_the_file_is_whole(server, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("needlecoach.clips.recording._CHECK_S", 0.05)
    begun_s = time.monotonic()

    def free(folder: Path) -> int:
        return 10**10 if time.monotonic() - begun_s < 1.5 else 10**6

    path = run_capture(
        server.address, CaptureWish(tmp_path, seconds=2.5), recorder=lambda: Recorder(free_bytes=free)
    )
    assert "nearly full" in capsys.readouterr().err
    with open_clip(path) as clip:
        assert len(list(clip)) > 10
        assert clip.notes == []


def test_what_gives_no_picture_is_one_line_and_no_folder(tmp_path, monkeypatch):
    monkeypatch.setattr("needlecoach.clips.capture._TRIED_S", 0.1)
    monkeypatch.setattr("needlecoach.clips.capture.RETRY_S", 0.1)
    with pytest.raises(ClipError, match=r"127\.0\.0\.1:9/x"):
        run_capture("http://127.0.0.1:9/x", CaptureWish(tmp_path / "recordings"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "options",
    [["--size", "big"], ["--seconds", "0"], ["--seconds", "nan"], ["--fps", "-1"], ["--out", "file/under"]],
)
def test_options_that_can_not_be_are_refused(server, options, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("file").touch()
    done = CliRunner().invoke(app, ["capture", server.address, *options])
    assert isinstance(done.exception, NeedlecoachError)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.skipif(os.name == "nt", reason="sends POSIX signals")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_a_command_that_is_ended_leaves_a_recording_that_plays(server, tmp_path, number):
    command = [sys.executable, "-m", "needlecoach", "capture", server.address, "--out", str(tmp_path)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    while "Recording to" not in (line := process.stdout.readline()):
        assert line
    time.sleep(1.0)
    process.send_signal(number)
    out, err = process.communicate(timeout=20)
    assert err == ""
    assert process.returncode == (-number if number == signal.SIGKILL else 0)
    assert ("pictures of 160x120" in out) == (number != signal.SIGKILL)
    (path,) = tmp_path.iterdir()
    assert re.fullmatch(r"\d{4}-\d\d-\d\d_\d{6}\.mkv", path.name)
    numbers = numbers_of(path)
    assert is_all_that_was_sent(numbers, server)
    assert len(numbers) > 10


def test_cameras_are_printed_a_line_each(capsys):
    found = CameraList((Camera(0, "", (1280, 720), 30.0), Camera(2, "Invented  stick", (640, 480), 0.0)), ())
    run_cameras(lambda: found)
    assert capsys.readouterr().out == "0  1280x720 at 30 a second\n2  640x480  Invented stick\n"


def test_a_machine_without_a_camera_says_what_to_try(capsys):
    run_cameras(lambda: CameraList((), (1,)))
    out = capsys.readouterr().out
    assert "No camera can be opened" in out
    assert "not to be opened: 1." in out
    assert "needlecoach capture http" in out
