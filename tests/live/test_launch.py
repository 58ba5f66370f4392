"""The command `live` without a camera: it starts, says so, ends cleanly, and refuses what can't be meant."""

import contextlib
import http.client
import json
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from needlecoach.cli import app

# Nobody listens there: port 9 is the discard service (RFC 863), which no machine runs any more.
NOWHERE = "http://127.0.0.1:9/stream"


def started(folder, *more):
    command = [sys.executable, "-m", "needlecoach", "live", NOWHERE, "--no-browser", *more]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def told(port, path):
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=20)) as line:
        line.request("GET", path)
        return json.loads(line.getresponse().read())


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_without_a_camera_the_page_says_so_and_ctrl_c_ends_it_cleanly(tmp_path, end):
    left = tmp_path / "reports" / "recordings" / "L01-left.mkv"  # as a program that was killed leaves it
    left.parent.mkdir(parents=True)
    left.write_bytes(b"")
    left.with_suffix(".marks.json").write_text('{"schema": 1}')
    process = started(tmp_path)
    port, key = re.search(
        r"http://127\.0\.0\.1:(\d+)/([\w-]{32})/live$", process.stdout.readline().strip()
    ).groups()
    until = time.monotonic() + 20
    while time.monotonic() < until:
        state = told(int(port), f"/{key}/api/live/state")
        if state["word"]["key"] == "no_picture":
            break
        time.sleep(0.1)
    process.stdout.readline()  # that the address holds a key
    assert NOWHERE in process.stdout.readline()  # the terminal says it too
    assert state["word"]["key"] == "no_picture" and state["word"]["help"]
    began = time.monotonic()
    process.send_signal(end)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 0 and err == ""
    assert time.monotonic() - began < 8
    assert list(tmp_path.rglob("*.mkv")) == [left]
    assert (
        "1 recording was not scored yet" in out
        and f"needlecoach score {Path('reports', 'recordings')}" in out
    )


def test_the_big_screens_page_is_there_from_the_start(tmp_path):
    process = started(tmp_path, "--visitor", "--replay-page", "big")
    assert "big/replay.html" in process.stdout.readline()
    assert (tmp_path / "big" / "replay.html").is_file()
    process.stdout.readline()
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=30)
    assert process.returncode == 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["no-such-thing"], "no-such-thing"),
        (["0", "--size", "big"], "1280x720"),
        (["0", "--setup", "gone.marks.json"], "gone.marks.json"),
        (["0", "--setup", "day.json"], "NAME.marks.json"),
        (["0", "--visitor", "--learner", "L01"], "a visitor has no code"),
        (["0", "--target", "1,2"], "cx,cy,rx,ry"),
        (["0", "--fps", "0"], "above 0"),
        (["0", "--standard", "none.toml"], "none.toml"),
    ],
)
def test_what_can_t_be_meant_is_one_line(tmp_path, monkeypatch, options, words):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, ["live", *options, "--no-browser"])
    problem = str(done.exception) if done.exception else done.output
    assert done.exit_code != 0
    assert words in problem and "\n" not in problem.strip()
    assert list(tmp_path.iterdir()) == []
