"""The beam grid, the point-spread function and the way to the screen, against geometry."""

import numpy as np
import pytest

from needlecoach.phantoms.beams import BeamGrid, PointSpread, Screen, splat
from needlecoach.phantoms.scene import Display, Probe

LINEAR = BeamGrid(Probe(depth_mm=30, width_mm=30), Display(420, 400, 0.12, (205, 50)))
CURVED = BeamGrid(
    Probe("curved", 4.0, 70, radius_mm=50, half_angle_deg=30, focus_mm=40), Display(640, 480, 0.25, (310, 80))
)


@pytest.mark.parametrize("grid", [LINEAR, CURVED], ids=["linear", "curved"])
def test_every_sample_has_its_own_place(grid: BeamGrid) -> None:
    column, row = grid.index(*grid.places_mm)

    rows, columns = np.mgrid[0 : grid.shape[0], 0 : grid.shape[1]]
    np.testing.assert_allclose(column, columns, atol=1e-6)
    np.testing.assert_allclose(row, rows, atol=1e-6)


@pytest.mark.parametrize("grid", [LINEAR, CURVED], ids=["linear", "curved"])
def test_samples_lie_in_the_region_that_is_told(grid: BeamGrid) -> None:
    screen = Screen(grid)

    x, z = grid.places_mm
    inner = screen.to_px(x[2:-2, 2:-2], z[2:-2, 2:-2])

    assert screen.region.contains(inner).all()
    assert screen.region.depth_px(screen.to_px(x[40, 7], z[40, 7])) == pytest.approx(40, abs=1e-6)


def test_a_picture_on_the_beam_grid_lands_on_its_pixels() -> None:
    screen = Screen(CURVED)
    picture = np.zeros(CURVED.shape, np.float32)
    picture[100:104, 60:63] = 200
    frame = np.zeros((480, 640), np.uint8)

    screen.paste(picture, frame)

    y, x = np.nonzero(frame > 100)
    places = np.array([values[100:104, 60:63].mean() for values in CURVED.places_mm])
    np.testing.assert_allclose([x.mean(), y.mean()], screen.to_px(*places), atol=0.7)


def test_splat_keeps_the_sum_and_the_centre_of_an_echo() -> None:
    echoes = splat((20, 30), np.array([12.3]), np.array([7.6]), np.array([2 + 1j]))

    assert echoes.sum() == pytest.approx(2 + 1j, abs=1e-5)
    rows, columns = np.mgrid[0:20, 0:30]
    weight = np.abs(echoes) / np.abs(echoes).sum()
    assert (weight * columns).sum() == pytest.approx(12.3, abs=1e-4)
    assert (weight * rows).sum() == pytest.approx(7.6, abs=1e-4)


@pytest.mark.parametrize("depth_mm", [4.0, 15.0, 26.0])
def test_a_lone_point_keeps_its_height(depth_mm: float) -> None:
    spread = PointSpread(LINEAR)
    point = np.zeros(LINEAR.shape, np.complex64)
    row = round(depth_mm / 0.12)
    point[row, 125] = 3.0

    drawn = np.abs(spread.spread(point, LINEAR.depth_mm))

    assert np.unravel_index(drawn.argmax(), drawn.shape) == (row, 125)
    assert drawn.max() == pytest.approx(3.0, rel=0.01)


def test_points_are_narrowest_in_focus() -> None:
    probe = Probe(depth_mm=40, width_mm=30, focus_mm=15)
    grid = BeamGrid(probe, Display(420, 400, 0.1, (205, 40)))
    spread = PointSpread(grid)

    def width_mm(depth_mm: float) -> float:
        point = np.zeros(grid.shape, np.complex64)
        row = round(depth_mm / 0.1)
        point[row, 150] = 1.0
        line = np.abs(spread.spread(point, grid.depth_mm))[row]
        return float((line >= 0.5).sum() * 0.1)

    assert width_mm(15) < width_mm(2) < width_mm(38)
    # Half-height width of a squared sinc is 0.886 of its first null (follows from its definition).
    assert width_mm(15) == pytest.approx(0.886 * 2.8 * probe.wavelength_mm, abs=0.15)
