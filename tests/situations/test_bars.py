"""The judge itself: every bar can be broken, what is left out is left out, and known shortfalls exist."""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

FOLDER = Path(__file__).parent
GOOD = {
    "tip_50_mm": 0.1, "tip_95_mm": 0.4, "inferred_90_mm": 1.0, "angle_50_deg": 0.1, "angle_95_deg": 0.5,
    "target_95_mm": 0.1, "edge_50_mm": 0.1, "false": 0.0, "attempts_off": 0.0, "found": 1.0,
    "visible_f1": 1.0, "passes": 1.0, "strokes": 1.0, "outcome": 1.0, "blind": 1.0,
}  # fmt: skip


def truth(*, needle: bool = True) -> dict[str, Any]:
    """20 frames at 0.1 mm per px; the needle is in from frame 5 to 14 and grows by 10 px a frame."""
    frames = [
        {
            "frame": number,
            "needle_present": needle and 5 <= number < 15,
            "tip_xy_px": [10.0 * (number - 4), 0.0],
            "entry_xy_px": [0.0, 0.0],
            "angle_deg": 30.0,
        }
        for number in range(20)
    ]
    return {"frames": frames, "mm_per_px": {"x": 0.1, "y": 0.1}}


def test_good_figures_pass(judge) -> None:
    judge(truth(), GOOD).meets(blind=1.0)
    judge(truth(), GOOD | {"target_95_mm": np.nan, "inferred_90_mm": np.nan}).meets()
    judge(truth(needle=False), dict.fromkeys(GOOD, np.nan) | {"false": 0.0, "attempts_off": 0.0}).meets()


@pytest.mark.parametrize("name", GOOD)
def test_each_figure_can_break_its_bar(judge, name: str) -> None:
    better_low = name in {"found", "visible_f1", "passes", "strokes", "outcome", "blind"}
    with pytest.raises(AssertionError, match=name):
        judge(truth(), GOOD | {name: 0.5 if better_low else 6.0}).meets(blind=1.0)


@pytest.mark.parametrize("name", ["tip_50_mm", "found", "visible_f1", "passes", "false", "attempts_off"])
def test_nothing_measured_is_not_enough(judge, name: str) -> None:
    with pytest.raises(AssertionError, match=name):
        judge(truth(), GOOD | {name: np.nan}).meets()


def test_a_situation_may_ask_for_less_but_not_of_figures_that_are_not_there(judge) -> None:
    judge(truth(), GOOD | {"tip_50_mm": 0.4}).meets(tip_50_mm=0.5)
    with pytest.raises(AssertionError):
        judge(truth(), GOOD).meets(tip_99_mm=0.5)


def test_frames_between_which_the_tip_slips_in_or_out_are_left_out(fairly) -> None:
    kept = [frame["frame"] for frame in fairly(truth())["frames"]]

    assert kept == [number for number in range(20) if number not in {4, 5, 14, 15}]


def test_a_short_shaft_has_no_angle_to_be_read(fairly) -> None:
    angles = {frame["frame"]: frame["angle_deg"] for frame in fairly(truth())["frames"]}

    assert [angles[number] for number in (6, 7, 8, 9, 10, 13)] == [None, None, None, 30, 30, 30]


def test_every_known_shortfall_names_a_test() -> None:
    for name in json.loads((FOLDER / "shortfalls.json").read_text(encoding="utf-8")):
        file, test = re.fullmatch(r"(\w+\.py)::(\w+)(?:\[.*\])?", name).groups()
        assert f"def {test}(" in (FOLDER / file).read_text(encoding="utf-8"), name
