"""The needle's axis is found on drawn clips whose shaft is known: invented data."""

from collections.abc import Callable

import numpy as np
import pytest

from needlecoach.finding.candidates import Line
from needlecoach.model import Region, Scale
from needlecoach.tracking.axis import Axis, find_axis
from needlecoach.tracking.chain import line_entries
from needlecoach.tracking.changes import find_changes
from needlecoach.tracking.plane import Plane, slope_deg

STEP_MM = 0.15
PLANE = Plane(Region("rectangle", (0, 0, 240, 220)), Scale.from_mm_per_px(STEP_MM))
IN_AND_OUT = ((0, -2), (0.5, -2), (2, 25), (2.6, 25), (3.4, -2), (4, -2))


def axis_of(clip) -> Axis | None:
    changes = find_changes(clip.pictures, clip.time_s, mask=PLANE.mask, step_mm=STEP_MM)
    seen = find_axis(clip.pictures, changes, clip.time_s, depth_share=PLANE.depth_share, step_mm=STEP_MM)
    return None if seen is None else seen.fit()


def across_mm(axis: Axis, clip, frame: int, places_px: np.ndarray) -> np.ndarray:
    """Distance of true places of the shaft from the found one, measured on a dense sample of it."""
    found = axis.points(frame, np.arange(0, 40, 0.02))
    return np.hypot(*(found[:, None] - places_px).T).min(axis=1) * STEP_MM


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("angle_deg", [15, 30, 45, 60, 75])
def test_the_angle_is_found(drawn: Callable, angle_deg: float, side: str) -> None:
    clip = drawn(*IN_AND_OUT, angle_deg=angle_deg, side=side)

    axis = axis_of(clip)

    assert axis is not None
    deep = np.flatnonzero(clip.insertion_mm > 8)
    slopes = np.array([slope_deg(axis.chord(i, 0.0)) for i in deep])
    np.testing.assert_allclose(slopes, angle_deg, atol=0.5)
    assert max(across_mm(axis, clip, i, clip.tip_px[i : i + 1]).max() for i in deep) < 0.1
    inwards = 1 if side == "left" else -1
    assert (np.sign(axis.direction[deep, 0]) == inwards).all()
    assert (axis.direction[:, 1] > 0).all()
    np.testing.assert_allclose(np.hypot(*axis.direction.T), 1)


@pytest.mark.parametrize("angle_deg", [25, 45, 70])
def test_the_entry_lies_on_the_shaft_within_half_a_millimetre_of_the_edge(
    drawn: Callable, angle_deg: float
) -> None:
    """The rim of 0.5 mm, where drift brings black in, is left out of the search."""
    clip = drawn(*IN_AND_OUT, angle_deg=angle_deg)

    axis = axis_of(clip)

    assert axis is not None
    deep = np.flatnonzero(clip.insertion_mm > 8)
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    off = axis.entry[deep] - clip.entry_px
    assert np.abs(off @ np.array([-along[1], along[0]])).max() * STEP_MM < 0.25
    assert (axis.entry[deep, 0] * STEP_MM).max() <= 0.5


@pytest.mark.parametrize("bow_per_mm", [0.0006, -0.0006, 0.0012])
def test_a_bent_shaft_is_followed(drawn: Callable, bow_per_mm: float) -> None:
    """0.0006 per mm is a millimetre over 40 mm; at 25 mm 0.0012 leave the straight line by 0.75 mm."""
    clip = drawn(*IN_AND_OUT, bow_per_mm=bow_per_mm)

    axis = axis_of(clip)

    assert axis is not None
    turn = np.radians(clip.angle_deg)
    along, below = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    frame = int(np.nanargmax(clip.insertion_mm))
    s = np.linspace(2, 25, 12)[:, None]
    places_px = clip.entry_px + (s * along + bow_per_mm * s**2 * below) / STEP_MM
    assert across_mm(axis, clip, frame, places_px).max() < 0.15
    assert np.sign(axis.bow_per_mm[frame]) == np.sign(bow_per_mm)
    # An arc costs what it is unlikely to be, so a bend comes out too straight rather than too bent.
    assert 0.3 < axis.bow_per_mm[frame] / bow_per_mm < 1.1


