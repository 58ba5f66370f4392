"""The accuracy benchmark: exact results pass its floor, each kind of fault breaks it."""

import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "accuracy.py"


@pytest.fixture(scope="module")
def accuracy() -> ModuleType:
    spec = importlib.util.spec_from_file_location("accuracy_benchmark", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def truth_record(*, needle: bool = True) -> dict:
    """40 frames at 10 per second; the needle is in from frame 10 on and hidden in frames 20-24."""
    frames = []
    for number in range(40):
        here = needle and number >= 10
        frames.append(
            {
                "frame": number,
                "needle_present": here,
                "tip_xy_px": [100.0 + number, 50.0] if here else None,
                "tip_visible": here and not 20 <= number < 25,
                "tip_borderline": number == 25,
                "angle_deg": 30.0 if here else None,
            }
        )
    attempt = {"start_s": 1.0, "end_s": 3.9, "n_passes": 1, "hit": True, "min_dist_edge_mm": -2.0}
    return {
        "frames": frames,
        "mm_per_px": {"x": 0.1, "y": 0.2},
        "events": {"attempts": [attempt] if needle else []},
    }


def exact_results(record: dict) -> tuple[pd.DataFrame, pd.DataFrame]:
    rows = [
        {
            "frame": frame["frame"],
            "needle_present": int(frame["needle_present"]),
            "tip_x_px": frame["tip_xy_px"][0] if frame["tip_xy_px"] else np.nan,
            "tip_y_px": frame["tip_xy_px"][1] if frame["tip_xy_px"] else np.nan,
            "tip_visible": int(frame["tip_visible"]),
            "tip_sd_mm": 0.2,
            "angle_deg": frame["angle_deg"],
        }
        for frame in record["frames"]
    ]
    attempts = [
        {"start_s": a["start_s"], "end_s": a["end_s"], "passes": a["n_passes"], "outcome": "hit"}
        for a in record["events"]["attempts"]
    ]
    return pd.DataFrame(rows), pd.DataFrame(attempts)


def run(
    accuracy, monkeypatch, folder: Path, record: dict, track: pd.DataFrame, attempts: pd.DataFrame
) -> int:
    (folder / "results" / "one").mkdir(parents=True)
    (folder / "one.truth.json").write_text(json.dumps(record))
    (folder / "one.marks.json").write_text("{}")
    track.to_csv(folder / "results" / "one" / "track.csv", index=False)
    attempts.to_csv(folder / "results" / "one" / "attempts.csv", index=False)
    monkeypatch.setattr(sys, "argv", ["accuracy.py", str(folder), str(folder / "results"), "--floor"])
    return accuracy.main()


def test_exact_results_pass(accuracy, monkeypatch, tmp_path: Path) -> None:
    record = truth_record()
    assert run(accuracy, monkeypatch, tmp_path, record, *exact_results(record)) == 0


@pytest.mark.parametrize("fault", ["tip", "missing tip", "passes", "outcome", "extra attempt", "no attempt"])
def test_each_fault_breaks_the_floor(accuracy, monkeypatch, tmp_path: Path, fault: str) -> None:
    record = truth_record()
    track, attempts = exact_results(record)
    match fault:
        case "tip":
            track["tip_y_px"] += 3.0  # 0.6 mm
        case "missing tip":
            track["tip_x_px"] = np.nan
        case "passes":
            attempts["passes"] = 2
        case "outcome":
            attempts["outcome"] = "miss"
        case "extra attempt":
            attempts = pd.concat([attempts, attempts.assign(start_s=3.95, end_s=4.0)])
        case "no attempt":
            attempts = attempts.iloc[:0]
    assert run(accuracy, monkeypatch, tmp_path, record, track, attempts) == 1


def test_a_false_needle_breaks_the_floor(accuracy) -> None:
    record = truth_record(needle=False)
    track, _ = exact_results(record)
    track.loc[7, "needle_present"] = 1

    tally = accuracy.compare_frames(record, track)

    assert (tally.false_frames, tally.needless_frames) == (1, 40)
    good = accuracy.compare_frames(truth_record(), exact_results(truth_record())[0])
    assert accuracy.broken_floor(good, {"one": good}, []) == []
    assert len(accuracy.broken_floor(good, {"one": tally}, [])) == 1


def test_figures_of_a_known_error(accuracy) -> None:
    record = truth_record()
    track, attempts = exact_results(record)
    track.loc[10:, "tip_x_px"] += 3.0  # 0.3 mm along x
    track.loc[10:, "tip_y_px"] += 2.0  # 0.4 mm along y
    track.loc[20:24, "tip_visible"] = 1
    track["angle_deg"] += 1.5

    tally = accuracy.compare_frames(record, track)
    accuracy.compare_attempts(record, attempts, tally)
    row = tally.row("one")

    assert row["tip_50_mm"] == pytest.approx(0.5)
    assert row["inferred_90_mm"] == pytest.approx(0.5)
    assert row["in_2sd"] == 0.0
    assert row["found"] == 1.0
    # 24 frames rightly called visible (25 less the borderline one), 5 wrongly.
    assert row["visible_f1"] == pytest.approx(48 / 53)
    assert row["angle_95_deg"] == pytest.approx(1.5)
