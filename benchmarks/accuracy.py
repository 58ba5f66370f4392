"""Compare results with exact truth: python benchmarks/accuracy.py TRUTH_DIR REPORTS_DIR [--floor].

TRUTH_DIR holds NAME.truth.json (or NAME.json) for each clip, REPORTS_DIR the results NAME/track.csv and
NAME/attempts.csv. One row per clip, then all together. With --floor the exit code is 1 when the sample clips'
floor is broken: tip error median at most 0.5 mm and 95th percentile at most 1.5 mm, attempts, passes and
outcomes all right, no needle reported in a clip without one.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

FOUND_MM = 2.0
TOUCHING_MM = 0.3
FLOOR_MEDIAN_MM = 0.5
FLOOR_95TH_MM = 1.5


@dataclass
class Tally:
    """Raw comparisons of one clip or of many; figures are only made of them at the end."""

    seen_error_mm: list[float] = field(default_factory=list)
    inferred_error_mm: list[float] = field(default_factory=list)
    error_over_sd: list[float] = field(default_factory=list)
    angle_error_deg: list[float] = field(default_factory=list)
    visible_frames: int = 0
    rightly_visible: int = 0
    wrongly_visible: int = 0
    wrongly_hidden: int = 0
    needless_frames: int = 0
    false_frames: int = 0
    attempts: int = 0
    attempts_wrong: int = 0
    passes_wrong: int = 0
    outcomes_wrong: int = 0

    def add(self, other: Tally) -> None:
        """Take in another clip's comparisons."""
        for item in fields(self):
            setattr(self, item.name, getattr(self, item.name) + getattr(other, item.name))

    def row(self, name: str) -> dict[str, Any]:
        """Return the clip's line of the table; NaN where there is nothing to compare."""
        seen = np.array(self.seen_error_mm)
        calls = 2 * self.rightly_visible + self.wrongly_visible + self.wrongly_hidden
        within_sd = np.array(self.error_over_sd) <= 2
        return {
            "clip": name,
            "tip_50_mm": _percentile(seen, 50),
            "tip_95_mm": _percentile(seen, 95),
            "found": (seen <= FOUND_MM).sum() / self.visible_frames if self.visible_frames else np.nan,
            "visible_f1": 2 * self.rightly_visible / calls if calls else np.nan,
            "inferred_90_mm": _percentile(self.inferred_error_mm, 90),
            "in_2sd": within_sd.mean() if len(within_sd) else np.nan,
            "angle_50_deg": _percentile(self.angle_error_deg, 50),
            "angle_95_deg": _percentile(self.angle_error_deg, 95),
            "false_frames": f"{self.false_frames}/{self.needless_frames}",
            "attempts_wrong": self.attempts_wrong,
            "passes_wrong": self.passes_wrong,
            "outcomes_wrong": self.outcomes_wrong,
        }


def _percentile(values: Any, share: float) -> float:
    return float(np.percentile(values, share)) if len(values) else float("nan")


def compare_frames(truth: dict[str, Any], track: pd.DataFrame) -> Tally:
    """Compare a track.csv with the truth of each frame; a frame missing from it counts as not found."""
    tally = Tally()
    rows = track.set_index("frame")
    numbers = rows.apply(pd.to_numeric, errors="coerce")
    scale = np.array([truth["mm_per_px"]["x"], truth["mm_per_px"]["y"]])
    for frame in truth["frames"]:
        known = frame["frame"] in numbers.index
        got = numbers.loc[frame["frame"]] if known else pd.Series(np.nan, index=numbers.columns)
        _compare_presence(tally, frame, got)
        if frame["needle_present"] and frame["tip_xy_px"] is not None:
            _compare_tip(tally, frame, got, scale)
    return tally


def _compare_presence(tally: Tally, frame: dict[str, Any], got: pd.Series) -> None:
    if not frame["needle_present"]:
        tally.needless_frames += 1
        tally.false_frames += bool(got["needle_present"] == 1)
    if frame.get("tip_borderline"):
        return
    says, is_so = bool(got["tip_visible"] == 1), bool(frame["tip_visible"])
    tally.rightly_visible += says and is_so
    tally.wrongly_visible += says and not is_so
    tally.wrongly_hidden += is_so and not says


def _compare_tip(tally: Tally, frame: dict[str, Any], got: pd.Series, scale: np.ndarray) -> None:
    away = (got[["tip_x_px", "tip_y_px"]].to_numpy(float) - np.array(frame["tip_xy_px"])) * scale
    error = float(np.hypot(*away))
    tally.visible_frames += bool(frame["tip_visible"])
    if np.isfinite(error):
        (tally.seen_error_mm if frame["tip_visible"] else tally.inferred_error_mm).append(error)
        if got["tip_sd_mm"] > 0:
            tally.error_over_sd.append(error / float(got["tip_sd_mm"]))
    if frame["tip_visible"] and np.isfinite(got["angle_deg"]):
        tally.angle_error_deg.append(abs(float(got["angle_deg"]) - frame["angle_deg"]))


