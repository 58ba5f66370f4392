"""A real Dask scheduler with two real workers: one is killed while it works, and nothing is lost or twice."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from needlecoach.batch import cluster
from needlecoach.batch.cluster import on_cluster
from needlecoach.batch.values import Failed, Job
from needlecoach.batch.work import work_there
from needlecoach.errors import NeedlecoachError
from needlecoach.model import Marks
from needlecoach.reporting.record import versions
from needlecoach.scored import Wish
from tests.batch.conftest import MARKS, PAIR, noise, same_results, start, until

pytest.importorskip("distributed", reason="the extra dask is not installed")
TIMES_S = os.sysconf("SC_CLK_TCK") if hasattr(os, "sysconf") else 100


told_by_proc = pytest.mark.skipif(
    not Path("/proc/self/stat").exists(), reason="a worker at work is told by /proc"
)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@pytest.fixture
def dask(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[bytes]]]:
    """Starts a part of Dask in a process of its own; all of them end with the test."""
    started: list[subprocess.Popen[bytes]] = []

    def run(part: str, *words: str) -> subprocess.Popen[bytes]:
        with (tmp_path / f"{part}{len(started)}.log").open("wb") as log:
            command = [sys.executable, "-m", f"distributed.cli.dask_{part}", *words, "--no-dashboard"]
            started.append(subprocess.Popen(command, stdout=log, stderr=log, cwd=tmp_path))
        return started[-1]

    yield run
    for process in started:
        process.kill()
        process.wait()


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


def worked_s(process: subprocess.Popen[bytes]) -> float:
    """Seconds of a core that a process has used, by /proc."""
    fields = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TIMES_S


def cluster_of(n: int, dask: Callable, folder: Path) -> tuple[str, subprocess.Popen, list[subprocess.Popen]]:
    """Address of a scheduler, itself, and `n` workers that are ready."""
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    scheduler = dask("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-show")
    until(lambda: answers(port), 60)
    log = folder / "scheduler0.log"
    alone = ("--nthreads", "1", "--no-nanny", "--local-directory", str(folder))
    workers = [dask("worker", address, *alone) for _ in range(n)]
    until(lambda: log.read_text().count("Register worker") == n, 60)
    return address, scheduler, workers


@told_by_proc
def test_a_worker_killed_at_work_loses_nothing_and_nothing_is_there_twice(
    dask: Callable, pair: list[Path], one_by_one: Path, tmp_path: Path
) -> None:
    address, _, workers = cluster_of(2, dask, tmp_path)
    before_s = worked_s(workers[0])

    process = start(*pair, "--no-replay", "--dask", address, "--out", "reports", cwd=tmp_path)
    until(lambda: worked_s(workers[0]) > before_s + 1.0, 60)
    workers[0].send_signal(signal.SIGKILL)
    out, err = process.communicate(timeout=180)

    assert (process.returncode, err) == (0, "")
    assert [line.split(":")[0] for line in out.splitlines() if "summary.html" in line] == list(PAIR)
    assert workers[0].wait() == -signal.SIGKILL and workers[1].poll() is None
    same_results(one_by_one, tmp_path / "reports")


@told_by_proc
def test_a_scheduler_that_is_lost_is_one_line(dask: Callable, pair: list[Path], tmp_path: Path) -> None:
    address, scheduler, [worker] = cluster_of(1, dask, tmp_path)
    before_s = worked_s(worker)
    process = start(*pair, "--no-replay", "--dask", address, "--out", "reports", cwd=tmp_path)
    until(lambda: worked_s(worker) > before_s + 1.0, 60)
    scheduler.kill()
    out, err = process.communicate(timeout=180)

    assert (process.returncode, len(err.splitlines())) == (2, 1), err
    assert f"The Dask scheduler at {address} was lost" in err
    assert out == ""


def test_a_scheduler_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    noise(tmp_path / "a.mkv")
    process = start("a.mkv", *MARKS, "--dask", f"tcp://127.0.0.1:{free_port()}", cwd=tmp_path)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out, len(err.splitlines())) == (2, "", 1)
    assert "no Dask scheduler answers there" in err
    assert os.listdir(tmp_path) == ["a.mkv"]


@pytest.mark.parametrize("address", ["nonsense", "tcp://", "127.0.0.1:8786", "tcp://127.0.0.1:x"])
def test_an_address_that_can_t_be_one(address: str) -> None:
    with pytest.raises(NeedlecoachError, match="check the address") as caught:
        list(on_cluster({}, address))
    assert "\n" not in str(caught.value)


def test_what_listens_and_says_nothing_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "PATIENCE_S", 0.5)
    with pytest.raises(NeedlecoachError, match="says nothing"):
        cluster._answer(lambda: __import__("time").sleep(5), "tcp://127.0.0.1:1")


def test_without_the_extra_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(NeedlecoachError, match=r"pip install 'needlecoach\[dask\]'"):
        list(on_cluster({}, "tcp://127.0.0.1:1"))


def test_a_worker_that_can_t_see_the_file_says_so(tmp_path: Path) -> None:
    job = Job(tmp_path / "far.mp4", "far", tmp_path, Marks(), Wish(), versions=versions())
    result = work_there(job)
    assert isinstance(result, Failed)
    assert "far.mp4: the worker can't see it" in result.reason


def test_a_worker_of_another_version_refuses(tmp_path: Path) -> None:
    job = Job(noise(tmp_path / "a.mkv"), "a", tmp_path, Marks(), Wish(), versions={"needlecoach": "0.0"})
    result = work_there(job)
    assert isinstance(result, Failed)
    assert "the worker has needlecoach" in result.reason and "the command 0.0" in result.reason
