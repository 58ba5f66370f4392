"""Compare results with exact truth: python benchmarks/accuracy.py TRUTH_DIR REPORTS_DIR [--plain] [--floor].

TRUTH_DIR holds NAME.truth.json (or NAME.json) for each clip, REPORTS_DIR the results NAME/track.csv,
NAME/attempts.csv and NAME/run.json. Printed are one row per clip and one of all together, the figures held
against what is aimed at, and how well the confidence ranks the clips by their true error.

--plain   follows the needle in the same clips, which must lie beside their truth, by two plain methods that
          look at one frame at a time, so that a reader sees what the tracking buys.
--floor   ends with exit code 1 when the sample clips' floor is broken: tip error median at most 0.5 mm and
          95th percentile at most 1.5 mm, attempts, passes and outcomes all right, no needle reported in a
          clip without one.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from comparison import Tally, compare_attempts, compare_frames, rank_correlation
from plain_methods import METHODS, follow_plainly, region_of, scale_of

OURS = "needlecoach"
FLOOR_MEDIAN_MM = 0.5
FLOOR_95TH_MM = 1.5


@dataclass(frozen=True)
class Bar:
    """What one figure should reach: at least `low` and at most `high`, in the figure's own unit."""

    figure: str
    words: str
    high: float = np.inf
    low: float = -np.inf
    percent: bool = False

    @property
    def text(self) -> str:
        """The bar in words."""
        if np.isfinite(self.low) and np.isfinite(self.high):
            return f"{self.shown(self.low)} to {self.shown(self.high)}"
        low = np.isfinite(self.low)
        edge = self.shown(self.low if low else self.high)
        return edge if edge in ("0", "100 %") else f"{'>=' if low else '<='} {edge}"

    def shown(self, value: float) -> str:
        """Return a value as it stands in the table; - for NaN."""
        if np.isnan(value):
            return "-"
        return f"{100 * value:.3g} %" if self.percent else f"{value:.3g}"

    def verdict(self, value: float) -> str:
        """Return the value, marked when it misses the bar."""
        return self.shown(value) + (" !" if value < self.low or value > self.high else "")


BARS = (
    Bar("tip_50_mm", "tip error where it is visible, median, mm", 0.30),
    Bar("tip_95_mm", "    95th percentile, mm", 1.0),
    Bar("found", "visible frames with a tip within 2 mm", low=0.97, percent=True),
    Bar("visible_f1", "tip called visible, F1 without borderline frames", low=0.95),
    Bar("inferred_90_mm", "inferred tip error, 90th percentile, mm", 3.0),
    Bar("seen_in_2sd", "truth within 2 tip_sd_mm, tip visible", 0.99, 0.92, percent=True),
    Bar("inferred_in_2sd", "truth within 2 tip_sd_mm, tip inferred", 0.99, 0.92, percent=True),
    Bar("angle_50_deg", "angle error, median, degrees", 0.4),
    Bar("angle_95_deg", "    95th percentile, degrees", 1.5),
    Bar("false_no_needle", "needle reported in clips without one, of frames", 0.005, percent=True),
    Bar("attempts_off", "attempts too many or too few", 0),
    Bar("passes", "passes exact, of attempts", low=0.90, percent=True),
    Bar("strokes", "strokes within 1, of attempts", low=0.90, percent=True),
    Bar("outcome", "outcome right, over 0.3 mm from the outline", low=1.0, percent=True),
    Bar("edge_50_mm", "closest_edge_mm error, median, mm", 0.3),
    Bar("blind", "blind_advance_mm within 1.5 mm or 15 %, of attempts", low=1.0, percent=True),
    Bar("target_95_mm", "target centre error, 95th percentile, mm", 0.5),
)


@dataclass(frozen=True)
class Compared:
    """One clip held against its truth; `confidence` is NaN where no result states one."""

    tally: Tally
    confidence: float = np.nan

    def row(self, name: str) -> dict[str, Any]:
        """Return the clip's line of the table."""
        return {"clip": name} | self.tally.figures() | {"confidence": self.confidence}


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


def compare_clip(truth: dict[str, Any], folder: Path) -> Compared | None:
    """Compare one results folder; None when it holds no track."""
    if not (folder / "track.csv").exists():
        return None
    tally = compare_frames(truth, pd.read_csv(folder / "track.csv"))
    path = folder / "attempts.csv"
    attempts = pd.read_csv(path) if path.exists() and path.stat().st_size else pd.DataFrame()
    compare_attempts(truth, attempts, tally)
    return Compared(tally, read_confidence(folder, attempts))


