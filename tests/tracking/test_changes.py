"""A needle that comes and goes stands out, what stays does not: drawn pictures, invented data."""

from collections.abc import Callable

import numpy as np
import pytest

from needlecoach.tracking.changes import BLOCK_S, ONE_SIDED_SHARE, Changes, find_changes

Gel = Callable[..., np.ndarray]
STEP_MM = 0.15
SIZE = (120, 100)
MASK = np.ones(SIZE[::-1], dtype=bool)
FPS = 20.0
N = 80
ROWS = slice(48, 52)
COLUMNS = slice(20, 100)
EXCESS = 90.0


def pictures(base: np.ndarray, shown: np.ndarray, *, noise: float = 2.0, seed: int = 1) -> list[np.ndarray]:
    """Gel with a bright bar of 0.6 mm in the frames where `shown` is not 0, brighter by that many greys."""
    rng = np.random.default_rng(seed)
    out = []
    for more in shown:
        picture = base + rng.normal(0, noise, base.shape)
        picture[ROWS, COLUMNS] += more
        out.append(np.clip(np.rint(picture), 0, 255).astype(np.uint8))
    return out


def changes_of(shown: np.ndarray, base: np.ndarray | None = None) -> Changes:
    still = np.full(SIZE[::-1], 60.0) if base is None else base
    return find_changes(pictures(still, shown), np.arange(len(shown)) / FPS, mask=MASK, step_mm=STEP_MM)


def between(first: int, end: int) -> np.ndarray:
    frames = np.arange(N)
    return np.where((frames >= first) & (frames < end), EXCESS, 0.0)


def on_bar(changes: Changes, frame: int) -> float:
    return float(changes.pictures[changes.block_of[frame], ROWS, COLUMNS].mean())


def off_bar(changes: Changes) -> float:
    away = changes.pictures.copy()
    away[:, 42:58] = 0
    return float(away.max())


def test_a_line_that_comes_and_goes_stands_out_while_it_is_there() -> None:
    changes = changes_of(between(30, 50))

    assert on_bar(changes, 40) > 0.6 * EXCESS
    assert on_bar(changes, 10) < 3
    assert on_bar(changes, 70) < 3
    assert off_bar(changes) < 10


def test_scenery_that_stays_does_not_stand_out(gel: Gel) -> None:
    changes = changes_of(between(0, N), gel(2, size=SIZE))

    assert changes.pictures.max() < 12


