"""Drift is found on drawn speckle moved by known amounts: invented data."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from needlecoach.tracking.drift import LARGEST_SHIFT_MM, steady

Gel = Callable[..., np.ndarray]
SIZE = (240, 220)
MARGIN = 30
STEP_MM = 0.15
WHOLE = np.ones(SIZE[::-1], dtype=bool)


def sector_mask() -> np.ndarray:
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    radius = np.hypot(x - 120, y + 80)
    turned = np.degrees(np.arctan2(np.abs(x - 120), y + 80))
    return (radius > 95) & (radius < 290) & (turned < 30)


def moved(
    block: np.ndarray, offsets: np.ndarray, *, mask: np.ndarray = WHOLE, noise: float = 3.0
) -> list[np.ndarray]:
    """Windows of a larger block of gel that moves by `offsets` (n, 2) px behind a standing outline."""
    rng = np.random.default_rng(5)
    pictures = []
    for dx, dy in offsets:
        matrix = np.array([[1, 0, dx - MARGIN], [0, 1, dy - MARGIN]])
        shown = cv2.warpAffine(block, matrix, SIZE, flags=cv2.INTER_LANCZOS4)
        grey = np.where(mask, shown + rng.normal(0, noise, shown.shape), 0)
        pictures.append(np.clip(np.rint(grey), 0, 255).astype(np.uint8))
    return pictures


@pytest.fixture(scope="module")
def block(gel: Gel) -> np.ndarray:
    return gel(3, size=(SIZE[0] + 2 * MARGIN, SIZE[1] + 2 * MARGIN))


def ramp(x_px: float, y_px: float, *, n: int = 24) -> np.ndarray:
    return np.linspace(0, 1, n)[:, None] * np.array([x_px, y_px])


WAYS = [(7.3, -4.6), (-11.4, 2.7), (6.2, 3.5), (-4.8, -5.1)]
MASKS = [pytest.param(WHOLE, id="rectangle"), pytest.param(sector_mask(), id="standing sector")]


def drift_error_px(block: np.ndarray, end: tuple[float, float], mask: np.ndarray) -> float:
    """Largest error of any frame's shift along either axis."""
    offsets = ramp(*end)
    steadied, shift, likeness = steady(moved(block, offsets, mask=mask), mask=mask, step_mm=STEP_MM)
    assert len(steadied) == len(offsets)
    assert likeness.min() > 0.4
    return float(np.abs(shift - offsets).max())


@pytest.mark.parametrize("mask", MASKS)
@pytest.mark.parametrize("end", WAYS)
def test_a_slow_drift_is_followed(block: np.ndarray, end: tuple[float, float], mask: np.ndarray) -> None:
    assert drift_error_px(block, end, mask) < 0.25


def test_what_stands_still_is_left_alone(block: np.ndarray) -> None:
    _, shift, _ = steady(moved(block, ramp(0, 0)), mask=WHOLE, step_mm=STEP_MM)

    np.testing.assert_allclose(shift, 0, atol=0.1)


def test_what_stands_still_is_left_alone_at_any_size(gel: Gel) -> None:
    """373 px are padded to a transform of 375, an odd size, where OpenCV alone is half a pixel off."""
    picture = gel(3, size=(373, 220)).astype(np.uint8)

    _, shift, _ = steady([picture] * 3, mask=np.ones((220, 373), dtype=bool), step_mm=STEP_MM)

    np.testing.assert_allclose(shift, 0, atol=0.1)


def test_steadied_pictures_show_every_thing_in_its_first_place(block: np.ndarray) -> None:
    pictures = moved(block, ramp(9.5, 4.25), noise=0)

    steadied, _, _ = steady(pictures, mask=WHOLE, step_mm=STEP_MM)

    inner = np.s_[20:-20, 20:-20]
    first, last = pictures[0][inner].astype(float), pictures[-1][inner].astype(float)
    held = steadied[-1][inner].astype(float)
    assert np.corrcoef(first.ravel(), last.ravel())[0, 1] < 0.3
    assert np.corrcoef(first.ravel(), held.ravel())[0, 1] > 0.92
    assert steadied[0].dtype == steadied[-1].dtype == np.uint8


def test_a_sweep_is_unlike_and_moves_nothing(gel: Gel) -> None:
    """In a sweep the speckle is new all the time: there is no shift to be found."""
    pictures = [gel(seed).astype(np.uint8) for seed in range(12)]

    _, shift, likeness = steady(pictures, mask=WHOLE, step_mm=STEP_MM)

    assert likeness[0] == 1
    assert likeness[1:].max() < 0.3
    np.testing.assert_array_equal(shift, 0)


def test_a_jump_further_than_a_hand_drifts_is_not_taken(gel: Gel) -> None:
    reach = int(LARGEST_SHIFT_MM / STEP_MM)
    wide = gel(4, size=(SIZE[0] + 2 * MARGIN + reach + 40, SIZE[1] + 2 * MARGIN))
    pictures = moved(wide, np.array([[0.0, 0.0], [-(reach + 8.0), 0.0]]))

    _, shift, _ = steady(pictures, mask=WHOLE, step_mm=STEP_MM)

    np.testing.assert_array_equal(shift[1], [0, 0])


def test_no_pictures_have_no_shift() -> None:
    steadied, shift, likeness = steady([], mask=WHOLE, step_mm=STEP_MM)

    assert steadied == []
    assert shift.shape == (0, 2)
    assert likeness.shape == (0,)
