"""Follow clips with exact truth as if a camera gave them: python benchmarks/live_tip.py CLIPS_DIR [NAME ...].

CLIPS_DIR holds NAME.mp4 with NAME.truth.json (or NAME.json) and, where the truth has no marks in it,
NAME.marks.json. Every frame is coded as a JPEG of quality 90 and given at its own time; one that comes while
the follower is busy with another is dropped, as in live use. Printed per clip and of all together: the tip's
error where it is visible, how much of the time the state shown (no needle, tip seen, tip not seen) had been
wrong for more than 0.3 s, frames dropped, and what a frame cost the follower's thread.

--slow FACTOR   gives the clips that many times slower, times as recorded, for a machine that is busy with
                other things: the accuracy is then that of a free machine so many times slower than this one.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pandas as pd
from accuracy import clip_name, read_truths
from comparison import Ruler

from needlecoach.clips import CameraReader, ClipReader, open_clip
from needlecoach.filmed import Filmed
from needlecoach.live.session import LOOKS_POLITENESS, SPARE_S
from needlecoach.marks import marks_from_json, read_marks
from needlecoach.model import GreyImage, LiveRow, Marks, Point
from needlecoach.screen.region import settle_region
from needlecoach.tracking.beside import another_process
from needlecoach.tracking.forward import Forward
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.target import BESIDE, TargetFollower
from needlecoach.tracking.throw import farthest_throw_mm

JPEG_QUALITY = 90
REGION_FRAMES = 12
WRONG_S = 0.3
BARS = {"tip_50_mm": 0.5, "tip_95_mm": 2.0, "wrong_share": 0.02, "thread_ms": 12.0}


@dataclass(frozen=True, eq=False)
class Filmstrip:
    """A clip's frames as the follower gets them, and how a place in one of them gets back to the file's."""

    pictures: list[GreyImage]
    time_s: list[float]
    plane: Plane
    target: TargetFollower | None
    thrown_mm: float
    to_file_px: Callable[[int, npt.NDArray[np.float64]], npt.NDArray[np.float64]]


@dataclass(frozen=True, eq=False)
class Followed:
    """Rows of the frames that were not dropped, and what each cost the thread in seconds."""

    rows: list[LiveRow]
    thread_s: list[float]
    n_frames: int


def marks_of(folder: Path, name: str, truth: dict[str, Any]) -> Marks:
    """What a user marks on the first frame."""
    beside = folder / f"{name}.marks.json"
    if beside.exists():
        return read_marks(beside)
    given = truth["marks"]
    ellipse = {
        "centre_px": given["target_centre_px"],
        "semi_axes_px": given["target_semi_axes_px"],
        "tilt_deg": given["target_rot_deg"],
    }
    record = {
        "schema": 1,
        "target": {"ellipse": ellipse, "frame": 0},
        "scale": {"points_px": given["scale_points_px"], "mm": given["scale_mm"]},
    }
    marks = marks_from_json(json.dumps(record)).to_marks()
    return replace(marks, screen="auto") if truth.get("camera") else marks


def filmstrip(reader: ClipReader, marks: Marks) -> Filmstrip:
    """Read a clip into the pictures a camera's would become."""
    camera: CameraReader | None = None
    if marks.screen is not None:
        filmed = Filmed.of(reader, marks)
        reader, marks, camera = filmed.reader, filmed.marks, filmed.reader

    def to_file(number: int, point: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        if camera is None:
            return point
        x, y, w = camera.view_of(number).homography @ (*point, 1.0)
        return np.array([x / w, y / w])

    if marks.scale is None:
        sys.exit(f"{reader.clip.path.name}: no scale is marked; give the clip a marks file with one.")
    size_px = (reader.clip.width_px, reader.clip.height_px)
    region = settle_region(
        reader.sample_frames(REGION_FRAMES), size_px, given=marks.region_box_px, of_file=None
    )
    plane, target = Plane(region, marks.scale), None
    if marks.target is not None:
        near = range(max(marks.target.frame - BESIDE, 0), marks.target.frame + BESIDE + 1)
        beside = {n: plane.resample(frame.pixels) for n, frame in reader.read_frames(near).items()}
        target = TargetFollower(beside, marks.target, plane)
    pictures, time_s = [], []
    for frame in reader:
        code = cv2.imencode(".jpg", frame.pixels, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])[1]
        pictures.append(plane.resample(np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), np.uint8)))
        time_s.append(frame.time_s)
    return Filmstrip(pictures, time_s, plane, target, farthest_throw_mm(marks.core), to_file)


