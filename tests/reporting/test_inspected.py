"""What was seen of a clip: words say it, the record is JSON, the picture keeps the screen's writing out."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from needlecoach.model import Clip, Frame, Greys, Inspection, Region, Scale, Storage, Target, Timing
from needlecoach.reporting.inspected import picture, record, table_rows
from needlecoach.reporting.overlay import BAR_HEIGHT_PX, SEEN, TARGET

SECTOR = Region("sector", (40, 20, 240, 200), (160.0, -40.0), 70.0, 255.0, 28.0)


@pytest.fixture
def found() -> Inspection:
    return Inspection(
        clip=Clip(Path("/home/someone/L01.mp4"), "video", 320, 240, 300, 25.0),
        storage=Storage("mp4", "h264", "yuv420p", 0.21, 1.04, "fine"),
        timing=Timing(300, 11.96, 25.0, 0.0, 0.0, "no"),
        greys=Greys(71.0, 96.0, 0.004, 1.5),
        region=SECTOR,
        region_problem="",
        tint="grey",
        scale=Scale.from_points((0, 0), (0, 200), mm=40),
        ruler="2 ticks, 50 px apart",
        ticks_px=np.zeros((0, 2)),
        scale_notes=(),
        looked_at=160,
        looks=4,
        looks_with_line=3,
    )


def words_of(found: Inspection) -> str:
    return "\n".join(f"{label}: {words}" for label, words in table_rows(found))


def test_the_table_says_what_was_seen(found: Inspection) -> None:
    said = words_of(found)
    for words in ("L01.mp4", "mp4, h264, yuv420p", "300 over 12.0 s", "25 a second, constant", "sector",
                  "40,20,240,200", "28.0°", "0.2 mm per px", "± 0.7%", "37.0 mm deep", "3 of 4 stretches",
                  "Nothing to improve"):  # fmt: skip
        assert words in said
    assert "/home" not in said and "nan" not in said


def test_doubts_and_advice_are_said(found: Inspection) -> None:
    timing = replace(found.timing, step_spread_share=0.8, same_share=0.5, interlaced="woven")
    said = words_of(
        replace(
            found, timing=timing, region_problem="too green.", scale_notes=("Two.",), advice=("Do better.",)
        )
    )
    for words in ("uneven", "80%", "at least 50%", "at most 12.5 new pictures a second", "odd and even rows",
                  "Doubt: too green.", "Doubt: Two.", "Next time: Do better."):  # fmt: skip
        assert words in said
    assert "Nothing to improve" not in said


def test_what_is_not_known_is_said_in_words(found: Inspection) -> None:
    nan = float("nan")
    blank = replace(
        found, storage=Storage("", "", "", nan, nan, "not known"), greys=Greys(0.0, 0.0, 0.0, nan),
        timing=Timing(1, 0.0, nan, nan, nan, "not known"), region=None, tint="not known", scale=None,
        looks=0, looks_with_line=0,
    )  # fmt: skip
    said = words_of(blank)
    assert "nan" not in said and "none found" in said and "--scale" in said
    assert json.loads(json.dumps(record(blank), allow_nan=False))["timing"]["fps"] is None


def test_the_record_holds_no_path(found: Inspection) -> None:
    text = json.dumps(record(found), allow_nan=False)
    assert "/home" not in text
    assert json.loads(text)["clip"]["file"] == "L01.mp4"
    assert json.loads(text)["region"]["half_angle_deg"] == 28.0


def white() -> Frame:
    return Frame(0, 0.0, np.full((240, 320), 255, np.uint8))


def lit_outside(drawn: np.ndarray) -> int:
    """Pixels that are neither black, nor of the region, nor of what is drawn, in the corner of the box."""
    corner = drawn[:60, :60].reshape(-1, 3)
    return int((corner.min(axis=1) > 100).sum())


def test_what_lies_outside_the_region_is_black(found: Inspection) -> None:
    assert lit_outside(picture(white(), found)) == 0
    assert lit_outside(picture(white(), found, keep_screen=True)) > 2000
    nowhere = picture(white(), replace(found, region=None))[:-BAR_HEIGHT_PX]
    assert nowhere.max() == 0
    assert picture(white(), replace(found, region=None), keep_screen=True)[:-BAR_HEIGHT_PX].min() == 255


def test_outlines_lie_where_they_should(found: Inspection) -> None:
    black = Frame(0, 0.0, np.zeros((240, 320), np.uint8))
    box = Region("rectangle", (100, 60, 120, 120))
    target = Target.from_ellipse((150, 110), (20, 20))
    drawn = picture(black, replace(found, region=box), target=target)[:-BAR_HEIGHT_PX].astype(int)
    # By hand: cut from 88 and 48 on, enlarged twice; the box runs from 100 to 219 and 60 to 179.
    for ink, left, right, top, bottom in (
        (SEEN, 100, 219, 60, 179),
        (TARGET, 130, 170, 90, 130),
    ):
        y, x = np.nonzero(np.abs(drawn - ink).max(axis=-1) < 60)
        found_px = (x.min(), x.max(), y.min(), y.max())
        want_px = [
            (v - corner + 0.5) * 2 - 0.5 for v, corner in ((left, 88), (right, 88), (top, 48), (bottom, 48))
        ]
        assert found_px == pytest.approx(want_px, abs=2)


def test_the_ruler_s_ticks_are_framed_and_the_writing_beside_them_is_not_shown(found: Inspection) -> None:
    ticks = replace(
        found, region=Region("rectangle", (40, 60, 120, 120)), ticks_px=np.array([[230.0, 100.0]])
    )
    drawn = picture(white(), ticks)[:-BAR_HEIGHT_PX]
    # By hand: cut from 28 and 48 on, enlarged twice; right of the picture's outline only the frame is bright.
    y, x = np.nonzero(drawn[:, 2 * (165 - 28) :].min(axis=-1) > 180)
    assert (x.mean() / 2 + 165, y.mean() / 2 + 48) == pytest.approx((230, 100), abs=1)
    assert "Ruler: 2 ticks, 50 px apart\n" in words_of(ticks)
    assert "Ruler: 2 ticks, 50 px apart; give --tick-mm" in words_of(replace(ticks, scale=None))


def test_ten_millimetres_are_as_long_as_they_are(found: Inspection) -> None:
    strip = picture(white(), found)[-BAR_HEIGHT_PX:]
    bright = strip[20, :, 0] > 180
    ends = np.flatnonzero(np.diff(np.concatenate([[False], bright, [False]]).astype(int)))
    # 0.2 mm a px, enlarged twice: 100 px.
    assert np.diff(ends.reshape(-1, 2), axis=1).max() == pytest.approx(100, abs=3)
