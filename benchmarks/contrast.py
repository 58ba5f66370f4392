"""Find the faintest needle that is still followed: python benchmarks/contrast.py [--chart curve.png].

Draws short clips with the simulator whose needle stands less and less above the gel's speckle, follows it in
each with needlecoach and with the two plain methods, and prints error of the tip and share of frames in which
it was found against contrast. Two processes; some minutes.

Contrast is measured in the clips' own pixels: the power (mean square of the amplitude, the screen's grey
values turned back through its log compression) in a strip along the true shaft, less that of a strip above
it (below lies the needle's shadow), over that of the strip above it, in dB, over the whole clip. It is set
with the brightest clip of each scene; the fainter ones are the same scene with all of the needle's echoes,
tip included, weakened by the difference. Near 0 dB the measurement itself is off by a dB or two, because
shaft and speckle interfere; so both are printed, what was set and what was measured, and beside them the
contrast of the tip's own echo (its peak over the speckle round it; the simulator calls a tip visible from
14 dB on).
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import matplotlib
import numpy as np
import numpy.typing as npt
import pandas as pd
from comparison import FOUND_MM, Ruler, rank_correlation
from plain_methods import follow_plainly, region_of, scale_of

from needlecoach.analyse import score_clip
from needlecoach.clips import open_clip
from needlecoach.model import GreyImage, Marks
from needlecoach.phantoms.beams import BeamGrid
from needlecoach.phantoms.practice import aim_at, motion_for
from needlecoach.phantoms.scene import Display, DriftKey, NeedleLook, Probe, Scene
from needlecoach.phantoms.simulate import write_clip

OURS = "needlecoach"
SET_AT_DB = 18.0
CONTRASTS_DB = (SET_AT_DB, 15.0, 12.0, 9.0, 6.0, 3.0, 0.0)
SEEDS = 6
PROCESSES = 2
FEW_FOUND = 0.05
FIRST_GUESS_DB = 24.0

SHAFT_HALF_MM = 0.15
ABOVE_MM = (1.5, 4.0)
# The probe's face is bright; the tip's own echo and the part just inside the picture's edge are no shaft.
FACE_MM = 4.0
TIP_LEFT_OUT_MM = 2.0
ENTRY_LEFT_OUT_MM = 2.0
SHORTEST_MM = 8.0


@dataclass
class Count:
    """What one method made of some clips; shares and percentiles are only made at the end."""

    error_mm: list[float] = field(default_factory=list)
    needle_frames: int = 0
    needless_frames: int = 0
    false_frames: int = 0

    def add(self, other: Count) -> None:
        """Take in another clip's counts."""
        self.error_mm = self.error_mm + other.error_mm
        self.needle_frames += other.needle_frames
        self.needless_frames += other.needless_frames
        self.false_frames += other.false_frames

    def figures(self) -> dict[str, float]:
        """Return the figures of the curve; NaN where there is nothing to compare."""
        error = np.array(self.error_mm)
        return {
            "tip_50_mm": float(np.median(error)) if error.size else np.nan,
            "tip_95_mm": float(np.percentile(error, 95)) if error.size else np.nan,
            "found": (error <= FOUND_MM).sum() / self.needle_frames if self.needle_frames else np.nan,
            "false": self.false_frames / self.needless_frames if self.needless_frames else np.nan,
        }


def count_frames(truth: dict[str, Any], track: pd.DataFrame) -> Count:
    """Count tips found in all frames with a needle, however faint, and needles found where there is none."""
    count, ruler = Count(), Ruler(truth)
    rows = track.set_index("frame").reindex([frame["frame"] for frame in truth["frames"]])
    for frame, got in zip(truth["frames"], rows.to_dict("records"), strict=True):
        if not frame["needle_present"]:
            count.needless_frames += 1
            count.false_frames += got["needle_present"] == 1
            continue
        count.needle_frames += 1
        error = ruler.distance_mm(frame, (got["tip_x_px"], got["tip_y_px"]), frame["tip_xy_px"])
        if np.isfinite(error):
            count.error_mm.append(error)
    return count


