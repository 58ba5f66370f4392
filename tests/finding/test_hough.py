"""The Hough vote and its peaks on pixels set by hand: invented data throughout."""

import numpy as np
import pytest

from needlecoach.finding.hough import LineGrid, peaks, vote

HEIGHT, WIDTH = 80, 120


def grid(angle_step_deg: float = 1.0, offset_step_px: float = 1.0) -> LineGrid:
    return LineGrid.for_picture(HEIGHT, WIDTH, angle_step_deg=angle_step_deg, offset_step_px=offset_step_px)


def drawn(slope_deg: float) -> tuple[np.ndarray, float, float]:
    """One-pixel line through the picture's middle, with its normal in degrees and its offset."""
    weight = np.zeros((HEIGHT, WIDTH), dtype=np.float32)
    along = np.arange(-35, 35.1, 0.25)
    x = np.rint(60 + along * np.cos(np.radians(slope_deg))).astype(int)
    y = np.rint(40 + along * np.sin(np.radians(slope_deg))).astype(int)
    weight[y, x] = 1
    normal_deg = (slope_deg + 90 + 90) % 180 - 90
    normal = np.radians(normal_deg)
    return weight, normal_deg, 60 * np.cos(normal) + 40 * np.sin(normal)


def best(score: np.ndarray, lines: LineGrid) -> tuple[float, float]:
    row, column, _ = peaks(score, count=1, angle_radius=3, offset_radius=3)[0]
    return float(np.degrees(lines.normals_rad[row])), float(lines.offset_px(column))


@pytest.mark.parametrize("offset_step_px", [1.0, 2.0])
def test_every_line_through_the_picture_has_a_bin(offset_step_px):
    lines = grid(offset_step_px=offset_step_px)
    assert len(lines.normals_rad) == 180
    offsets = lines.offset_px(np.arange(lines.n_offsets))
    assert np.all(np.diff(offsets) == offset_step_px)
    assert offsets[0] == -offsets[-1]
    assert offsets[-1] >= np.hypot(HEIGHT, WIDTH)
    corners = np.zeros((HEIGHT, WIDTH))
    corners[[0, 0, -1, -1], [0, -1, 0, -1]] = 1
    assert np.all(vote(corners, None, lines).sum(axis=1) == 4)


@pytest.mark.parametrize("slope_deg", [-80, -60, -30, -10, 10, 20, 45, 70, 80])
@pytest.mark.parametrize("directed", [False, True])
def test_a_drawn_line_wins(slope_deg, directed):
    weight, normal_deg, offset_px = drawn(slope_deg)
    direction = np.full(weight.shape, np.radians(slope_deg)) if directed else None
    found = best(vote(weight, direction, grid()), grid())
    np.testing.assert_allclose(found, (normal_deg, offset_px), rtol=0, atol=1.01)


@pytest.mark.parametrize("normal_deg", [-90, -37, 0, 12, 88])
def test_a_pixel_votes_for_lines_along_its_ridge_only(normal_deg):
    weight = np.zeros((HEIGHT, WIDTH))
    weight[33, 47] = 2.0
    direction = np.full(weight.shape, np.radians(normal_deg - 90.0))
    score = vote(weight, direction, grid(), spread_deg=10)
    gap_deg = np.abs((np.degrees(grid().normals_rad) - normal_deg + 90) % 180 - 90)
    expected = 2.0 * np.maximum(1 - gap_deg / 10, 0)
    np.testing.assert_allclose(score.sum(axis=1), expected, atol=1e-5)
    row = int(np.argmax(expected))
    normal = grid().normals_rad[row]
    offset = grid().offset_px(int(np.argmax(score[row])))
    assert abs(offset - (47 * np.cos(normal) + 33 * np.sin(normal))) <= 0.5


def test_pixels_across_a_line_do_not_vote_for_it():
    weight, _, _ = drawn(30)
    across = np.full(weight.shape, np.radians(120))
    along = np.full(weight.shape, np.radians(30))
    row = np.flatnonzero(np.isclose(np.degrees(grid().normals_rad), -60))
    assert vote(weight, across, grid())[row].max() == 0
    assert vote(weight, along, grid())[row].max() > 40


def test_normals_left_out_stay_empty():
    weight, normal_deg, _ = drawn(30)
    keep = np.abs(np.degrees(grid().normals_rad) - normal_deg) > 5
    score = vote(weight, None, grid(), keep=keep)
    assert np.all(score[~keep] == 0)
    np.testing.assert_array_equal(score[keep], vote(weight, None, grid())[keep])


def test_an_empty_picture_has_no_peaks():
    score = vote(np.zeros((HEIGHT, WIDTH)), None, grid())
    assert score.shape == (180, grid().n_offsets)
    assert not score.any()
    assert peaks(score, count=5, angle_radius=2, offset_radius=2) == []


def test_peaks_come_best_first_and_not_twice_within_a_window():
    score = np.zeros((20, 30), dtype=np.float32)
    score[4, 5], score[4, 7], score[12, 20], score[19, 29] = 9, 8, 5, 7
    assert peaks(score, count=9, angle_radius=2, offset_radius=2) == [(4, 5, 9), (19, 29, 7), (12, 20, 5)]
    assert peaks(score, count=2, angle_radius=2, offset_radius=2) == [(4, 5, 9), (19, 29, 7)]
    assert (4, 7, 8) in peaks(score, count=9, angle_radius=2, offset_radius=1)
