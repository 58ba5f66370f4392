"""The working picture keeps places and millimetres: drawn dots and invented regions."""

import cv2
import numpy as np
import pytest

from needlecoach.errors import UnscorableError
from needlecoach.model import Region, Scale
from needlecoach.tracking.plane import DEPTH_STEPS, FINEST_STEP_MM, Plane

RECTANGLE = Region("rectangle", (61, 33, 403, 377))
SECTOR = Region(
    "sector", (20, 53, 561, 352), apex_px=(300.0, -124.0), r_min_px=208, r_max_px=528, half_angle_deg=32
)
EVEN, UNEVEN = Scale.from_mm_per_px(0.1), Scale.from_mm_per_px(0.09, 0.16)

PLANES = [
    pytest.param(Plane(region, scale), id=f"{region.kind}-{name}")
    for region in (RECTANGLE, SECTOR)
    for scale, name in ((EVEN, "even"), (UNEVEN, "uneven"))
]


def grid_px(region: Region) -> np.ndarray:
    x, y, w, h = region.box_px
    return np.stack(np.meshgrid(np.linspace(x, x + w - 1, 9), np.linspace(y, y + h - 1, 7)), axis=-1)


@pytest.mark.parametrize("plane", PLANES)
def test_points_come_back_from_the_working_picture(plane: Plane) -> None:
    points_px = grid_px(plane.region)

    there = plane.from_frame_px(points_px)

    np.testing.assert_allclose(plane.to_frame_px(there), points_px, atol=1e-9)
    assert (there > -0.51).all() and (there < np.array(plane.size) - 0.49).all()


@pytest.mark.parametrize("plane", PLANES)
def test_a_working_pixel_is_as_wide_as_it_says_along_both_axes(plane: Plane) -> None:
    first, second = np.array([5.0, 7.0]), np.array([[105.0, 7.0], [5.0, 107.0]])

    mm = plane.scale.to_mm(plane.to_frame_px(second) - plane.to_frame_px(first))

    # The picture holds whole pixels, so its zoom is off by at most half a pixel over its width.
    share = 0.5 / min(plane.size)
    np.testing.assert_allclose(mm, 100 * plane.step_mm * np.eye(2), atol=100 * plane.step_mm * share + 1e-9)


@pytest.mark.parametrize("plane", PLANES)
def test_a_drawn_dot_lies_where_its_place_says(plane: Plane) -> None:
    x, y, w, h = plane.region.box_px
    dot_px = np.array([x + 0.4 * w, y + 0.6 * h])
    columns, rows = np.meshgrid(np.arange(700), np.arange(500))
    frame = 200 * np.exp(-0.5 * ((columns - dot_px[0]) ** 2 + (rows - dot_px[1]) ** 2) / 4.0**2)

    picture = plane.resample(np.rint(frame).astype(np.uint8)).astype(float)

    u, v = np.meshgrid(np.arange(plane.size[0]), np.arange(plane.size[1]))
    found = np.array([(u * picture).sum(), (v * picture).sum()]) / picture.sum()
    assert picture.shape == plane.mask.shape
    np.testing.assert_allclose(found, plane.from_frame_px(dot_px), atol=0.05)


def test_the_first_working_pixel_covers_the_corner_of_the_region() -> None:
    plane = Plane(Region("rectangle", (60, 30, 400, 400)), EVEN)

    np.testing.assert_allclose(plane.to_frame_px([-0.5, -0.5]), [59.5, 29.5])
    np.testing.assert_allclose(plane.to_frame_px(np.array(plane.size) - 0.5), [459.5, 429.5])


def test_pixels_are_never_finer_than_the_recording_or_the_beam() -> None:
    assert Plane(RECTANGLE, EVEN).step_mm == FINEST_STEP_MM
    assert Plane(RECTANGLE, Scale.from_mm_per_px(0.2)).step_mm == pytest.approx(376 * 0.2 / DEPTH_STEPS)
    assert Plane(Region("rectangle", (0, 0, 90, 90)), Scale.from_mm_per_px(0.3, 0.5)).step_mm == 0.5


