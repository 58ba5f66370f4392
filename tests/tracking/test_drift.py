"""Drift is found on drawn speckle moved by known amounts: invented data."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from needlecoach.tracking import drift
from needlecoach.tracking.drift import LARGEST_SHIFT_MM, Held, steady

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


def held(pictures: list[np.ndarray], *, mask: np.ndarray = WHOLE, fps: float = 10.0) -> list[Held]:
    """Pictures steadied; at 10 a second all are registered."""
    shown = [(i / fps, picture) for i, picture in enumerate(pictures)]
    out = list(steady(shown, mask=mask, step_mm=STEP_MM))
    assert [each.time_s for each in out] == [time_s for time_s, _ in shown]
    return out


def shifts(out: list[Held]) -> np.ndarray:
    return np.array([each.drift[:2] for each in out])


@pytest.fixture(scope="module")
def block(gel: Gel) -> np.ndarray:
    return gel(3, size=(SIZE[0] + 2 * MARGIN, SIZE[1] + 2 * MARGIN))


def ramp(x_px: float, y_px: float, *, n: int = 24) -> np.ndarray:
    return np.linspace(0, 1, n)[:, None] * np.array([x_px, y_px])


WAYS = [(7.3, -4.6), (-11.4, 2.7), (6.2, 3.5), (-4.8, -5.1)]
MASKS = [pytest.param(WHOLE, id="rectangle"), pytest.param(sector_mask(), id="standing sector")]


def drift_error_px(
    block: np.ndarray, end: tuple[float, float], mask: np.ndarray, *, n: int = 24, fps: float = 10.0
) -> float:
    """Largest error of any frame's shift along either axis."""
    offsets = ramp(*end, n=n)
    out = held(moved(block, offsets, mask=mask), mask=mask, fps=fps)
    assert min(each.likeness for each in out) > 0.4
    return float(np.abs(shifts(out) - offsets).max())


@pytest.mark.parametrize("mask", MASKS)
@pytest.mark.parametrize("end", WAYS)
def test_a_slow_drift_is_followed(block: np.ndarray, end: tuple[float, float], mask: np.ndarray) -> None:
    assert drift_error_px(block, end, mask) < 0.25


@pytest.mark.parametrize("end", WAYS)
def test_a_slow_drift_is_followed_at_30_pictures_a_second(
    block: np.ndarray, end: tuple[float, float]
) -> None:
    """Over 74 pictures every sub-pixel place occurs: registering each of them errs by as much as 0.25 px."""
    assert drift_error_px(block, end, WHOLE, n=74, fps=30.0) < 0.3


def test_pictures_between_two_registered_lie_on_the_straight_line_in_time(block: np.ndarray) -> None:
    """Uneven times, as of a recording with a variable frame rate: registered at 0, 0.1, 0.2 and 0.31 s."""
    time_s = np.array([0, 0.02, 0.09, 0.1, 0.15, 0.2, 0.22, 0.25, 0.31])
    offsets = np.outer(time_s, [4.0, 0.0])
    shown = zip(time_s, moved(block, offsets), strict=True)

    shift = shifts(list(steady(shown, mask=WHOLE, step_mm=STEP_MM)))

    sure = np.isin(time_s, [0, 0.1, 0.2, 0.31])
    for axis in (0, 1):
        line = np.interp(time_s, time_s[sure], shift[sure, axis])
        np.testing.assert_allclose(shift[:, axis], line, atol=1e-9)
    np.testing.assert_allclose(shift, offsets, atol=0.25)


@pytest.mark.parametrize("first", [6, 7, 8, 9])
def test_a_jump_between_two_registered_pictures_is_not_smeared(block: np.ndarray, first: int) -> None:
    """At 30 a second every third picture is registered; the probe slips by 1.2 mm between two pictures."""
    offsets = np.where(np.arange(16)[:, None] < first, 0.0, [6.5, -4.5])

    out = held(moved(block, offsets), fps=30.0)

    np.testing.assert_allclose(shifts(out), offsets, atol=0.25)


@pytest.mark.parametrize(("slip", "lost"), [(8, 7), (7, 8), (8, 8), (8, 9), (8, 10), (8, 12)])
def test_a_lost_picture_keeps_the_shift_of_the_one_before_it(
    block: np.ndarray, gel: Gel, slip: int, lost: int
) -> None:
    """At 30 a second the probe slips before one picture, and one shows something else altogether."""
    offsets = np.where(np.arange(16)[:, None] < slip, 0.0, [6.5, -4.5])
    pictures = moved(block, offsets)
    pictures[lost] = gel(77).astype(np.uint8)

    shift = shifts(held(pictures, fps=30.0))

    np.testing.assert_allclose(np.delete(shift, lost, axis=0), np.delete(offsets, lost, axis=0), atol=0.25)
    np.testing.assert_allclose(shift[lost], offsets[lost - 1], atol=0.25)


def test_what_stands_still_is_left_alone(block: np.ndarray) -> None:
    out = held(moved(block, ramp(0, 0)))

    np.testing.assert_allclose(shifts(out), 0, atol=0.1)


def test_what_stands_still_is_left_alone_at_any_size(gel: Gel) -> None:
    """373 px are padded to a transform of 375, an odd size, where OpenCV alone is half a pixel off."""
    picture = gel(3, size=(373, 220)).astype(np.uint8)

    out = held([picture] * 3, mask=np.ones((220, 373), dtype=bool))

    np.testing.assert_allclose(shifts(out), 0, atol=0.1)


