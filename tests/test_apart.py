"""Other processes of this program, where one of them is ended from outside."""

import threading
import time
from concurrent.futures import BrokenExecutor
from multiprocessing.context import SpawnProcess

import pytest

from needlecoach.apart import Apart


def test_nothing_waits_for_ever_when_a_process_is_ended_as_another_starts(monkeypatch):
    pool = Apart(2)
    pool.submit(time.sleep, 60)
    [first] = pool.processes
    start = SpawnProcess.start

    def start_meanwhile(process):
        start(process)
        first.kill()
        until = time.monotonic() + 20
        while not pool._broken and time.monotonic() < until:
            time.sleep(0.01)
        time.sleep(0.2)  # the processes known by then are ended

    monkeypatch.setattr(SpawnProcess, "start", start_meanwhile)
    with pytest.raises(BrokenExecutor):
        pool.submit(abs, -1)
    left = pool.processes
    closing = threading.Thread(target=pool.shutdown, daemon=True)
    closing.start()
    closing.join(20)
    try:
        assert not closing.is_alive()
    finally:
        for process in left:
            process.kill()


def test_a_pool_that_lost_a_process_says_so_again():
    with Apart(1) as pool:
        waited = pool.submit(time.sleep, 60)
        pool.processes[0].kill()
        assert isinstance(waited.exception(20), BrokenExecutor)
        with pytest.raises(BrokenExecutor):
            pool.submit(abs, -1)