def test_the_mask_is_the_region() -> None:
    plane = Plane(SECTOR, EVEN)
    x, y = np.meshgrid(np.arange(plane.size[0]), np.arange(plane.size[1]))

    np.testing.assert_array_equal(
        plane.mask, SECTOR.contains(plane.to_frame_px(np.stack([x, y], axis=-1).astype(float)))
    )
    assert not plane.mask[0, 0]
    assert plane.mask[plane.size[1] // 2, plane.size[0] // 2]
    assert Plane(RECTANGLE, EVEN).mask.all()


def test_depth_runs_from_the_probe_face_along_the_beam() -> None:
    plane = Plane(SECTOR, EVEN)
    turned = np.radians([0, 20, -25])
    apex = np.array(SECTOR.apex_px)
    for share in (0.1, 0.5, 0.95):
        radius_px = 208 + share * 320
        places = plane.from_frame_px(apex + radius_px * np.stack([np.sin(turned), np.cos(turned)], axis=-1))
        columns, rows = np.rint(places).astype(int).T
        np.testing.assert_allclose(plane.depth_share[rows, columns], share, atol=0.005)


def test_a_picture_of_a_few_millimetres_is_not_scored() -> None:
    with pytest.raises(UnscorableError, match=r"4 x 3\.8 mm .* check --scale"):
        Plane(RECTANGLE, Scale.from_mm_per_px(0.01))


def plane_of_zoom(zoom: float) -> Plane:
    """Plane with that many frame pixels per working pixel, as nearly as whole pixels allow.

    Below 1 only where the picture is narrower than the fewest working pixels: 13 px of 0.4 mm become 16.
    """
    if zoom < 1:
        return Plane(Region("rectangle", (40, 30, 13, 300)), Scale.from_mm_per_px(0.4))
    return Plane(Region("rectangle", (40, 30, 403, 377)), Scale.from_mm_per_px(FINEST_STEP_MM / zoom))


ZOOMS = pytest.mark.parametrize("zoom", [0.8, 1.3, 2.0, 2.3, 3.7])


@ZOOMS
def test_resampling_is_as_good_as_averaging_over_every_working_pixel(zoom: float) -> None:
    """Reference: OpenCV's area averaging, and bilinear reading where that is not defined (below 1)."""
    plane = plane_of_zoom(zoom)
    x, y, w, h = plane.region.box_px
    actual = w / plane.size[0]
    assert actual == pytest.approx(zoom, rel=0.03)
    columns, rows = np.meshgrid(np.arange(460), np.arange(440))
    waves = np.sin(columns / (7 * actual)) * np.cos(rows / (9 * actual) + 1) + 0.4 * np.sin(
        (columns + rows) / 50
    )
    frame = np.rint(120 + 60 * waves).astype(np.uint8)

    picture = plane.resample(frame).astype(float)

    how = cv2.INTER_AREA if actual >= 1 else cv2.INTER_LINEAR
    reference = cv2.resize(frame[y : y + h, x : x + w], plane.size, interpolation=how).astype(float)
    assert picture.shape == reference.shape == plane.mask.shape
    difference = (picture - reference)[1:-1, 1:-1]
    # Rounding alone makes 0.4; a shift of the rest by a tenth of a pixel makes it 0.66.
    assert np.sqrt((difference**2).mean()) < 0.55
    # Averages of four that end in a half are rounded up.
    assert abs(difference.mean()) < 0.25
    assert np.abs(picture - reference).max() <= 5


@ZOOMS
@pytest.mark.parametrize("part", [0.0, 0.25, 0.5, 0.8])
def test_a_bright_spot_keeps_its_place_at_every_zoom(zoom: float, part: float) -> None:
    """Spots in the middle and near every corner, off the pixels' centres by a part of one."""
    plane = plane_of_zoom(zoom)
    x, y, w, h = plane.region.box_px
    columns, rows = np.meshgrid(np.arange(460), np.arange(440))
    u, v = np.meshgrid(np.arange(plane.size[0]), np.arange(plane.size[1]))
    sigma_px = 1.5 * max(w / plane.size[0], 1.0)
    for across, down in [(0.5, 0.5), (0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)]:
        margin_px = 4 * sigma_px if w > 13 else 6
        spot_px = np.array(
            [
                round(x + margin_px + across * (w - 1 - 2 * margin_px)) + part,
                round(y + margin_px + down * (h - 1 - 2 * margin_px)) - part,
            ]
        )
        away = (columns - spot_px[0]) ** 2 + (rows - spot_px[1]) ** 2
        frame = np.rint(240 * np.exp(-0.5 * away / sigma_px**2)).astype(np.uint8)

        picture = plane.resample(frame).astype(float)

        found = np.array([(u * picture).sum(), (v * picture).sum()]) / picture.sum()
        np.testing.assert_allclose(found, plane.from_frame_px(spot_px), atol=0.1)


@ZOOMS
def test_an_even_picture_stays_even_to_its_very_edge(zoom: float) -> None:
    plane = plane_of_zoom(zoom)
    x, y, w, h = plane.region.box_px
    frame = np.zeros((440, 460), dtype=np.uint8)
    frame[y : y + h, x : x + w] = 90

    np.testing.assert_array_equal(plane.resample(frame), np.full(plane.mask.shape, 90))


def test_single_bright_pixels_are_averaged_not_skipped() -> None:
    """Every third pixel bright: reading single pixels would show all or nothing, averaging shows the mean."""
    plane = Plane(Region("rectangle", (41, 33, 402, 378)), Scale.from_mm_per_px(FINEST_STEP_MM / 3))
    frame = np.zeros((440, 460), dtype=np.uint8)
    frame[:, ::3] = 210

    assert plane.size == (134, 126)
    np.testing.assert_allclose(plane.resample(frame).astype(float), 70, atol=1)
