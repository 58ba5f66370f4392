"""Marks made on a camera's frames come out where they lie on the screen."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.errors import MarksError
from needlecoach.model import Marks, Scale, ScreenView, Target
from needlecoach.screen.marked import straight_marks
from needlecoach.screen.rectify import straight_view
from needlecoach.screen.register import mapped

CORNERS = np.array([[210.0, 90.0], [1000.0, 60.0], [1030.0, 650.0], [190.0, 690.0]])
STRAIGHT = straight_view(CORNERS, (1280, 720))
SHIFT = np.array([[1, 0, 5], [0, 1, -3], [0, 0, 1.0]])


def view_of(number: int) -> ScreenView:
    """The hand has moved by 5 and -3 px by frame 4."""
    return ScreenView(STRAIGHT.homography if number == 0 else SHIFT @ STRAIGHT.homography)


def test_target_scale_and_region():
    outline = np.array([[300.0, 200], [360, 210], [350, 270], [295, 255]])
    ends = np.array([[600.0, 100], [600, 450]])
    filmed = Marks(
        target=Target(mapped(view_of(4).homography, outline), frame=4),
        scale=Scale.from_points(*map(tuple, mapped(view_of(0).homography, ends)), mm=35),
        region_box_px=(400, 150, 300, 400),
        learner="L01",
        screen=((210, 90), (1000, 60), (1030, 650), (190, 690)),
    )

    straight = straight_marks(filmed, STRAIGHT, view_of)

    assert straight.target.outline_px == pytest.approx(outline, abs=1e-6)
    assert straight.scale.y_mm_per_px == pytest.approx(0.1)
    assert straight.scale.sd_share > filmed.scale.sd_share
    assert (straight.learner, straight.screen) == ("L01", None)
    x, y, w, h = straight.region_box_px
    middle = mapped(STRAIGHT.homography, [[x + w / 2, y + h / 2]])[0]
    assert middle == pytest.approx((550, 350), abs=8)


def test_a_stated_size_of_a_pixel_holds_in_the_middle_of_the_screen():
    straight = straight_marks(Marks(scale=Scale.from_mm_per_px(0.1)), STRAIGHT, view_of)

    middle = (np.array(STRAIGHT.size_px) - 1) / 2
    one = np.diff(
        mapped(STRAIGHT.homography, [middle - np.array([0.5, 0]), middle + np.array([0.5, 0])]), axis=0
    )
    assert straight.scale.x_mm_per_px == pytest.approx(0.1 * np.hypot(*one[0]), rel=5e-3)


def test_a_region_beside_the_screen():
    marks = replace(Marks(), region_box_px=(0, 0, 100, 100))
    with pytest.raises(MarksError, match="does not lie on the screen"):
        straight_marks(marks, STRAIGHT, view_of)


@pytest.mark.parametrize(("x", "refused"), [(820, True), (640, False), (-5, False), (-60, True)])
def test_scale_points_beyond_the_screen(x: float, refused: bool) -> None:
    width = STRAIGHT.size_px[0]
    ends = np.array([[x / 640 * width, 100], [x / 640 * width, 400]])
    marks = Marks(scale=Scale.from_points(*map(tuple, mapped(STRAIGHT.homography, ends)), mm=30))
    if refused:
        with pytest.raises(MarksError, match="do not lie within the screen's outline"):
            straight_marks(marks, STRAIGHT, view_of)
    else:
        assert straight_marks(marks, STRAIGHT, view_of).scale.y_mm_per_px == pytest.approx(0.1)
