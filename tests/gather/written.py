"""Invented results folders for the tests of a cohort: what is read of a scored clip, nobody's."""

import csv
import json
import os
from pathlib import Path

from needlecoach.reporting.cells import ATTEMPT_COLUMNS, CORRECTED

# A square of 20 px, its centre 30 px under the region's upper edge.
SQUARE_PX = [[100, 60], [120, 60], [120, 80], [100, 80]]
HIT = {"outcome": "hit", "closest_centre_mm": 1.5, "passes": 2, "duration_s": 30.0, "time_to_target_s": 20.0}
MISS = {"outcome": "miss", "closest_centre_mm": 7.5, "passes": 1, "duration_s": 12.0}
BLANK = {"outcome": "unscorable"}


def run_of(
    name, *, learner="L01", date=None, first=None, version="0.6.0", sha256=None, invented=True, **marks
):
    """run.json of an invented recording."""
    target = {"outline_px": SQUARE_PX, "frame": 0, "marking_sd_px": 1.0, "centre_px": [110, 70]}
    return {
        "schema": 1,
        "invented": invented,
        **({} if first is None else {"first_scored_at": first}),
        "versions": {"needlecoach": version},
        "clip": {"file": f"{name}.mp4", "sha256": f"hash of {name}" if sha256 is None else sha256},
        "marks": {"target": target, "learner": learner, "task": "aspirate", "date": date, **marks},
        "screen": None,
        "region": {"kind": "rectangle", "box_px": [50, 40, 300, 300]},
        "scale": {"x_mm_per_px": 0.1, "y_mm_per_px": 0.2},
        "options": {},
    }


def write(reports: Path, name, attempts=(HIT,), *, folder="", scored_s=1e9, **run) -> Path:
    """Write an invented results folder as if scored at that time."""
    place = reports / (folder or name)
    place.mkdir(parents=True)
    (place / "run.json").write_text(json.dumps(run_of(name, **run)), encoding="utf-8")
    rows = [
        {
            "clip": f"{name}.mp4",
            "learner": run.get("learner", "L01"),
            "attempt": number,
            "cut_off": 0,
            **cells,
        }
        for number, cells in enumerate(attempts, start=1)
    ]
    write_rows(place / "attempts.csv", ["clip", "learner", *ATTEMPT_COLUMNS, CORRECTED], rows)
    os.utime(place / "run.json", (scored_s, scored_s))
    return place


def write_rows(path: Path, header, rows) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        lines = csv.DictWriter(file, header, lineterminator="\n")
        lines.writeheader()
        lines.writerows(rows)
    return path


def write_learners(reports: Path, learners=3, attempts=12) -> Path:
    """A small cohort whose learners hit more and more, at an easy, a middling and a hard target."""
    for person in range(learners):
        for n in range(attempts):
            target = (n + person) % 3
            hit = (n * 7 + person * 3) % 12 < n + (6, 2, -2)[target]
            cells = {**(HIT if hit else MISS), "index_of_difficulty": 2.0, "blind_advance_mm": 12.0 - n}
            write(
                reports,
                f"c{person}-{n:02d}",
                [cells],
                learner=f"L{person + 1:02d}",
                date=f"2026-03-{n + 1:02d}",
                target_name=("plum", "grape", "olive")[target],
                target_kind=("fluid", "solid", None)[target],
            )
    return reports
