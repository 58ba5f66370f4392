"""How soon a page can be used, and how fast a person can step through frames.

For each clip: seconds on the clock from starting `needlecoach mark` to the first exact frame in hand, and
milliseconds that the server takes for the next frame, forth and back at a held key's pace, 95th percentile.
The bars are 2 s and 50 ms. What the browser adds (decoding a stored PNG, drawing it) is not in it.
"""

from __future__ import annotations

import argparse
import http.client
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from speed import make_clip

START_BAR_S, STEP_BAR_MS = 2.0, 50.0
RUNS = 5
# A key held down repeats about 30 times a second.
PACE_S = 1 / 30
_ADDRESS = re.compile(r"http://127\.0\.0\.1:(\d+)/(\S+)/mark")


@dataclass
class Page:
    """A running command, and a line to its server that stays open as a browser's does."""

    process: subprocess.Popen[str]
    line: http.client.HTTPConnection
    key: str

    @classmethod
    def of(cls, clip: Path, out: str) -> Page:
        command = [sys.executable, "-m", "needlecoach", "mark", str(clip), "--out", out, "--no-browser"]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        found = _ADDRESS.search(process.stdout.readline())
        assert found, "the command printed no address"
        return cls(process, http.client.HTTPConnection("127.0.0.1", int(found[1])), found[2])

    def get(self, path: str) -> bytes:
        self.line.request("GET", f"/{self.key}/{path}")
        answer = self.line.getresponse()
        content = answer.read()
        assert answer.status == 200, content
        return content

    def end(self) -> None:
        self.process.send_signal(signal.SIGINT)
        self.process.communicate(timeout=60)


def start_s(clip: Path, out: str) -> float:
    """Seconds from starting the command to the page, its facts and its first frame."""
    began = time.perf_counter()
    page = Page.of(clip, out)
    for path in ("mark", "static/api.js", "api/clip", "api/frames/0", "api/marks"):
        page.get(path)
    took = time.perf_counter() - began
    page.end()
    return took


def steps_ms(clip: Path, out: str, count: int) -> tuple[list[float], list[float]]:
    """Milliseconds for each frame forth and each back, from frame 0 on, as fast as a held key asks."""
    page = Page.of(clip, out)
    page.get("api/frames/0")
    n_frames = int(re.search(rb'"n_frames":(\d+)', page.get("api/clip"))[1])  # type: ignore[index]
    last = min(count, n_frames) - 1
    forth = [_step_ms(page, number) for number in range(1, last + 1)]
    back = [_step_ms(page, number) for number in range(last - 1, -1, -1)]
    page.end()
    return forth, back


def _step_ms(page: Page, number: int) -> float:
    began = time.perf_counter()
    page.get(f"api/frames/{number}")
    took = time.perf_counter() - began
    time.sleep(max(PACE_S - took, 0))
    return 1000 * took


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("clips", nargs="*", type=Path)
    parser.add_argument("--cache", type=Path, help="folder for a drawn clip of 60 s, 1280 x 720, H.264")
    parser.add_argument("--steps", type=int, default=400, help="frames to step through, each way")
    wish = parser.parse_args()
    clips = list(wish.clips)
    if wish.cache is not None:
        large = wish.cache / "speed_h264.mp4"
        if not large.exists():
            make_clip(large, codec="h264")
        clips.append(large)
    print(f"{'clip':<28}{'start s':>9}{'forth p95 ms':>14}{'back p95 ms':>13}")
    with tempfile.TemporaryDirectory() as out:
        for clip in clips:
            start = statistics.median(start_s(clip, out) for _ in range(RUNS))
            forth, back = (statistics.quantiles(one, n=20)[-1] for one in steps_ms(clip, out, wish.steps))
            print(f"{clip.stem:<28}{start:>9.2f}{forth:>14.1f}{back:>13.1f}")
    print(f"bars: {START_BAR_S:g} s, {STEP_BAR_MS:g} ms")


if __name__ == "__main__":
    main()