def test_scenery_that_sways_all_the_time_does_not_stand_out() -> None:
    """A bright layer that moves by a pixel up and down: less than the jitter allowed for."""
    still = pictures(np.full(SIZE[::-1], 60.0), np.full(N, EXCESS))
    swaying = [np.roll(picture, i // 4 % 2, axis=0) for i, picture in enumerate(still)]

    changes = find_changes(swaying, np.arange(N) / FPS, mask=MASK, step_mm=STEP_MM)

    assert changes.pictures.max() < 15


@pytest.mark.parametrize(("first", "end"), [(30, N), (0, 50)], ids=["left behind", "in from the start"])
def test_what_only_comes_or_only_goes_counts_for_the_one_sided_share(first: int, end: int) -> None:
    both, one = changes_of(between(30, 50)), changes_of(between(first, end))

    assert on_bar(one, 40) / on_bar(both, 40) == pytest.approx(ONE_SIDED_SHARE, rel=0.25)


def test_a_needle_stands_out_over_the_trail_it_lays() -> None:
    """Brighter than the trail: by its excess over the trail, and at least by the one-sided share."""
    frames = np.arange(N)
    shown = np.where(frames < 30, 0.0, np.where(frames < 50, EXCESS, 0.4 * EXCESS))

    changes = changes_of(shown)

    assert on_bar(changes, 40) > 0.4 * EXCESS
    assert on_bar(changes, 70) < 0.5 * on_bar(changes, 40)


def test_blocks_follow_the_clock_not_the_frame_number() -> None:
    """A recording with a hole of a second in it (variable frame rate) has no block there."""
    time_s = np.concatenate([np.arange(20) / FPS, 2.0 + np.arange(20) / FPS])
    still = pictures(np.full(SIZE[::-1], 60.0), np.zeros(40))

    changes = find_changes(still, time_s, mask=MASK, step_mm=STEP_MM)

    assert (np.diff(changes.block_of) >= 0).all()
    assert len(changes.time_s) == len(changes.pictures) == changes.block_of[-1] + 1 == 8
    assert np.abs(changes.time_s[changes.block_of] - time_s).max() <= BLOCK_S
    assert np.diff(changes.time_s).max() > 1.0


def test_the_excess_at_points_is_over_what_was_before_and_will_be_after() -> None:
    """Against a gel that stays even, the pictures of one block themselves: by the bar's 90 greys, no less."""
    shown = pictures(np.full(SIZE[::-1], 60.0), between(30, 50), noise=0)
    changes = find_changes(shown, np.arange(N) / FPS, mask=MASK, step_mm=STEP_MM)
    points = np.array([[[60.0, 49.5], [60.0, 20.0]], [[40.0, 49.0], [1.0, 49.5]]], dtype=np.float32)

    excess = changes.excess_at(shown[40:42], int(changes.block_of[40]), points)
    gone = changes.excess_at(shown[60:62], int(changes.block_of[60]), points)

    np.testing.assert_allclose(excess, [[EXCESS, 0], [EXCESS, 0]], atol=1)
    np.testing.assert_allclose(gone, 0, atol=1)


@pytest.mark.parametrize("block", [0, -1], ids=["in the first block", "in the last block"])
def test_the_excess_in_the_outermost_blocks_is_one_sided(block: int) -> None:
    """Before the first block and after the last nothing is known: the other side counts for a share."""
    shown = pictures(np.full(SIZE[::-1], 60.0), between(0, 10) + between(N - 10, N), noise=0)
    changes = find_changes(shown, np.arange(N) / FPS, mask=MASK, step_mm=STEP_MM)
    frame = 0 if block == 0 else N - 1

    excess = changes.excess_at(
        [shown[frame]], int(changes.block_of[frame]), np.array([[[60.0, 49.5]]], np.float32)
    )

    np.testing.assert_allclose(excess, ONE_SIDED_SHARE * EXCESS, atol=1)


def test_the_excess_of_several_pictures_is_that_of_their_mean() -> None:
    shown = pictures(np.full(SIZE[::-1], 60.0), between(30, 50), noise=0)
    changes = find_changes(shown, np.arange(N) / FPS, mask=MASK, step_mm=STEP_MM)

    excess = changes.excess_at(
        [shown[40], shown[60]], int(changes.block_of[40]), np.array([[[60.0, 49.5]]], np.float32)
    )

    np.testing.assert_allclose(excess, EXCESS / 2, atol=1)


def test_the_excess_is_over_other_blocks_not_over_its_own() -> None:
    """Bright but for one block: a bright picture in that block is as bright as before and after."""
    shown = pictures(np.full(SIZE[::-1], 60.0), EXCESS - between(40, 45), noise=0)
    changes = find_changes(shown, np.arange(N) / FPS, mask=MASK, step_mm=STEP_MM)
    assert changes.block_of[39] < changes.block_of[40] == changes.block_of[44] < changes.block_of[45]

    excess = changes.excess_at([shown[39]], int(changes.block_of[40]), np.array([[[60.0, 49.5]]], np.float32))

    # The smoothing of the looks takes 6 greys off the bar.
    assert excess.max() < 10


def test_past_and_future_are_the_darkest_looks_on_either_side() -> None:
    """In between two bars of 90 and 40 greys the place was as dark as 60; what is dilated stays bright."""
    frames = np.arange(N)
    lit = np.where(frames < 20, EXCESS, np.where(frames >= 60, 40.0, 0.0))
    changes = find_changes(
        pictures(np.full(SIZE[::-1], 60.0), lit, noise=0), frames / FPS, mask=MASK, step_mm=STEP_MM
    )
    on = (slice(None), 50, 60)

    first, last = changes.block_of[19], changes.block_of[60]
    assert changes.past.dtype == changes.future.dtype == np.uint8
    # The bar of four rows loses 6 of its 90 greys to the smoothing.
    np.testing.assert_allclose(changes.past[on][: first + 1].astype(float), 54 + EXCESS, atol=3)
    np.testing.assert_allclose(changes.past[on][first + 1 :].astype(float), 60, atol=3)
    np.testing.assert_allclose(changes.future[on][:last].astype(float), 60, atol=3)
    np.testing.assert_allclose(changes.future[on][last:].astype(float), 100, atol=3)


def test_nothing_stands_out_at_the_rim_of_the_mask() -> None:
    mask = np.zeros(SIZE[::-1], dtype=bool)
    mask[20:80, 30:90] = True

    shown = pictures(np.full(SIZE[::-1], 60.0), between(30, 50))
    changes = find_changes(shown, np.arange(N) / FPS, mask=mask, step_mm=STEP_MM)

    assert (changes.mask <= mask).all()
    assert not changes.mask[20].any() and changes.mask[50, 60]
    assert (changes.pictures[:, ~changes.mask] == 0).all()
    assert changes.pictures[changes.block_of[40], 50, 60] > 40
    places = np.array([[[60.0, 49.5], [31.0, 49.5], [25.0, 49.5]]], np.float32)
    excess = changes.excess_at(shown[40:41], int(changes.block_of[40]), places)
    np.testing.assert_allclose(excess, [[EXCESS, 0, 0]], atol=8)