@pytest.mark.parametrize(("n", "fps", "frame"), [(24, 10.0, 23), (74, 30.0, 71), (74, 30.0, 73)])
def test_steadied_pictures_show_every_thing_in_its_first_place(
    block: np.ndarray, n: int, fps: float, frame: int
) -> None:
    """Of 74 at 30 a second the one numbered 71 lies between two that are registered, 73 after the last."""
    pictures = moved(block, ramp(9.5, 4.25, n=n), noise=0)

    out = held(pictures, fps=fps)

    inner = np.s_[20:-20, 20:-20]
    first, late = pictures[0][inner].astype(float), pictures[frame][inner].astype(float)
    steadied = out[frame].picture[inner].astype(float)
    assert np.corrcoef(first.ravel(), late.ravel())[0, 1] < 0.3
    assert np.corrcoef(first.ravel(), steadied.ravel())[0, 1] > 0.92
    assert out[0].picture.dtype == out[frame].picture.dtype == np.uint8


@pytest.mark.parametrize("fps", [10.0, 30.0])
def test_a_sweep_is_unlike_and_moves_nothing(gel: Gel, fps: float) -> None:
    """In a sweep the speckle is new all the time: there is no shift to be found."""
    pictures = [gel(seed).astype(np.uint8) for seed in range(12)]

    out = held(pictures, fps=fps)

    assert out[0].likeness == 1
    assert max(each.likeness for each in out[1:]) < 0.3
    np.testing.assert_array_equal(shifts(out), 0)


def test_a_jump_further_than_a_hand_drifts_is_not_taken(gel: Gel) -> None:
    reach = int(LARGEST_SHIFT_MM / STEP_MM)
    wide = gel(4, size=(SIZE[0] + 2 * MARGIN + reach + 40, SIZE[1] + 2 * MARGIN))
    pictures = moved(wide, np.array([[0.0, 0.0], [-(reach + 8.0), 0.0]]))

    out = held(pictures)

    np.testing.assert_array_equal(out[1].drift, [0, 0, 0])


def test_no_pictures_have_no_shift() -> None:
    assert held([]) == []


def turned(
    block: np.ndarray, degrees: np.ndarray, *, way_px: tuple[float, float] = (0.0, 0.0)
) -> list[np.ndarray]:
    """Windows of a larger block of gel that turns about the middle of the face and drifts evenly."""
    rng, pictures, face = np.random.default_rng(6), [], (SIZE[0] / 2, 0.0)
    for share, turn in zip(np.linspace(0, 1, len(degrees)), degrees, strict=True):
        matrix = cv2.getRotationMatrix2D((face[0] + MARGIN, face[1] + MARGIN), -turn, 1.0)
        matrix[:, 2] += share * np.array(way_px) - MARGIN
        shown = cv2.warpAffine(block, matrix, SIZE, flags=cv2.INTER_LANCZOS4)
        pictures.append(np.clip(np.rint(shown + rng.normal(0, 3.0, shown.shape)), 0, 255).astype(np.uint8))
    return pictures


@pytest.mark.parametrize("end_deg", [5.0, -4.0])
@pytest.mark.parametrize("fps", [10.0, 30.0])
def test_a_probe_that_rocks_is_followed(block: np.ndarray, end_deg: float, fps: float) -> None:
    """There in 1.2 s and back; known in every corner to a fifth of a millimetre, a small first turn apart."""
    time_s = np.arange(0, 3, 1 / fps)
    degrees = np.interp(time_s, [0.3, 1.5, 1.8, 2.8], [0, end_deg, end_deg, 0])
    corners = np.array([[10.0, 10.0], [230.0, 10.0], [10.0, 200.0], [230.0, 200.0]])

    out = held(turned(block, degrees, way_px=(4.0, -3.0)), fps=fps)

    for each, share, turn in zip(out, np.linspace(0, 1, len(out)), np.radians(degrees), strict=True):
        face = np.array([SIZE[0] / 2, 0.0])
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        truth = (corners - face) @ spin.T + face + share * np.array([4.0, -3.0])
        away_mm = np.hypot(*(drift.moved(corners, each.drift) - truth).T) * STEP_MM
        assert away_mm.max() < 0.2 + 0.6 * (each.drift[2] == 0)


def test_a_picture_that_only_drifts_is_not_turned(block: np.ndarray) -> None:
    assert all(each.drift[2] == 0 for each in held(moved(block, ramp(9.0, -5.0))))


def test_drifts_add_up_and_are_taken_back() -> None:
    """Against matrices of homogeneous coordinates (textbook; numpy's inverse)."""

    def matrix(d: np.ndarray) -> np.ndarray:
        cos, sin = np.cos(d[2]), np.sin(d[2])
        return np.array([[cos, -sin, d[0]], [sin, cos, d[1]], [0, 0, 1]])

    one, two = np.array([3.0, -2.0, 0.2]), np.array([-1.0, 5.0, -0.05])
    point = np.array([7.0, 11.0])

    np.testing.assert_allclose(drift.moved(point, one), (matrix(one) @ [*point, 1])[:2])
    np.testing.assert_allclose(matrix(drift.after(two, one)), matrix(two) @ matrix(one))
    np.testing.assert_allclose(matrix(drift.back(one)), np.linalg.inv(matrix(one)), atol=1e-12)
    np.testing.assert_allclose(drift.back(np.stack([one, two]))[1], drift.back(two))