def compare_attempts(truth: dict[str, Any], attempts: pd.DataFrame, tally: Tally) -> None:
    """Pair attempts by the time they share, then compare number, passes and outcome."""
    wanted = truth["events"]["attempts"]
    tally.attempts += len(wanted)
    tally.attempts_wrong += abs(len(wanted) - len(attempts))
    free = list(attempts.index)
    for want in wanted:
        shared = {
            at: min(want["end_s"], attempts.loc[at, "end_s"])
            - max(want["start_s"], attempts.loc[at, "start_s"])
            for at in free
        }
        best = max(shared, key=lambda at: shared[at], default=None)
        if best is None or shared[best] <= 0:
            tally.passes_wrong += 1
            tally.outcomes_wrong += 1
            continue
        free.remove(best)
        got = attempts.loc[best]
        tally.passes_wrong += int(got["passes"] != want["n_passes"])
        tally.outcomes_wrong += not _outcome_right(want, str(got["outcome"]))


def _outcome_right(want: dict[str, Any], outcome: str) -> bool:
    """A hit or miss by less than 0.3 mm may honestly be called borderline."""
    edge = want["min_dist_edge_mm"]
    if edge is None:
        return True
    if abs(edge) <= TOUCHING_MM and outcome == "borderline":
        return True
    return outcome == ("hit" if want["hit"] else "miss")


def clip_name(path: Path) -> str:
    """Name of the clip that a truth file belongs to."""
    return path.name.removesuffix(".json").removesuffix(".truth")


def read_truths(folder: Path) -> dict[str, dict[str, Any]]:
    """Return truth by clip name; files that are no truth (marks, runs) are passed over."""
    records = {
        clip_name(path): json.loads(path.read_text(encoding="utf-8"))
        for path in sorted(folder.glob("*.json"))
    }
    return {name: record for name, record in records.items() if "frames" in record}


def compare_clip(truth: dict[str, Any], folder: Path) -> Tally | None:
    """Compare one results folder; None when it holds no track."""
    if not (folder / "track.csv").exists():
        return None
    tally = compare_frames(truth, pd.read_csv(folder / "track.csv"))
    path = folder / "attempts.csv"
    attempts = pd.read_csv(path) if path.exists() and path.stat().st_size else pd.DataFrame()
    compare_attempts(truth, attempts, tally)
    return tally


def broken_floor(total: Tally, clips: dict[str, Tally], missing: list[str]) -> list[str]:
    """Return what breaks the floor, in words; empty when it holds."""
    row = total.row("all")
    # Written so that NaN, nothing to measure, breaks the floor too.
    checks = {
        f"tip error median {row['tip_50_mm']:.2f} mm is over {FLOOR_MEDIAN_MM}": row["tip_50_mm"]
        <= FLOOR_MEDIAN_MM,
        f"tip error 95th percentile {row['tip_95_mm']:.2f} mm is over {FLOOR_95TH_MM}": row["tip_95_mm"]
        <= FLOOR_95TH_MM,
        f"{total.attempts_wrong} attempts too many or too few": total.attempts_wrong == 0,
        f"passes wrong in {total.passes_wrong} attempts": total.passes_wrong == 0,
        f"outcome wrong in {total.outcomes_wrong} attempts": total.outcomes_wrong == 0,
        f"no result for {', '.join(missing)}": not missing,
    }
    for name, tally in clips.items():
        if tally.attempts == 0:
            checks[f"{name}: a needle in {tally.false_frames} frames without one"] = tally.false_frames == 0
    return [words for words, holds in checks.items() if not holds]


def main() -> int:
    """Print the table; return the exit code."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("truth", type=Path)
    parser.add_argument("reports", type=Path)
    parser.add_argument("--floor", action="store_true", help="exit 1 when the sample clips' floor is broken")
    options = parser.parse_args()
    total, clips, missing = Tally(), {}, []
    for name, truth in read_truths(options.truth).items():
        tally = compare_clip(truth, options.reports / name)
        if tally is None:
            missing.append(name)
            continue
        clips[name] = tally
        total.add(tally)
    table = pd.DataFrame([*(tally.row(name) for name, tally in clips.items()), total.row("ALL")])
    print(table.round(3).to_string(index=False, na_rep="-"))
    if missing:
        print("no result for:", ", ".join(missing))
    broken = broken_floor(total, clips, missing) if options.floor else []
    for words in broken:
        print("floor broken:", words)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
