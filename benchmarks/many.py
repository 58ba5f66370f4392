"""Clips per minute, one after the other and side by side: python benchmarks/many.py [--times 2] [CLIP...].

Takes the sample clips (or those named) several times over under other names, and times `needlecoach score` on
them with 1, 2 and, where there are more cores, as many processes, start of Python included, all in one run:
on a machine that does other work the ratio says more than the figures.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from needlecoach.batch.processes import cores

SAMPLES = Path(__file__).parents[1] / "sample_clips"


def copies(clips: Sequence[Path], folder: Path, times: int) -> list[Path]:
    """Copy clips and their marks so many times, each copy under a name of its own."""
    found = []
    for number in range(1, times + 1):
        for clip in clips:
            copy = folder / f"{clip.stem}-{number}{clip.suffix}"
            shutil.copy(clip, copy)
            shutil.copy(clip.with_suffix(".marks.json"), copy.with_suffix(".marks.json"))
            found.append(copy)
    return found


def seconds(clips: Sequence[Path], n_processes: int, *, replay: bool) -> float:
    """Time the command on clips; SystemExit when it fails: the time of a failure says nothing."""
    with tempfile.TemporaryDirectory() as out:
        words = [sys.executable, "-m", "needlecoach", "score", *map(str, clips), "--out", out, "--quiet"]
        words += ["--jobs", str(n_processes), "--replay" if replay else "--no-replay"]
        started = time.perf_counter()
        done = subprocess.run(words, check=False)
        spent_s = time.perf_counter() - started
    if done.returncode:
        sys.exit(f"needlecoach score ended with exit code {done.returncode}; nothing to time.")
    return spent_s


def main() -> None:
    """Parse, copy, time."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("clips", nargs="*", type=Path, help="clips with marks beside them; the sample clips")
    parser.add_argument("--times", type=int, default=2, help="how often each is taken (default 2)")
    parser.add_argument("--replay", action="store_true", help="with the replay video")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        clips = copies(chosen.clips or sorted(SAMPLES.glob("*.mp4")), Path(scratch), chosen.times)
        print(f"{len(clips)} clips, {cores()} cores")
        print(f"{'processes':>9}{'seconds':>10}{'clips/min':>11}{'ratio':>7}")
        first_s = 0.0
        for n_processes in sorted({1, 2, cores()}):
            spent_s = seconds(clips, n_processes, replay=chosen.replay)
            first_s = first_s or spent_s
            rate = 60 * len(clips) / spent_s
            print(f"{n_processes:>9}{spent_s:>10.1f}{rate:>11.1f}{first_s / spent_s:>7.2f}", flush=True)


if __name__ == "__main__":
    main()