def read_confidence(folder: Path, attempts: pd.DataFrame) -> float:
    """Confidence of a result: from run.json, else the mean over its attempts; NaN when neither states one."""
    if (folder / "run.json").exists():
        run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        stated = run.get("result", {}).get("confidence")
        return np.nan if stated is None else float(stated)
    return float(attempts["confidence"].mean()) if "confidence" in attempts and len(attempts) else np.nan


def compare_plainly(
    truths: dict[str, dict[str, Any]], folder: Path, names: Sequence[str]
) -> dict[str, Tally]:
    """Follow the needle in these clips by the plain methods; return their tallies, all clips together."""
    totals = {method: Tally() for method in METHODS}
    for name in names:
        truth = truths[name]
        video = folder / truth.get("video", f"{name}.mp4")
        if not video.exists():
            sys.exit(f"{video}: --plain needs the clip beside its truth; this one is missing.")
        for method, track in follow_plainly(video, region_of(truth), scale_of(truth)).items():
            totals[method].add(compare_frames(truth, track))
    return totals


def confidence_words(clips: dict[str, Compared]) -> str:
    """Say how well the confidence ranks the clips by their true tip error."""
    rows = pd.DataFrame([clip.row(name) for name, clip in clips.items()])
    if rows.empty:
        return "Confidence: nothing to rank."
    half, n = rank_correlation(rows["confidence"], rows["tip_50_mm"])
    most, _ = rank_correlation(rows["confidence"], rows["tip_95_mm"])
    if np.isnan(half) or np.isnan(most):
        return (
            f"Confidence: {n} clips have both a confidence and a visible tip; too few, or all alike, to rank."
        )
    return (
        f"Confidence against true tip error over {n} clips, Spearman's rank correlation: {half:+.2f} with "
        f"the clip's median error, {most:+.2f} with its 95th percentile\n"
        "(-1: higher confidence always means a smaller error; 0: it says nothing; above 0: it misleads)."
    )


def bars_table(totals: dict[str, Tally]) -> pd.DataFrame:
    """Return one line per bar, one column per method; a figure that misses the bar is marked with !."""
    figures = {method: tally.figures() for method, tally in totals.items()}
    return pd.DataFrame(
        [
            {"all clips together": bar.words, "bar": bar.text}
            | {method: bar.verdict(values[bar.figure]) for method, values in figures.items()}
            for bar in BARS
        ]
    )


def broken_floor(total: Tally, clips: dict[str, Tally], missing: list[str]) -> list[str]:
    """Return what breaks the floor, in words; empty when it holds."""
    row = total.figures()
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


def print_tables(clips: dict[str, Compared], totals: dict[str, Tally]) -> None:
    """Print the clips, all of them together by each method, and the bars."""
    rows = [clip.row(name) for name, clip in clips.items()]
    rows += [Compared(tally).row(f"ALL {method}") for method, tally in totals.items()]
    print(pd.DataFrame(rows).round(3).to_string(index=False, na_rep="-"))
    print()
    bars = bars_table(totals)
    width = bars["all clips together"].str.len().max()
    print(bars.to_string(index=False, formatters={"all clips together": f"{{:<{width}}}".format}))
    print("! misses the bar; - has nothing to compare\n")
    print(confidence_words(clips))


def main() -> int:
    """Print the tables; return the exit code."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("truth", type=Path)
    parser.add_argument("reports", type=Path)
    parser.add_argument("--plain", action="store_true", help="compare with two plain methods")
    parser.add_argument("--floor", action="store_true", help="exit 1 when the sample clips' floor is broken")
    options = parser.parse_args()
    truths = read_truths(options.truth)
    found = {name: compare_clip(truth, options.reports / name) for name, truth in truths.items()}
    clips = {name: clip for name, clip in found.items() if clip is not None}
    missing = [name for name in found if name not in clips]
    total = Tally()
    for clip in clips.values():
        total.add(clip.tally)
    totals = {OURS: total}
    if options.plain:
        totals |= compare_plainly(truths, options.truth, list(clips))
    print_tables(clips, totals)
    if missing:
        print("no result for:", ", ".join(missing))
    tallies = {name: clip.tally for name, clip in clips.items()}
    broken = broken_floor(total, tallies, missing) if options.floor else []
    for words in broken:
        print("floor broken:", words)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