def follow(clip: Filmstrip, beside: Executor, slow: float) -> Followed:
    """Give the pictures at their times; of those that come while one is followed a session follows three."""
    rows, spent = [], []
    with Forward(clip.plane, clip.target, thrown_mm=clip.thrown_mm, beside=beside) as forward:
        started, number = time.monotonic(), 0
        while number < len(clip.pictures):
            now_s = (time.monotonic() - started) / slow
            if clip.time_s[number] > now_s:
                time.sleep((clip.time_s[number] - now_s) * slow)
            begun = time.thread_time()
            rows.append(forward.see(number, clip.time_s[number], clip.pictures[number]))
            spent.append(time.thread_time() - begun)
            now_s = (time.monotonic() - started) / slow
            newest = int(np.searchsorted(clip.time_s, now_s, "right")) - 1
            young = int(np.searchsorted(clip.time_s, now_s - SPARE_S))
            number = max(number + 1, min(newest, max(newest - 2, young)))
    return Followed(rows, spent, len(clip.pictures))


def state_of(frame: dict[str, Any]) -> str:
    """True state: none, seen, unseen; either where a fair observer could say seen or unseen."""
    if not frame["needle_present"]:
        return "none"
    if frame.get("tip_borderline"):
        return "either"
    return "seen" if frame["tip_visible"] else "unseen"


def is_wrong(true: str, row: LiveRow) -> bool:
    """Whether a state that is shown is wrong."""
    shown = {"inferred": "unseen", "lost": "unseen"}.get(row.sight, row.sight)
    return shown == "none" if true == "either" else shown != true


def wrong_for_s(wrong: list[bool], time_s: list[float]) -> float:
    """Time in which the state shown had been wrong for more than 0.3 s."""
    total, since = 0.0, None
    for i, bad in enumerate(wrong):
        since = (time_s[i] if since is None else since) if bad else None
        end_s = time_s[i + 1] if i + 1 < len(time_s) else time_s[i]
        if since is not None:
            total += max(0.0, end_s - max(time_s[i], since + WRONG_S))
    return total


def figures(truth: dict[str, Any], clip: Filmstrip, followed: Followed) -> dict[str, Any]:
    """Raw comparisons of one clip; figures are made of them by `line`."""
    ruler, frames = Ruler(truth), {frame["frame"]: frame for frame in truth["frames"]}
    seen_mm, missed, wrong = [], 0, []
    for row in followed.rows:
        frame = frames[row.number]
        wrong.append(is_wrong(state_of(frame), row))
        if frame["tip_visible"]:
            if np.isfinite(row.tip_px).all():
                place: Point | Any = clip.to_file_px(row.number, row.tip_px)
                seen_mm.append(ruler.distance_mm(frame, place, frame["tip_xy_px"]))
            else:
                missed += 1
    times = [row.time_s for row in followed.rows]
    return {
        "seen_mm": seen_mm,
        "missed": missed,
        "wrong_s": wrong_for_s(wrong, times),
        "span_s": times[-1] - times[0],
        "dropped": followed.n_frames - len(followed.rows),
        "thread_s": followed.thread_s,
    }


def line(name: str, raw: dict[str, Any]) -> dict[str, Any]:
    """One line of the table; a figure that misses its bar is marked with !."""
    seen = raw["seen_mm"] or [np.nan]
    values = {
        "tip_50_mm": float(np.percentile(seen, 50)),
        "tip_95_mm": float(np.percentile(seen, 95)),
        "wrong_share": raw["wrong_s"] / raw["span_s"],
        "thread_ms": 1000 * float(np.mean(raw["thread_s"])),
    }
    shown = {key: f"{value:.3f}" + (" !" if value > BARS[key] else "") for key, value in values.items()}
    return {"clip": name} | shown | {"visible_untold": raw["missed"], "dropped": raw["dropped"]}


def main() -> int:
    """Print the table; return the exit code."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("clips", type=Path)
    parser.add_argument("names", nargs="*")
    parser.add_argument("--slow", type=float, default=1.0, metavar="FACTOR")
    options = parser.parse_args()
    truths = read_truths(options.clips)
    names = [clip_name(Path(name)) for name in options.names] or list(truths)
    lines, total = [], {}
    with another_process(LOOKS_POLITENESS) as beside:
        beside.submit(abs, 0).result()
        for name in names:
            if name not in truths:
                sys.exit(f"{options.clips / name}: there is no truth of this clip; give another name.")
            truth = truths[name]
            with open_clip(options.clips / truth.get("video", f"{name}.mp4")) as reader:
                clip = filmstrip(reader, marks_of(options.clips, name, truth))
            raw = figures(truth, clip, follow(clip, beside, options.slow))
            lines.append(line(name, raw))
            print(lines[-1], flush=True)
            total = {key: total[key] + value for key, value in raw.items()} if total else raw
    table = pd.DataFrame([*lines, line("ALL", total)])
    print(table.to_string(index=False), "\n! misses the bar:", BARS)
    print(f"Fed {options.slow:g} times slower than recorded; visible_untold: frames without a tip.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
