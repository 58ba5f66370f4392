"""A known homography between two pictures is found again (drawn data)."""

import cv2
import numpy as np
import pytest

from needlecoach.screen.register import Match, Reference, average, mapped

SIZE = (480, 360)
CORNERS = np.array([[0, 0], [479, 0], [479, 359], [0, 359]], dtype=float)


def picture(seed: int = 1) -> np.ndarray:
    """Soft blobs and some writing."""
    rng = np.random.default_rng(seed)
    grey = cv2.GaussianBlur(rng.normal(0, 1, (SIZE[1] + 80, SIZE[0] + 80)), (0, 0), 4)
    grey = (90 + 60 * grey / grey.std() / 2).clip(0, 255).astype(np.uint8)
    for row in range(6):
        cv2.putText(
            grey, f"GAIN {row}{seed}", (60 + 50 * row, 80 + 50 * row), cv2.FONT_HERSHEY_SIMPLEX, 0.6, 230, 2
        )
    return grey


def view(homography: np.ndarray, grey: np.ndarray) -> np.ndarray:
    """The middle of a larger picture, seen through a homography."""
    whole = homography @ np.array([[1, 0, -40], [0, 1, -40], [0, 0, 1.0]])
    return cv2.warpPerspective(grey, whole, SIZE, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


def drawn(move_px: float, seed: int) -> np.ndarray:
    moved = CORNERS + np.random.default_rng(seed).uniform(-move_px, move_px, (4, 2))
    return cv2.getPerspectiveTransform(CORNERS.astype(np.float32), moved.astype(np.float32))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_shake_is_followed_to_a_tenth_of_a_pixel(seed):
    true, grey = drawn(6, seed), picture()
    match = Reference(view(np.eye(3), grey)).match(view(true, grey), np.eye(3))

    assert match.found
    assert mapped(match.homography, CORNERS) == pytest.approx(mapped(true, CORNERS), abs=0.1)


def test_a_frame_far_away_is_placed_without_a_start():
    true = np.array([[1, 0, 33], [0, 1, -21], [0, 0, 1.0]]) @ drawn(4, 8)
    grey = picture()
    match = Reference(view(np.eye(3), grey)).match(view(true, grey))

    assert mapped(match.homography, CORNERS) == pytest.approx(mapped(true, CORNERS), abs=0.2)


def test_exposure_and_what_moves_by_itself_do_no_harm():
    true, grey = drawn(5, 4), picture()
    shown = view(true, grey)
    shown[120:240, 180:300] = view(true @ np.array([[1, 0, 5], [0, 1, 0], [0, 0, 1.0]]), grey)[
        120:240, 180:300
    ]
    shown = np.clip(0.7 * shown + 12, 0, 255).astype(np.uint8)

    match = Reference(view(np.eye(3), grey)).match(shown, np.eye(3))

    assert mapped(match.homography, CORNERS) == pytest.approx(mapped(true, CORNERS), abs=0.25)
    assert match.gain == pytest.approx(0.7, abs=0.02)
    assert match.offset == pytest.approx(12, abs=3)


def test_what_a_frame_does_not_tell_is_kept_from_the_one_before():
    before = drawn(5, 4)
    flat = np.full((SIZE[1], SIZE[0]), 90, np.uint8)
    match = Reference(view(np.eye(3), picture())).match(flat, before)

    assert not match.found
    assert mapped(match.homography, CORNERS) == pytest.approx(mapped(before, CORNERS), abs=1.0)


def test_another_picture_is_no_match():
    reference = Reference(view(np.eye(3), picture(1)))
    assert not reference.match(view(np.eye(3), picture(2))).found


def test_average_lays_frames_on_each_other():
    grey, true = picture(), drawn(3, 5)
    frames = [view(np.eye(3), grey), view(true, grey)]
    mean, spread = average(frames, [Match(np.eye(3), 1, 0, 1), Match(true, 1, 0, 1)])

    inside = np.s_[20:-20, 20:-20]
    assert np.abs(mean[inside] - frames[0][inside]).mean() < 1.0
    assert np.median(spread[inside]) < 1.5
