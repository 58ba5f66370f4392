"""The plain methods find a drawn bright line, and nothing in an empty picture."""

from pathlib import Path

import cv2
import numpy as np
import plain_methods
import pytest
from plain_methods import METHODS, follow_plainly, region_of, scale_of

from needlecoach.model import Region, Scale

STEP_MM = 0.15
MASK = np.ones((240, 240), bool)


def drawn(tip: tuple[float, float] | None, *, entry: tuple[float, float] = (0.0, 30.0)) -> np.ndarray:
    """Blurred speckle and a bright line from entry to tip; px of a 36 mm wide picture."""
    rng = np.random.default_rng(3)
    picture = cv2.GaussianBlur(rng.normal(0, 60, MASK.shape).astype(np.float32), (0, 0), 1.5) + 70
    if tip is not None:
        line = np.zeros(MASK.shape, np.float32)
        ends = [tuple(round(16 * v) for v in point) for point in (entry, tip)]
        cv2.line(line, *ends, 120.0, thickness=3, lineType=cv2.LINE_8, shift=4)
        picture += cv2.GaussianBlur(line, (0, 0), 1.2)
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS.keys())
@pytest.mark.parametrize(
    ("entry", "tip"),
    [((0.0, 30.0), (150.0, 130.0)), ((239.0, 40.0), (110.0, 190.0)), ((30.0, 0.0), (80.0, 170.0))],
)
def test_a_drawn_needle_is_found(method, entry, tip) -> None:
    """Tolerance 1 mm and 1.5 degrees: an edge map has no point where the line ends."""
    found = method(drawn(tip, entry=entry), MASK, STEP_MM)
    assert np.hypot(*(found.tip - tip)) * STEP_MM < 1.0
    angle_deg = np.degrees(np.arctan2(tip[1] - entry[1], abs(tip[0] - entry[0])))
    assert found.angle_deg == pytest.approx(angle_deg, abs=1.5)


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS.keys())
@pytest.mark.parametrize("picture", [drawn(None), np.full(MASK.shape, 80, np.uint8)], ids=["speckle", "flat"])
def test_an_empty_picture_holds_no_needle(method, picture) -> None:
    assert method(picture, MASK, STEP_MM) is None


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS.keys())
def test_nothing_is_looked_for_outside_the_mask(method) -> None:
    mask = MASK.copy()
    mask[:, :170] = False
    assert method(drawn((150.0, 130.0)), mask, STEP_MM) is None


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS.keys())
def test_a_level_or_an_upright_line_is_no_needle(method) -> None:
    assert method(drawn((238.0, 120.0), entry=(0.0, 118.0)), MASK, STEP_MM) is None
    assert method(drawn((120.0, 238.0), entry=(119.0, 0.0)), MASK, STEP_MM) is None


def test_a_clip_is_followed_in_its_own_pixels(tmp_path: Path) -> None:
    """A grey frame and one with a needle; the region begins at (40, 20) and a pixel is 0.1 mm wide.

    Without loss: the edges of a compressed picture hang on the last grey value.
    """
    path, tip = tmp_path / "two.avi", (140.0, 120.0)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"FFV1"), 10, (480, 400))
    for picture in (np.full(MASK.shape, 80, np.uint8), drawn(tip)):
        screen = np.zeros((400, 480), np.uint8)
        screen[20:380, 40:400] = cv2.resize(picture, (360, 360), interpolation=cv2.INTER_LINEAR)
        writer.write(cv2.cvtColor(screen, cv2.COLOR_GRAY2BGR))
    writer.release()

    tracks = follow_plainly(path, Region("rectangle", (40, 20, 360, 360)), Scale.from_mm_per_px(0.1))

    assert list(tracks) == list(METHODS)
    for track in tracks.values():
        assert list(track["frame"]) == [0, 1]
        assert list(track["needle_present"]) == list(track["tip_visible"]) == [0, 1]
        assert np.isnan(track["tip_x_px"][0])
        expected = np.array(tip) * 1.5 + 0.25 + (40, 20)
        away = track.loc[1, ["tip_x_px", "tip_y_px"]].to_numpy(float) - expected
        assert np.hypot(*away) * 0.1 < 1.0


def test_region_and_scale_are_read_from_both_kinds_of_truth() -> None:
    ours = {
        "mm_per_px": {"x": 0.1, "y": 0.2},
        "region": {"kind": "rectangle", "box_px": [1, 2, 30, 40], "apex_px": None},
    }
    assert region_of(ours).box_px == (1, 2, 30, 40)
    assert (scale_of(ours).x_mm_per_px, scale_of(ours).y_mm_per_px) == (0.1, 0.2)
    theirs = {
        "image_region": {
            "kind": "sector",
            "box_px": [5, 5, 90, 60],
            "apex_px": [50.0, -20.0],
            "r_min_px": 25.0,
            "r_max_px": 84.0,
            "half_angle_deg": 33.0,
        }
    }
    sector = region_of(theirs)
    assert (sector.kind, sector.apex_px, sector.half_angle_deg) == ("sector", (50.0, -20.0), 33.0)
    assert region_of({"image_region": {"kind": "rect", "box_px": [1, 2, 30, 40]}}).kind == "rectangle"


def test_the_drop_is_where_the_bright_stretch_ends() -> None:
    profile = np.r_[np.full(40, 90.0), np.full(60, 50.0)] + np.random.default_rng(1).normal(0, 8, 100)
    assert plain_methods._drop(profile, 5) == pytest.approx(39, abs=1)
    # A dark stretch before a bright one is no needle that ends there.
    assert plain_methods._drop(profile[::-1].copy(), 5) < 5 or plain_methods._drop(-profile, 5) in (0, 5)
