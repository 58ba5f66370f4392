"""The plain Hough vote against scikit-image's and OpenCV's on the same edge map; the map is invented.

All three use x cos(normal) + y sin(normal) = offset with (0, 0) at the first pixel's centre; OpenCV counts
normals from 0 to 180 degrees instead of -90 to 90, so that its offset changes sign with the half turn.
"""

import cv2
import numpy as np
import pytest
from skimage.transform import hough_line, hough_line_peaks

from needlecoach.finding.hough import LineGrid, peaks, vote

HEIGHT, WIDTH = 200, 260
# Normal form of the drawn lines: normals as far from a grid angle as can be, as well as on one.
DRAWN = [(62.0, 110.0), (-48.5, 30.0), (11.5, 190.0)]


def edge_map(seed: int = 5) -> np.ndarray:
    """Three one-pixel lines with gaps, and one pixel in a hundred set at random."""
    rng = np.random.default_rng(seed)
    edges = rng.random((HEIGHT, WIDTH)) < 0.01
    along = np.arange(-400, 400, 0.25)
    for normal_deg, offset_px in DRAWN:
        c, s = np.cos(np.radians(normal_deg)), np.sin(np.radians(normal_deg))
        x, y = np.rint(offset_px * c - along * s).astype(int), np.rint(offset_px * s + along * c).astype(int)
        seen = (x >= 0) & (x < WIDTH) & (y >= 0) & (y < HEIGHT) & (np.floor(along / 15) % 4 > 0)
        edges[y[seen], x[seen]] = True
    return edges


EDGES = edge_map()
GRID = LineGrid.for_picture(HEIGHT, WIDTH, angle_step_deg=1.0, offset_step_px=1.0)


def best_lines(score: np.ndarray) -> list[tuple[float, float]]:
    """Our best three lines as (normal in degrees, offset in px)."""
    found = peaks(score, count=3, angle_radius=5, offset_radius=5)
    return [(float(np.degrees(GRID.normals_rad[i])), float(GRID.offset_px(j))) for i, j, _ in found]


def test_accumulator_is_scikit_images():
    expected, angles, distances = hough_line(EDGES, theta=GRID.normals_rad)
    actual = vote(EDGES, None, GRID)
    np.testing.assert_array_equal(angles, GRID.normals_rad)
    middle = GRID.n_offsets // 2
    reach = int(distances[-1])
    inner = actual[:, middle - reach : middle + reach + 1]
    assert inner.sum() == actual.sum() == EDGES.sum() * len(angles)
    # A pixel half-way between two bins may be rounded to either: nothing else may differ.
    moved = np.abs(inner - expected.T).sum() / 2
    assert moved < 0.002 * actual.sum()
    np.testing.assert_array_equal(np.abs(inner - expected.T).max(axis=1)[[20, 41, 62, 77, 111, 152]], 0)


def test_best_lines_are_scikit_images():
    score, angles, distances = hough_line(EDGES, theta=GRID.normals_rad)
    _, normals, offsets = hough_line_peaks(
        score, angles, distances, min_distance=5, min_angle=5, num_peaks=3, threshold=0.2 * score.max()
    )
    expected = sorted(zip(np.degrees(normals), offsets, strict=True))
    actual = sorted(best_lines(vote(EDGES, None, GRID)))
    np.testing.assert_allclose(actual, expected, rtol=0, atol=1.0)
    np.testing.assert_allclose(actual, sorted(DRAWN), rtol=0, atol=1.5)


def test_best_line_is_opencvs_first():
    found = cv2.HoughLines(EDGES.astype(np.uint8), 1.0, np.pi / 180, threshold=60)
    offset, normal = found.reshape(-1, found.shape[-1])[0, :2]
    turn_deg = float(np.degrees(normal))
    expected = (turn_deg - 180, -offset) if turn_deg >= 90 else (turn_deg, offset)
    np.testing.assert_allclose(best_lines(vote(EDGES, None, GRID))[0], expected, rtol=0, atol=1.0)


@pytest.mark.parametrize("offset_step_px", [1.0, 2.5])
def test_weights_and_coarser_bins_keep_the_lines(offset_step_px):
    """scikit-image has no weights: a pixel of weight three must count like three pixels."""
    grid = LineGrid.for_picture(HEIGHT, WIDTH, angle_step_deg=1.0, offset_step_px=offset_step_px)
    once = vote(EDGES, None, grid)
    np.testing.assert_allclose(vote(3.0 * EDGES, None, grid), 3 * once)
    fine, _, distances = hough_line(EDGES, theta=grid.normals_rad)
    row = int(np.argmax(fine.max(axis=0)))
    bins = np.rint(distances / offset_step_px).astype(int) + grid.n_offsets // 2
    coarse = np.bincount(bins, weights=fine[:, row], minlength=grid.n_offsets)
    assert abs(int(np.argmax(once[row])) - int(np.argmax(coarse))) <= 1
