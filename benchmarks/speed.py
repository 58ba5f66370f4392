"""Time the whole command against decoding alone: python benchmarks/speed.py [--cache DIR] [--codec mpeg4].

Makes a recording of 60 s, 1280 x 720, 30 frames a second with the simulator (two to four minutes, kept with
--cache), then times in one run: reading every frame of it in colour with OpenCV and nothing else
(what the ratios are to, the middle of three), decoding it without making colours, `needlecoach score`
without the replay video, and with it. Another file: --clip PATH, and after "--" the options that score it.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2

from needlecoach.phantoms.beams import BeamGrid
from needlecoach.phantoms.practice import aim_at, motion_for
from needlecoach.phantoms.scene import (
    Display,
    DriftKey,
    Gas,
    Key,
    Layer,
    NeedleLook,
    Probe,
    Scene,
    TargetBody,
    Tube,
)
from needlecoach.phantoms.simulate import marks_record, simulate

SEED = 60
LENGTH_S, RATE = 60.0, 30
ENCODERS = {"h264": "libx264", "mpeg4": "mpeg4"}
DECODINGS = 3


def long_scene() -> Scene:
    """One minute of practice on a large screen: six attempts at a fluid target, with things in the way."""
    probe = Probe(depth_mm=42, width_mm=50, persistence=0.3)
    display = Display(1280, 720, 0.065, (640, 50), lines=("GEL BLOCK S", "depth 42 mm"))
    target = TargetBody((4.0, 23.0), (4.0, 4.0))
    aim = aim_at(target.centre_mm, BeamGrid(probe, display), angle_deg=38)
    motion: list[Key] = []
    for number, kind in enumerate(("hit", "redirect", "blind", "strokes", "hit", "miss")):
        motion += motion_for(kind, aim, start_s=1.0 + 9.8 * number)
    return Scene(
        duration_s=LENGTH_S,
        fps=RATE,
        probe=probe,
        display=display,
        target=target,
        things=(Tube((8, 37), 18, 5), Gas((17, 11)), Layer(33, 1.0)),
        needle=NeedleLook(entry_mm=aim.entry_mm, side="left"),
        motion=tuple(motion),
        drift=(DriftKey(0), DriftKey(LENGTH_S, -0.8, 0.2, 0.3)),
        push_mm=0.6,
    )


def make_clip(path: Path, *, codec: str) -> None:
    """Draw the recording and its marks; the video appears under its name only when it is whole."""
    scene, waiting = long_scene(), path.with_name(f"part-{path.name}")
    with av.open(str(waiting), "w", format="mp4") as container:
        stream = container.add_stream(ENCODERS[codec], rate=Fraction(RATE))
        stream.width, stream.height = scene.display.width_px, scene.display.height_px
        stream.pix_fmt = "yuv420p"
        stream.bit_rate = 4_000_000
        for frame, _ in simulate(scene, seed=SEED):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame.pixels, format="gray8")))
        container.mux(stream.encode())
    marks = marks_record(scene, learner="L01", notes="For timing.")
    path.with_suffix(".marks.json").write_text(json.dumps(marks, indent=2) + "\n", encoding="utf-8")
    os.replace(waiting, path)


@dataclass(frozen=True, order=True)
class Cost:
    """What something took: seconds on the clock, and seconds of all cores together."""

    clock_s: float
    cores_s: float


def decoding(path: Path) -> tuple[Cost, int]:
    """Cost of reading every frame in colour as OpenCV gives it, and their number."""
    capture = cv2.VideoCapture(str(path))
    started, worked, count = time.perf_counter(), time.process_time(), 0
    while capture.read()[0]:
        count += 1
    cost = Cost(time.perf_counter() - started, time.process_time() - worked)
    capture.release()
    return cost, count


def decoding_luma(path: Path) -> Cost:
    """Cost of decoding every frame with the tool's own decoder, and nothing else: no colour is made."""
    started, worked = time.perf_counter(), time.process_time()
    with av.open(str(path)) as container:
        for _ in container.decode(container.streams.video[0]):
            pass
    return Cost(time.perf_counter() - started, time.process_time() - worked)


def scoring(path: Path, *, replay: bool, options: Sequence[str]) -> Cost:
    """Cost of the whole command, start of Python included.

    Raises
    ------
    SystemExit
        When the command fails: the time of a failure says nothing.
    """
    with tempfile.TemporaryDirectory() as out:
        words = [sys.executable, "-m", "needlecoach", "score", str(path), "--out", out, "--quiet", *options]
        started, worked = time.perf_counter(), _children_s()
        done = subprocess.run([*words, "--replay" if replay else "--no-replay"], check=False)
        cost = Cost(time.perf_counter() - started, _children_s() - worked)
    if done.returncode:
        sys.exit(f"needlecoach score ended with exit code {done.returncode}; nothing to time.")
    return cost


def _children_s() -> float:
    spent = os.times()
    return spent.children_user + spent.children_system


def report(path: Path, options: Sequence[str]) -> None:
    """Time everything and print the table."""
    runs = sorted(decoding(path) for _ in range(DECODINGS))
    base, count = runs[DECODINGS // 2]
    if not count:
        sys.exit(f"{path}: OpenCV reads no frame of it.")
    about = f"{os.cpu_count()} cores, {platform.machine()}, OpenCV {cv2.__version__}"
    print(f"{path.name}: {count} frames; {about}")
    print(f"{'what':<34}{'seconds':>9}{'frames/s':>10}{'ratio':>7}{'of all cores':>15}{'ratio':>7}")
    luma = sorted(decoding_luma(path) for _ in range(DECODINGS))[DECODINGS // 2]
    rows = [("decoding alone, in colour (OpenCV)", base), ("decoding alone, not in colour", luma)]
    for flag in ("--no-replay", "--replay"):
        rows.append((f"needlecoach score {flag}", scoring(path, replay=flag == "--replay", options=options)))
    for what, cost in rows:
        clock = f"{cost.clock_s:>9.2f}{count / cost.clock_s:>10.0f}{cost.clock_s / base.clock_s:>7.2f}"
        print(f"{what:<34}{clock}{cost.cores_s:>15.2f}{cost.cores_s / base.cores_s:>7.2f}")


def main() -> None:
    """Parse, make the clip when none is given, time."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--clip", type=Path, help="time this file instead of the simulated one")
    parser.add_argument(
        "--cache", type=Path, metavar="DIR", help="keep the simulated file here for the next run"
    )
    parser.add_argument(
        "--codec", choices=ENCODERS, default="h264", help="of the simulated file (default h264)"
    )
    parser.add_argument("options", nargs="*", help='after "--": more options for needlecoach score')
    chosen = parser.parse_args()
    if chosen.clip is not None:
        report(chosen.clip, chosen.options)
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = chosen.cache or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"speed_{chosen.codec}.mp4"
        if not path.exists():
            print("Drawing the recording...", flush=True)
            make_clip(path, codec=chosen.codec)
        report(path, chosen.options)


if __name__ == "__main__":
    main()
