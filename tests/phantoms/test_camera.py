"""A drawn camera: what it says of the screen's place is where the screen is drawn (all invented)."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.model import Frame
from needlecoach.phantoms.camera import Camera, CameraView, Glare, filmed_truth, to_frame_px

SCREEN_PX = (240, 180)
PLAIN = CameraView(
    size_px=(320, 240), focal_px=290, turn_deg=(14, -9, 3), moire=0, flicker=0, noise_grey=0, gradient_grey=0
)


def dark(*dots: tuple[int, int], number: int = 0) -> Frame:
    """A black screen with white squares of 5 px around places."""
    pixels = np.zeros((SCREEN_PX[1], SCREEN_PX[0]), np.uint8)
    for x, y in dots:
        pixels[y - 2 : y + 3, x - 2 : x + 3] = 255
    return Frame(number, number / 10, pixels)


@pytest.mark.parametrize("dot", [(20, 15), (120, 90), (220, 150)])
@pytest.mark.parametrize("number", [0, 7])
def test_a_dot_lies_where_the_homography_says(dot, number):
    ((shot, homography),) = Camera(PLAIN, SCREEN_PX, seed=1).film([dark(dot, number=number)])

    expected = to_frame_px(homography, dot)
    x, y = np.rint(expected).astype(int)
    near = shot.pixels[y - 8 : y + 9, x - 8 : x + 9].astype(float)
    near -= np.median(near)
    rows, columns = np.mgrid[y - 8 : y + 9, x - 8 : x + 9]
    centre = np.array([(near * columns).sum(), (near * rows).sum()]) / near.sum()
    assert centre == pytest.approx(expected, abs=0.15)  # of a square the middle is moved a little by slant


def test_a_turned_screen_is_a_trapezium_and_a_still_hand_holds_still():
    view = replace(PLAIN, turn_deg=(25, 0, 0), shake_px=0, shake_deg=0)
    camera = Camera(view, SCREEN_PX, seed=1)

    left, right = (
        float(np.hypot(*np.diff(camera.corners_px(0.0)[pair], axis=0)[0])) for pair in ([0, 3], [1, 2])
    )
    assert abs(left / right - 1) > 0.15
    assert camera.corners_px(0.0) == pytest.approx(camera.corners_px(1.7))
    assert abs(Camera(PLAIN, SCREEN_PX, seed=1).corners_px(0.0) - camera.corners_px(0.0)).max() > 1


def test_the_same_seed_films_the_same():
    view = replace(PLAIN, noise_grey=3, flicker=0.1, moire=0.1, clutter=5)
    first, second = (next(Camera(view, SCREEN_PX, seed=5).film([dark((50, 50))]))[0].pixels for _ in range(2))
    assert np.array_equal(first, second)


def test_room_bezel_screen_and_glare_have_their_greys():
    glare = Glare((160.0, 120.0), (20.0, 15.0), grey=150)
    view = replace(
        PLAIN, turn_deg=(0, 0, 0), shift_px=(0, 0), shake_px=0, shake_deg=0, fill=0.7, glare=(glare,)
    )
    camera = Camera(view, SCREEN_PX, seed=1)
    shot = next(camera.film([dark()]))[0].pixels

    left, top = camera.corners_px(0.0)[0]
    assert shot[120, 160] == pytest.approx(view.black_grey + 150, abs=1)
    assert shot[round(top) + 8, round(left) + 8] == view.black_grey
    assert shot[120, round(left) - 10] == view.bezel_grey
    assert shot[2, 2] == view.room_grey


def test_the_screens_pixels_beat_with_the_cameras():
    shots = [
        next(Camera(replace(PLAIN, moire=depth), SCREEN_PX, seed=1).film([dark()]))[0].pixels[80:160, 100:220]
        for depth in (0.0, 0.3)
    ]
    assert shots[0].std() < 0.5 < 1.0 < shots[1].std()


def test_truth_moves_with_the_camera():
    camera = Camera(PLAIN, SCREEN_PX, seed=1)
    homography = camera.homography(0.5)
    truth = {
        "frames": [{"tip_xy_px": [10.0, 20.0], "entry_xy_px": None, "target": {"centre_px": [30.0, 40.0]}}]
    }

    (frame,) = filmed_truth(truth, [homography], camera)["frames"]

    assert frame["tip_xy_px"] == pytest.approx(to_frame_px(homography, (10, 20)), abs=1e-3)
    assert frame["target"]["centre_px"] == pytest.approx(to_frame_px(homography, (30, 40)), abs=1e-3)
    assert frame["entry_xy_px"] is None