def test_a_second_attempt_has_an_axis_of_its_own(drawn: Callable) -> None:
    first = drawn(*IN_AND_OUT, angle_deg=30)
    second = drawn(*IN_AND_OUT, angle_deg=55, side="right")
    pictures = [*first.pictures, *second.pictures]
    times = np.arange(len(pictures)) / 20
    changes = find_changes(pictures, times, mask=PLANE.mask, step_mm=STEP_MM)

    seen = find_axis(pictures, changes, times, depth_share=PLANE.depth_share, step_mm=STEP_MM)

    assert seen is not None
    axis = seen.fit()
    assert slope_deg(axis.chord(45, 0.0)) == pytest.approx(30, abs=0.5)
    assert slope_deg(axis.chord(81 + 45, 0.0)) == pytest.approx(55, abs=0.5)
    assert axis.direction[45, 0] > 0 > axis.direction[81 + 45, 0]


@pytest.mark.parametrize("seed", range(4))
def test_plain_speckle_has_no_axis(drawn: Callable, seed: int) -> None:
    assert axis_of(drawn((0, -2), (4, -2), seed=seed)) is None


def test_a_line_that_stays_has_no_axis(drawn: Callable) -> None:
    assert axis_of(drawn((0, 22), (4, 22))) is None


def test_what_comes_in_through_the_deep_part_of_a_side_is_no_needle(drawn: Callable) -> None:
    """A needle goes in beside the probe; 160 of 220 px down there is no way in."""
    assert axis_of(drawn(*IN_AND_OUT, angle_deg=12, entry_depth_px=160.0)) is None
    assert axis_of(drawn(*IN_AND_OUT, angle_deg=12, entry_depth_px=90.0)) is not None


class TestPoints:
    """Places along an axis, checked by hand."""

    AXIS = Axis(
        entry=np.array([[10.0, 20.0], [0.0, 0.0]]),
        direction=np.array([[0.6, 0.8], [-1.0, 0.0]]),
        bow_per_mm=np.array([0.0, 0.01]),
        step_mm=0.5,
    )

    def test_along_and_below(self) -> None:
        np.testing.assert_allclose(self.AXIS.points(0, 5.0), [16, 28])
        np.testing.assert_allclose(self.AXIS.points(0, 0.0, 1.0), [10 - 1.6, 20 + 1.2])
        np.testing.assert_allclose(self.AXIS.points(0, [0.0, 5.0]), [[10, 20], [16, 28]])

    def test_below_points_down_the_picture_on_either_side(self) -> None:
        assert (self.AXIS.below[:, 1] > 0).all()

    def test_an_arc_sinks_with_the_square_of_the_distance(self) -> None:
        np.testing.assert_allclose(self.AXIS.points(1, 10.0), [-20, 2])
        assert slope_deg(self.AXIS.chord(1, 10.0)) == pytest.approx(np.degrees(np.arctan(0.1)))
        assert slope_deg(self.AXIS.chord(0, 10.0)) == pytest.approx(53.1301, abs=1e-3)

    def test_reversed_runs_backwards_in_time(self) -> None:
        back = self.AXIS.reversed()
        np.testing.assert_array_equal(back.entry[0], self.AXIS.entry[1])
        np.testing.assert_array_equal(back.bow_per_mm, [0.01, 0])


def line_through(first: tuple[float, float], second: tuple[float, float]) -> Line:
    along = np.subtract(second, first)
    normal = np.array([-along[1], along[0]]) / np.hypot(*along)
    return Line(float(np.arctan2(normal[1], normal[0])), float(normal @ first), 10.0)


@pytest.mark.parametrize(
    ("first", "second", "wanted"),
    [
        ((0, 40), (100, 90), (0, 40)),
        ((239, 30), (139, 80), (239, 30)),
        ((60, 0), (80, 90), (60, 0)),
        ((100, 90), (0, 40), (0, 40)),
    ],
)
def test_a_line_enters_where_it_meets_the_edge_from_above(
    first: tuple[float, float], second: tuple[float, float], wanted: tuple[float, float]
) -> None:
    entry = line_entries([line_through(first, second)], PLANE.mask)[0]

    np.testing.assert_allclose(entry, wanted, atol=1.1)


def test_a_line_enters_a_sector_at_its_slanting_side() -> None:
    region = Region("sector", (0, 0, 240, 220), (120, -80), 90, 295, 30)
    mask = Plane(region, Scale.from_mm_per_px(STEP_MM)).mask
    turn = np.radians(30)
    side = np.array([120, -80]) + 180 * np.array([-np.sin(turn), np.cos(turn)])

    entry = line_entries([line_through(tuple(side), tuple(side + np.array([90, 50])))], mask)[0]

    np.testing.assert_allclose(entry, side, atol=1.5)


def test_a_line_beside_the_picture_has_no_entry() -> None:
    assert np.isnan(line_entries([line_through((-50, 0), (-10, 220))], PLANE.mask)).all()
