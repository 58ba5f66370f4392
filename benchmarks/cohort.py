"""Time a cohort of invented results: python benchmarks/cohort.py [--attempts N] [--cache DIR].

Makes 20,000 attempts of 300 learners at 40 targets, as a results folder each and as one table, and runs
`needlecoach cohort` on both in a process of its own, and on the folders again when the system has forgotten
what is in their files, as on a first reading: seconds on the clock, seconds of all cores together (fairer on
a busy machine; it has no bar), memory of the largest process, and the size of the page, beside their bars.
All of it is invented: no person made it.
"""

from __future__ import annotations

import argparse
import csv
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from needlecoach.model import Target
from needlecoach.reporting.cells import ATTEMPT_COLUMNS, CORRECTED
from needlecoach.reporting.record import target_size_mm
from needlecoach.reporting.results import record_text

SEED = 7
LEARNERS, TARGETS = 300, 40
BARS = {"seconds": 10.0, "MiB": 1024.0, "page MB": 3.0}
START = datetime(2026, 1, 5, 9, tzinfo=UTC)
MM_PER_PX = 0.1
REGION_PX = [100, 40, 420, 420]


@dataclass(frozen=True)
class Invented:
    """One invented attempt: its recording's number, whose, at what, when, and the cells of its row."""

    number: int
    learner: str
    target: int
    at: datetime
    cells: Mapping[str, object]

    @property
    def clip(self) -> str:
        return f"clip{self.number:05d}.mp4"


def invent(n: int, rng: np.random.Generator) -> Iterator[Invented]:
    """Attempts of learners who differ and grow, at targets that differ."""
    ability, growth = rng.normal(-0.3, 0.7, LEARNERS), rng.normal(0.3, 0.1, LEARNERS)
    difficulty = rng.normal(0, 0.8, TARGETS)
    done = np.zeros(LEARNERS, int)
    for number in range(n):
        learner, target = number % LEARNERS, int(rng.integers(TARGETS))
        logit = ability[learner] + growth[learner] * done[learner] / 10 - difficulty[target]
        done[learner] += 1
        hit = rng.random() < 1 / (1 + np.exp(-logit))
        at = START + timedelta(minutes=30 * number / LEARNERS, days=int(done[learner]))
        yield Invented(number, f"L{learner + 1:03d}", target, at, _cells(hit, difficulty[target], rng))


def _cells(hit: bool, difficulty: float, rng: np.random.Generator) -> dict[str, object]:
    """Cells of one row of attempts.csv: every figure that an aspirate has, with plausible spread."""
    figures = {name: round(float(rng.gamma(2.0, 3.0)), 3) for name in ATTEMPT_COLUMNS if "notch" not in name}
    distance = rng.uniform(0.2, 2.0) if hit else rng.uniform(4.5, 12.0)
    told: dict[str, object] = {
        "attempt": 1,
        "cut_off": 0,
        "outcome": "hit" if hit else "miss",
        **{name: int(rng.integers(4)) for name in ("strokes", "redirections", "plane_losses")},
        "passes": int(rng.integers(1, 5)),
        "time_to_target_s": round(float(rng.gamma(4, 10)), 2) if hit else "",
        "duration_s": round(float(rng.gamma(4, 14)), 2),
        "closest_centre_mm": round(float(distance), 3),
        "tip_visibility_share": round(float(rng.beta(5, 2)), 4),
        "index_of_difficulty": round(2.5 + 0.4 * difficulty, 3),
        "scale_source": "two marked points, 40 mm apart",
        "confidence": round(float(rng.uniform(0.7, 1)), 4),
    }
    return {**figures, **told}


def record(one: Invented, outline_px: Sequence[Sequence[float]]) -> dict[str, Any]:
    """What run.json says of an invented attempt, in the size of a real one."""
    points = {"points_px": [[530.0, 44.0], [530.0, 444.0]], "points_mm": 40.0}
    scale = {"x_mm_per_px": MM_PER_PX, "y_mm_per_px": MM_PER_PX, "source": "two marked points", **points}
    target = {"outline_px": outline_px, "frame": 0, "marking_sd_px": 1.0, "centre_px": [361.0, 261.0]}
    told: dict[str, Any] = {
        "schema": 1,
        "invented": True,
        "first_scored_at": one.at.isoformat(),
        "scored_at": one.at.isoformat(),
        "versions": {"needlecoach": "0.6.0", "python": "3.11.7", "numpy": "2.4.6", "opencv": "5.0.0"},
        "clip": {"file": one.clip, "sha256": f"{one.number:064x}", "kind": "video", "nominal_fps": 25.0},
        "marks": {
            "target": target,
            "scale": scale,
            "screen": None,
            "learner": one.learner,
            "task": "aspirate",
            "target_name": f"target {one.target + 1:02d}",
            "target_kind": "solid" if one.target % 2 else "fluid",
            "phantom": "G1",
            "date": one.at.date().isoformat(),
            "notes": "invented",
        },
        "screen": None,
        "region": {"kind": "rectangle", "box_px": REGION_PX, "apex_px": None, "source": "found"},
        "scale": {**scale, "sd_share": 0.004},
        "options": {"no_target": False, "fps": None, "pass_withdrawal_mm": 5.0},
        "result": {"attempts": 1, "confidence": 0.9, "unscorable": "", "quality_notes": []},
    }
    told["result"]["target_size_mm"] = target_size_mm(told)
    return told


