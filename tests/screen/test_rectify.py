"""A filmed screen is found, followed through shake and given its shape (drawn data)."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.errors import UnscorableError
from needlecoach.model import Frame
from needlecoach.phantoms.camera import Camera, CameraView
from needlecoach.screen.rectify import ScreenFollower, in_order, side_ratio, straight_view
from needlecoach.screen.register import mapped

VIEW = CameraView(size_px=(960, 540), focal_px=860, fill=0.76, shake_px=4, shake_deg=0.2)


def corners_of(follower, view):
    width, height = follower.straight.size_px
    own = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], dtype=float)
    return mapped(view.homography, own)


@pytest.mark.parametrize("given", [False, True], ids=["auto", "given"])
@pytest.mark.parametrize(
    "change", [{}, {"turn_deg": (20.0, -10.0, 3.0), "moire": 0.1, "flicker": 0.1}], ids=["usual", "hard"]
)
def test_corners_through_shake(film, given, change):
    shot = film(replace(VIEW, **change), n_frames=16)
    assert np.ptp(shot.corners_px, axis=0).max() > 8  # it does shake
    corners = shot.corners_px[0] if given else None
    follower = ScreenFollower(shot.frames[0], shot.frames[::2], corners)

    found = np.array([corners_of(follower, follower.follow(frame)) for frame in shot.frames])

    assert np.hypot(*np.moveaxis(found - shot.corners_px, -1, 0)).max() <= (1.2 if given else 3.0)


def test_a_screen_out_of_sight_is_held_and_then_given_up(film):
    shot = film(VIEW, n_frames=3)
    follower = ScreenFollower(shot.frames[0], shot.frames, shot.corners_px[0])
    follower.follow(shot.frames[0])
    hand = np.full_like(shot.frames[0].pixels, 90)

    held = follower.follow(Frame(1, 1.0, hand))
    assert not held.found
    assert corners_of(follower, held) == pytest.approx(shot.corners_px[0], abs=1.5)
    with pytest.raises(UnscorableError, match=r"lost from 0\.0 s on.*--screen"):
        follower.follow(Frame(2, 2.5, hand))


def test_no_screen_says_what_to_do():
    blank = Frame(0, 0.0, np.full((360, 480), 60, np.uint8))
    with pytest.raises(UnscorableError, match=r'no outline.*--screen "x,y x,y x,y x,y"'):
        ScreenFollower(blank, [blank, blank, blank], None)


@pytest.mark.parametrize("ratio", [1.25, 4 / 3, 1.6])
@pytest.mark.parametrize("turn_deg", [(0, 0, 0), (18, 0, 0), (0, -15, 5), (25, 14, -6)])
@pytest.mark.parametrize("focal", [0.75, 1.1])
def test_the_ratio_of_a_rectangle_seen_by_a_pinhole(ratio, turn_deg, focal):
    """The method gives the ratio exactly when the focal length shows; else within what that leaves open."""
    view = CameraView(size_px=(1280, 720), focal_px=focal * 1280, turn_deg=turn_deg, shake_px=0, shake_deg=0)
    corners = Camera(view, (round(600 * ratio), 600), seed=1).corners_px(0.0)
    found, sd = side_ratio(corners, view.size_px)

    assert abs(found / ((round(600 * ratio) - 1) / 599) - 1) < max(0.005, 1.5 * sd)
    assert 0.002 < sd < 0.05


def test_the_straight_picture_keeps_size_and_takes_the_panels_shape():
    corners = np.array([[100, 80], [903, 80], [903, 682], [100, 682]], dtype=float)
    straight = straight_view(corners[[2, 0, 3, 1]], (1280, 720))

    assert straight.corners_px == pytest.approx(corners)
    assert straight.size_px[0] / straight.size_px[1] == pytest.approx(4 / 3, abs=0.002)
    assert straight.size_px[1] == pytest.approx(602, abs=3)
    assert mapped(straight.homography, [[0, 0]])[0] == pytest.approx(corners[0], abs=1e-3)
    assert "4:3" in straight.assumed


def test_corners_come_in_order_round_the_screen():
    corners = np.array([[10.0, 12.0], [200.0, 8.0], [210.0, 150.0], [5.0, 160.0]])
    assert in_order(corners[[3, 1, 0, 2]]) == pytest.approx(corners)


@pytest.mark.parametrize(
    "corners", [[[0, 0], [90, 0], [90, 70], [0, 70]], [[0, 0], [600, 200], [600, 300], [0, 500]]]
)
def test_too_small_or_too_oblique(corners):
    with pytest.raises(UnscorableError, match="too small or too much from the side"):
        straight_view(np.array(corners, dtype=float), (1280, 720))
