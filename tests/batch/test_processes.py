"""Clips side by side on this machine: as one after the other, whatever happens to a process."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from datetime import datetime
from pathlib import Path

import pytest

from tests.batch.conftest import MARKS, PAIR, noise, same_results, start, until

pytestmark = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="children are told by /proc")


def workers_of(process: subprocess.Popen[str]) -> list[int]:
    """Processes that score for a command."""
    found = []
    for child in Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split():
        try:
            if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
                found.append(int(child))
        except OSError:  # it has ended
            continue
    return found


def test_a_killed_process_costs_nothing_and_results_are_as_one_by_one(
    pair: list[Path], one_by_one: Path, tmp_path: Path
) -> None:
    process = start(*pair, "--no-replay", "--jobs", "2", "--out", "reports", cwd=tmp_path)
    first = until(lambda: len(found := workers_of(process)) == 2 and found)[0]
    os.kill(first, signal.SIGKILL)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0
    (line,) = err.splitlines()
    assert "its process was ended from outside (signal 9)" in line and "second try went well" in line
    # In the order of the clips, though the first one ended last.
    assert [line.split(":")[0] for line in out.splitlines() if "summary.html" in line] == list(PAIR)
    assert "2 clips: 2 scored" in out
    same_results(one_by_one, tmp_path / "reports")
    earlier = [
        json.loads((tmp_path / f"reports/{name}/page.json").read_text())["attempts"][0]["earlier"]
        for name in PAIR
    ]
    assert earlier[0] is None and earlier[1] is not None
    when = [
        datetime.fromisoformat(
            json.loads((tmp_path / f"reports/{name}/run.json").read_text())["first_scored_at"]
        )
        for name in PAIR
    ]
    assert when[0] < when[1]


def test_no_result_tells_a_folder(one_by_one: Path, pair: list[Path]) -> None:
    for file in one_by_one.rglob("*"):
        if file.is_file():
            content = file.read_bytes()
            assert str(pair[0].parent).encode() not in content and str(one_by_one).encode() not in content


@pytest.mark.parametrize("whom", [os.killpg, os.kill], ids=["terminal", "command alone"])
def test_ctrl_c_leaves_neither_process_nor_file(tmp_path: Path, whom, pair: list[Path]) -> None:
    process = start(*pair, "--jobs", "2", "--out", "reports", cwd=tmp_path)
    workers = until(lambda: len(found := workers_of(process)) == 2 and found)
    whom(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=30)
    assert (process.returncode, len(err.splitlines())) == (130, 1), err
    until(lambda: not any(Path(f"/proc/{worker}").exists() for worker in workers))
    assert os.listdir(tmp_path) == []


def test_a_bad_clip_is_told_and_the_others_go_on(tmp_path: Path) -> None:
    (tmp_path / "bad.mkv").write_bytes(b"")
    names = ["a.mkv", "bad.mkv", "absent.mkv", "z.mkv"]
    for name in ("a.mkv", "z.mkv"):
        noise(tmp_path / name)
    process = start(*names, *MARKS, "--jobs", "2", cwd=tmp_path)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 2
    assert [line.split(":")[1].strip() for line in err.splitlines()] == ["bad.mkv", "absent.mkv"]
    assert "4 clips: 2 scored, 2 without a score:" in out
    assert sorted(os.listdir(tmp_path / "reports")) == ["a", "attempts.csv", "z"]

    again = start(*names, *MARKS, "--jobs", "2", cwd=tmp_path)
    out, _ = again.communicate(timeout=60)
    assert again.returncode == 2
    assert out.startswith("2 clips were scored before, with the same marks, options and version;")