def faint_scene(seed: int) -> Scene:
    """One pass in the plane and out again; seed decides angle, side, depth, speed and a little drift."""
    rng = np.random.default_rng(seed)
    probe, display = Probe(depth_mm=36, width_mm=36), Display(420, 400, 0.12, (205, 50), lines=("PRACTICE",))
    side = "left" if seed % 2 else "right"
    place = (rng.uniform(-4, 4), rng.uniform(17, 22))
    angle_deg, speed_mm_s = rng.uniform(28, 52), rng.uniform(10, 16)
    aim = aim_at(place, BeamGrid(probe, display), angle_deg=angle_deg, side=side)
    motion = motion_for("hit", aim, speed_mm_s=speed_mm_s)
    duration_s = motion[-1].time_s + 0.8
    drift = DriftKey(duration_s, rng.uniform(-0.5, 0.5), rng.uniform(-0.3, 0.3), 0.2)
    look = NeedleLook(aim.entry_mm, side, trail_db=None)
    return Scene(
        duration_s,
        probe=probe,
        display=display,
        needle=look,
        motion=motion,
        drift=(DriftKey(0), drift),
    )


def with_needle_at(scene: Scene, shaft_db: float) -> Scene:
    """Return the scene with its needle this bright, the tip as much brighter or darker as before."""
    look = scene.needle
    tip_db = look.tip_db + shaft_db - look.shaft_db
    return replace(scene, needle=replace(look, shaft_db=shaft_db, tip_db=tip_db))


def contrast_db(scene: Scene, truth: dict[str, Any], pictures: Iterable[GreyImage]) -> float:
    """Contrast of the shaft over the speckle, from all frames' pixels; NaN when nothing is left of it."""
    shaft, above = [], []
    for picture, known in zip(pictures, truth["frames"], strict=True):
        strips = _strips_px(scene, known)
        if strips is None:
            continue
        power = _power(scene.probe, picture)
        shaft.append(_sample(power, strips[0]))
        above.append(_sample(power, strips[1]))
    on, off = np.concatenate(shaft).mean(), np.concatenate(above).mean()
    return float(10 * np.log10((on - off) / off)) if on > off else np.nan


def _power(probe: Probe, grey: GreyImage) -> npt.NDArray[np.float32]:
    """Squared amplitude, 1 for the root mean square of the gel's speckle, from the screen's grey values."""
    level_db = grey.astype(np.float32) * (probe.dynamic_range_db / 255) - probe.dynamic_range_db
    return np.asarray(10 ** ((level_db + probe.speckle_below_white_db) / 10), np.float32)


def _strips_px(
    scene: Scene, frame: dict[str, Any]
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]] | None:
    """Points along the true shaft and above it, (n, 2); None while too little of it is in the picture."""
    if not frame["needle_present"]:
        return None
    step = scene.display.mm_per_px
    entry, tip = np.array(frame["entry_xy_px"]), np.array(frame["tip_xy_px"])
    length_mm = float(np.hypot(*(tip - entry))) * step
    if length_mm < SHORTEST_MM:
        return None
    along = (tip - entry) * step / length_mm
    up = np.array([along[1], -along[0]]) * np.sign(along[0])
    s = np.arange(ENTRY_LEFT_OUT_MM, length_mm - TIP_LEFT_OUT_MM, step)
    inner = np.arange(-SHAFT_HALF_MM, SHAFT_HALF_MM + 1e-9, SHAFT_HALF_MM / 2)

    def points(offsets: npt.NDArray[np.float64]) -> npt.NDArray[np.float32]:
        places_mm = s[:, None, None] * along + offsets[:, None] * up
        places_px = entry + places_mm.reshape(-1, 2) / step
        deep = (places_px[:, 1] - scene.display.face_px[1]) * step > FACE_MM
        return np.asarray(places_px[deep], np.float32)

    return points(inner), points(np.arange(*ABOVE_MM, step))


