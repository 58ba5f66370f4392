"""Live use at full rate: python benchmarks/live.py [--minutes N] [--cache DIR].

The drawn minute of `benchmarks/speed.py` (1280x720, 30 pictures a second, in colour as JPEG of quality 90) is
served over HTTP by another process, again and again, followed and recorded, and shown in headless Chromium.
Printed beside their bars: pictures followed a second, time from the camera to the drawn page by the server's
own clock, pictures in the recording against those captured, memory of this program fifth by fifth of the
time. The page's browser and the stream's server share the cores with what is measured.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

import av
import cv2
import numpy as np
from playwright.sync_api import sync_playwright
from speed import make_clip

from needlecoach.clips.capture import open_source
from needlecoach.clips.recorder import Recorder
from needlecoach.live.session import Session
from needlecoach.live.setup import Setup
from needlecoach.marks import MarkOptions
from needlecoach.review.launch import free_socket
from needlecoach.review.livelaunch import LiveServer
from needlecoach.scored import Wish

TESTS = Path(__file__).resolve().parent.parent / "tests"
SERVE = """
import sys, time
sys.path.insert(0, sys.argv[1])
from streams import MjpegServer
server = MjpegServer(sys.argv[2])
print(server.address, flush=True)
time.sleep(1e6)
"""
PATIENCE_S = 60.0
CHROMIUM = "/usr/bin/chromium"


@contextmanager
def served(clip: Path) -> Iterator[str]:
    """Address at which another process plays the clip."""
    command = [sys.executable, "-c", SERVE, str(TESTS), str(clip)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield process.stdout.readline().strip()
        finally:
            process.kill()


def memory_mib() -> float:
    """Resident memory of this process and of the one that looks beside it."""
    own = os.getpid()
    tasks = Path(f"/proc/{own}/task").glob("*/children")
    children = [int(number) for task in tasks for number in task.read_text().split()]
    kept = [own, *(one for one in children if b"spawn_main" in Path(f"/proc/{one}/cmdline").read_bytes())]
    pages = sum(int(Path(f"/proc/{one}/statm").read_text().split()[1]) for one in kept)
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


class Counting(threading.Thread):
    """Counts the pictures that were followed, and looks at the memory now and then."""

    def __init__(self, session: Session) -> None:
        super().__init__(daemon=True)
        self.times_s: list[float] = []
        self.memory: list[float] = []
        self._session, self._ends = session, False

    def run(self) -> None:
        than, looked_s = -1, 0.0
        while not self._ends:
            shown = self._session.wait_newer(than, 1.0)
            now_s = time.monotonic()
            if shown is not None:
                than = shown.number
                self.times_s.append(now_s)
            if now_s - looked_s > 5:
                looked_s = now_s
                self.memory.append(memory_mib())

    def end(self) -> None:
        self._ends = True
        self.join()


def pictures_in(path: Path) -> int:
    """How many pictures a recording holds."""
    with av.open(str(path)) as container:
        return sum(1 for _ in container.decode(video=0))


def measure(clip: Path, out: Path, seconds: float) -> None:
    """Follow, record and show the stream for so long, and print what came of it."""
    cv2.setNumThreads(1)  # as the command does
    marks = Setup.of_file(clip.with_suffix(".marks.json"), MarkOptions())
    with ExitStack() as stack:
        address = stack.enter_context(served(clip))
        source = stack.enter_context(open_source(address))
        recorder = stack.enter_context(closing(Recorder()))
        stack.callback(source.subscribe(recorder.see))
        captured: list[float] = []
        stack.callback(source.subscribe(lambda picture: captured.append(picture.time_s)))
        session = Session(source, recorder, setup=marks, out=out, wish=Wish(replay=False), visitor=False)
        session.start()
        server = LiveServer(session, Wish(replay=False), stack.enter_context(closing(free_socket(None))))
        serving = threading.Thread(target=server.run, daemon=True)
        serving.start()
        chromium = stack.enter_context(sync_playwright()).chromium
        browser = chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.goto(server.address)
        page.wait_for_selector("body[data-ready=yes]", timeout=PATIENCE_S * 1000)
        page.wait_for_timeout(5000)
        whole = recorder.begin(out / "whole.mkv", source.now_s())
        began_s = source.now_s()
        counting = Counting(session)
        counting.start()
        page.wait_for_timeout(seconds * 1000)
        ended_s = source.now_s()
        counting.end()
        recorded, first_s = whole.end(ended_s), whole.first_s
        assert recorded is not None
        n_captured = sum(first_s - 1e-3 <= at_s <= ended_s + 1e-3 for at_s in captured)
        times = server.desk.feed.latency.all()
        lost = recorder.state.lost
        browser.close()
        server.end()
        serving.join()
        session.close()
    lasted_s = ended_s - began_s
    came = sum(began_s <= at_s <= ended_s for at_s in captured) / lasted_s
    followed = len(counting.times_s) / lasted_s
    print(f"captured   {came:6.2f} a second")
    print(f"followed   {followed:6.2f} a second (bar 30, as many as come)")
    print(f"to page    {times['median_ms']} ms median, {times['p95_ms']} ms 95th of {times['n']} (bar 100)")
    print(f"recorded   {pictures_in(recorded)} of {n_captured} captured, {lost} told as lost (bar: all)")
    fifths = np.array_split(counting.memory, 5)
    print("memory     " + ", ".join(f"{part.mean():.0f}" for part in fifths) + " MiB (bar: flat)")
    print(f"load       {os.getloadavg()[0]:.1f}")


def main() -> None:
    """Time it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--cache", type=Path, help="keeps the drawn clip for the next run")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        cache = args.cache or Path(scratch)
        cache.mkdir(parents=True, exist_ok=True)
        clip = cache / "speed_h264.mp4"
        if not clip.exists():
            make_clip(clip, codec="h264")
        measure(clip, Path(scratch), args.minutes * 60)


if __name__ == "__main__":
    main()