def write_folders(attempts: Sequence[Invented], reports: Path) -> None:
    """One results folder per attempt, with what a cohort is read from."""
    outlines = [
        Target.from_ellipse((361.0, 261.0), (30.0 + k % 9, 30.0 + k % 7)).outline_px.round(3).tolist()
        for k in range(TARGETS)
    ]
    header = ["clip", "learner", *ATTEMPT_COLUMNS, CORRECTED]
    for one in attempts:
        folder = reports / one.clip.removesuffix(".mp4")
        folder.mkdir(parents=True)
        text = record_text(record(one, outlines[one.target]))
        (folder / "run.json").write_text(text, encoding="utf-8")
        with (folder / "attempts.csv").open("w", newline="", encoding="utf-8") as file:
            lines = csv.DictWriter(file, header, lineterminator="\n")
            lines.writeheader()
            lines.writerow({"clip": one.clip, "learner": one.learner, **one.cells})


def write_table(attempts: Sequence[Invented], path: Path) -> None:
    """All attempts in one table, as a scoring of all clips at once writes it."""
    with path.open("w", newline="", encoding="utf-8") as file:
        lines = csv.DictWriter(
            file, ["folder", "clip", "learner", *ATTEMPT_COLUMNS, CORRECTED], lineterminator="\n"
        )
        lines.writeheader()
        for one in attempts:
            folder = one.clip.removesuffix(".mp4")
            lines.writerow({"folder": folder, "clip": one.clip, "learner": one.learner, **one.cells})


def forget(place: Path) -> Path:
    """Have the system forget what is in the files below a folder, where it can be told to; the folder."""
    if hasattr(os, "posix_fadvise"):
        os.sync()
        for file in filter(Path.is_file, place.rglob("*")):
            with file.open("rb") as opened:
                os.posix_fadvise(opened.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    return place


def timed(reports: Path, out: Path) -> dict[str, float]:
    """Run the command on results in a process of its own; seconds, memory and size of the page."""
    began_s, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "needlecoach", "cohort", str(reports), "--out", str(out), "--quiet"]
    subprocess.run(command, check=True)
    seconds = time.perf_counter() - began_s
    # Of the largest process waited for so far, in KiB on Linux.
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cores_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    page = (out / "cohort.html").stat().st_size
    return {"seconds": seconds, "of cores": cores_s, "MiB": after.ru_maxrss / 1024, "page MB": page / 1e6}


def main() -> int:
    """Make, time, print; 1 when a bar is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--attempts", type=int, default=20_000)
    parser.add_argument("--cache", type=Path, help="keep what is made here, and use it again")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        place = (options.cache or Path(scratch)) / f"cohort-{options.attempts}"
        folders, table = place / "folders", place / "attempts.csv"
        if not table.is_file():
            attempts = list(invent(options.attempts, np.random.default_rng(SEED)))
            write_folders(attempts, folders)
            write_table(attempts, table)
        found = {
            "one table": timed(table, Path(scratch) / "table"),
            "a folder each": timed(folders, Path(scratch) / "folders"),
            "first reading": timed(forget(folders), Path(scratch) / "first"),
        }
    return _told(options.attempts, found)


def _told(n: int, found: Mapping[str, Mapping[str, float]]) -> int:
    print(f"{n} attempts, {os.cpu_count()} cores")
    for way, figures in found.items():
        for what, value in figures.items():
            bar = BARS.get(what)
            verdict = "" if bar is None else f"   bar {bar:g}: {'met' if value < bar else 'MISSED'}"
            print(f"{way:15}{what:10}{value:10.2f}{verdict}")
    return int(any(figures[what] >= bar for figures in found.values() for what, bar in BARS.items()))


if __name__ == "__main__":
    sys.exit(main())
