"""Run record: everything JSON can't hold or nobody should read is gone."""

import json
from dataclasses import replace
from pathlib import PurePosixPath

import numpy as np
import pytest

from needlecoach.model import BlockTarget, Marks, OfBlock, Scale, SizeCheck
from needlecoach.reporting.record import marks_record, plain, run_record, versions


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (float("nan"), None),
        (float("inf"), None),
        (np.float64(1.5), 1.5),
        (np.bool_(True), True),
        (np.array([1.0, np.nan]), [1.0, None]),
        ((1, 2), [1, 2]),
        (PurePosixPath("/home/someone/clip.mp4"), "clip.mp4"),
        ("/home/someone/clip.mp4", "clip.mp4"),
        ("C:\\Users\\someone\\clip.mp4", "clip.mp4"),
        ("left/right", "left/right"),
        ("10 mm", "10 mm"),
        (None, None),
    ],
)
def test_plain(value, expected):
    found = plain(value)
    assert found == expected
    assert type(found) is type(expected)


def test_record_of_a_clip_is_json(card):
    said = json.loads(json.dumps(run_record(card), allow_nan=False))
    assert said["timing"] == {
        "frames": 75,
        "first_s": 0.0,
        "last_s": 2.96,
        "usual_frame_s": pytest.approx(0.04),
    }
    assert said["result"]["attempts"] == 1 and said["result"]["unscorable"] == ""


def test_record_of_an_empty_track(card, unscorable_card):
    rows = {name: getattr(card.track, name)[:0] for name in card.track.__dataclass_fields__}
    empty = replace(unscorable_card, track=replace(card.track, **rows))
    assert run_record(empty)["timing"] == {
        "frames": 0, "first_s": None, "last_s": None, "usual_frame_s": None,
    }  # fmt: skip


def test_marks_left_out_are_null():
    said = marks_record(Marks())
    assert said["target"] is None and said["scale"] is None and said["learner"] is None


def test_marks_given_are_kept():
    marks = Marks(
        scale=Scale(0.1, 0.2, "ruler", 0.01), region_box_px=(1, 2, 30, 40), learner="=L02", notes="😀"
    )
    said = marks_record(marks)
    assert said["scale"] == {
        "x_mm_per_px": 0.1,
        "y_mm_per_px": 0.2,
        "source": "ruler",
        "sd_share": 0.01,
        "points_px": None,
        "points_mm": None,
    }
    assert said["region_box_px"] == [1, 2, 30, 40]
    assert (said["learner"], said["notes"]) == ("=L02", "😀")


def test_what_was_said_of_needle_target_phantom_and_day_is_kept():
    said = marks_record(
        Marks(needle_length_mm=100.0, throw_mm=22.0, notch_mm=19.0, target_name="fluid A",
              target_kind="fluid", target_true_mm=9.5, phantom="G3", date="2026-11-26")
    )  # fmt: skip
    kept = (
        "needle_length_mm",
        "throw_mm",
        "notch_mm",
        "target_name",
        "target_kind",
        "target_true_mm",
        "phantom",
        "date",
    )
    assert [said[key] for key in kept] == [100.0, 22.0, 19.0, "fluid A", "fluid", 9.5, "G3", "2026-11-26"]


def test_only_an_invented_recording_says_that_it_is(card):
    """Results of before the mark was known must count as those of the same marks."""
    assert "invented" not in run_record(card) and "invented" not in marks_record(Marks())
    said = run_record(replace(card, marks=replace(card.marks, invented=True)))
    assert said["invented"] is True and said["marks"]["invented"] is True


def test_only_what_a_block_told_is_recorded(card):
    """Results of before blocks were known must count as those of the same marks."""
    assert not {"block", "of_block"} & set(marks_record(Marks())) and "size_check" not in run_record(card)
    check = SizeCheck("G3", "A1", 10.1, 9.9, (0.1, 0.1), (10.0, 10.0), 10.0, 10.0, 0.01, -0.01)
    cast = BlockTarget("A1", "fluid", "ball", (10.0, 10.0, 10.0), 25.0, (0.0, 0.0))
    marks = replace(card.marks, block="G3", of_block=OfBlock("2026-11-20", cast))
    said = run_record(replace(card, marks=marks, size_check=check))
    assert (said["size_check"]["across_mm"], said["size_check"]["true_across_mm"]) == (10.1, [10.0, 10.0])
    assert said["marks"]["block"] == "G3"
    assert said["marks"]["of_block"]["target"]["size_mm"] == [10.0, 10.0, 10.0]


def test_versions_are_named():
    assert set(versions()) == {"needlecoach", "python", "numpy", "opencv", "pyav", "pydicom", "pillow"}
    assert all(versions().values())