def _sample(power: npt.NDArray[np.float32], points: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    if not len(points):
        return np.zeros(0, np.float32)
    values = cv2.remap(power, points[:, None], None, cv2.INTER_LINEAR, borderValue=float("nan"))[:, 0]
    return values[np.isfinite(values)]


@dataclass(frozen=True)
class Reading:
    """What came of one clip: contrasts asked for and measured, a count per method, our confidence."""

    seed: int
    asked_db: float
    measured_db: float
    tip_db: float
    counts: dict[str, Count]
    confidence: float = np.nan


def read_scene(seed: int, contrasts_db: Sequence[float] = CONTRASTS_DB) -> list[Reading]:
    """Draw one scene at every contrast and follow the needle in each."""
    cv2.setNumThreads(1)
    scene = faint_scene(seed)
    with tempfile.TemporaryDirectory() as folder:
        clip = Path(folder) / "faint.mp4"
        loss_db = FIRST_GUESS_DB
        # Twice, because the first guess may be so faint, or so near to white, that it is measured badly.
        for _ in range(2):
            bright = with_needle_at(scene, SET_AT_DB + loss_db)
            truth = write_clip(bright, clip, seed=seed)
            loss_db += SET_AT_DB - contrast_db(bright, truth, _pictures(clip))
        readings = []
        for asked_db in contrasts_db:
            faint = with_needle_at(scene, asked_db + loss_db)
            truth = write_clip(faint, clip, seed=seed)
            shown_db = (contrast_db(faint, truth, _pictures(clip)), tip_contrast_db(truth))
            readings.append(Reading(seed, asked_db, *shown_db, *follow(clip, truth)))
    return readings


def _pictures(clip: Path) -> Iterator[GreyImage]:
    with open_clip(clip) as reader:
        yield from (frame.pixels for frame in reader)


def tip_contrast_db(truth: dict[str, Any]) -> float:
    """Median contrast of the tip's own echo over all frames with a needle."""
    return float(
        np.median([frame["tip_contrast_db"] for frame in truth["frames"] if frame["needle_present"]])
    )


def follow(clip: Path, truth: dict[str, Any]) -> tuple[dict[str, Count], float]:
    """Follow the needle by every method, scale and region given; return counts and our confidence."""
    region, scale = region_of(truth), scale_of(truth)
    card = score_clip(clip, Marks(scale=scale, region_box_px=region.box_px), no_target=True)
    ours = pd.DataFrame(
        {
            "frame": np.arange(len(card.track)),
            "needle_present": card.track.needle_present,
            "tip_x_px": card.track.tip_px[:, 0],
            "tip_y_px": card.track.tip_px[:, 1],
        }
    )
    tracks = {OURS: ours} | follow_plainly(clip, region, scale)
    return {method: count_frames(truth, track) for method, track in tracks.items()}, card.confidence


def curve(readings: Iterable[Reading]) -> pd.DataFrame:
    """Put the clips of each contrast together: one row per contrast and method."""
    rows = []
    readings = list(readings)
    for asked_db in sorted({reading.asked_db for reading in readings}, reverse=True):
        same = [reading for reading in readings if reading.asked_db == asked_db]
        levels = {
            "shaft_db": asked_db,
            "measured_db": float(np.nanmedian([reading.measured_db for reading in same])),
            "tip_db": float(np.median([reading.tip_db for reading in same])),
        }
        for method in same[0].counts:
            total = Count()
            for reading in same:
                total.add(reading.counts[method])
            rows.append(levels | {"method": method} | total.figures())
    return pd.DataFrame(rows)


LOOKS = {  # Okabe and Ito's colours, which colour-blind eyes tell apart; marker and line differ as well.
    OURS: ("#0072B2", "o", "-"),
    "ridge + Hough + drop": ("#D55E00", "s", "--"),
    "edges + Hough": ("#000000", "^", ":"),
}


def draw_chart(table: pd.DataFrame, path: Path) -> None:
    """Draw share of frames found and tip error against contrast as a PNG."""
    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    figure, (left, right) = plt.subplots(1, 2, figsize=(9.5, 4.3), layout="constrained")
    for method, (colour, marker, line) in LOOKS.items():
        rows = table[table["method"] == method]
        style = {"color": colour, "marker": marker, "linestyle": line}
        left.plot(rows["shaft_db"], 100 * rows["found"], label=method, **style)
        rows = rows[rows["found"] >= FEW_FOUND]  # a handful of lucky tips is no curve
        right.plot(rows["shaft_db"], rows["tip_50_mm"], **style)
        right.plot(rows["shaft_db"], rows["tip_95_mm"], alpha=0.4, markersize=4, **style)
    left.set(title=f"tip found within {FOUND_MM:g} mm", ylabel="frames with a needle (%)", ylim=(-3, 103))
    right.set(
        title=f"error of the tips given, where {FEW_FOUND:.0%} are found",
        ylabel="median, and pale 95th percentile (mm)",
        yscale="log",
    )
    right.yaxis.set_major_formatter("{x:g}")
    for axes in (left, right):
        axes.set(xlabel="shaft over speckle (dB)", xticks=sorted(set(table["shaft_db"])))
        axes.grid(alpha=0.3)
    figure.legend(loc="outside lower center", ncols=len(LOOKS), frameon=False)
    figure.savefig(path, dpi=110)
    plt.close(figure)


def main() -> None:
    """Draw, follow, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--chart", type=Path, metavar="PNG", help="draw the curve to this file")
    parser.add_argument("--seeds", type=int, default=SEEDS, help=f"scenes at each contrast (default {SEEDS})")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures of every clip here")
    options = parser.parse_args()
    if options.seeds < 1:
        sys.exit(f"--seeds must be 1 or more, got {options.seeds}.")
    readings: list[Reading] = []
    with get_context("spawn").Pool(min(PROCESSES, options.seeds)) as pool:
        for done in pool.imap_unordered(read_scene, range(1, options.seeds + 1)):
            readings += done
    readings.sort(key=lambda reading: (reading.seed, -reading.asked_db))
    table = curve(readings)
    print(table.round(3).to_string(index=False, na_rep="-"))
    print(confidence_words(readings))
    if options.json is not None:
        options.json.write_text(json.dumps([flat(reading) for reading in readings], indent=1) + "\n")
    if options.chart is not None:
        draw_chart(table, options.chart)


def confidence_words(readings: Sequence[Reading]) -> str:
    """Say how well our confidence ranks the clips by their true tip error."""
    errors = [reading.counts[OURS].figures() for reading in readings]
    confidence = [reading.confidence for reading in readings]
    half, n = rank_correlation(confidence, [error["tip_50_mm"] for error in errors])
    most, _ = rank_correlation(confidence, [error["tip_95_mm"] for error in errors])
    lost = [reading.confidence for reading, error in zip(readings, errors, strict=True) if not error["found"]]
    words = (
        f"Confidence of needlecoach over the {n} clips with a tip, Spearman's rank correlation: "
        f"{half:+.2f} with the clip's median error, {most:+.2f} with its 95th percentile."
    )
    return words + (f" Highest where no tip was found: {max(lost):.2f}." if lost else "")


def flat(reading: Reading) -> dict[str, Any]:
    """Return one clip's figures as JSON can hold them."""
    levels = {"seed": reading.seed, "shaft_db": reading.asked_db, "measured_db": reading.measured_db}
    levels["confidence"] = reading.confidence
    return levels | {name: count.figures() for name, count in reading.counts.items()}


if __name__ == "__main__":
    main()
