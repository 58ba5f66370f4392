"""The tip's echo is placed to a fraction of a pixel on drawn spots: invented data."""

import numpy as np
import pytest

from needlecoach.tracking.axis import Axis
from needlecoach.tracking.spot import Spot, find_spot, place_doubts_mm, tip_places_mm

STEP_MM = 0.15
SIZE = (200, 160)
X, Y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
WIDTH_PX = 2.0


def axis_at(angle_deg: float) -> Axis:
    turn = np.radians(angle_deg)
    return Axis(
        entry=np.array([[5.0, 30.0]]),
        direction=np.array([[np.cos(turn), np.sin(turn)]]),
        bow_per_mm=np.zeros(1),
        step_mm=STEP_MM,
    )


def spot_at(place_px: np.ndarray, grey: float) -> np.ndarray:
    return grey * np.exp(-0.5 * ((X - place_px[0]) ** 2 + (Y - place_px[1]) ** 2) / WIDTH_PX**2)


def shaft(axis: Axis, upto_mm: float, grey: float) -> np.ndarray:
    """Even shaft that ends sharply at a place, blurred like the spots."""
    along, across = axis.direction[0], axis.below[0]
    s = ((X - axis.entry[0, 0]) * along[0] + (Y - axis.entry[0, 1]) * along[1]) * STEP_MM
    n = ((X - axis.entry[0, 0]) * across[0] + (Y - axis.entry[0, 1]) * across[1]) * STEP_MM
    width_mm = WIDTH_PX * STEP_MM
    fall = np.where(s < upto_mm, 1.0, np.exp(-0.5 * ((s - upto_mm) / width_mm) ** 2))
    return grey * fall * np.exp(-0.5 * (n / width_mm) ** 2)


def shown(picture: np.ndarray, noise: float = 0.0) -> np.ndarray:
    grains = np.random.default_rng(3).normal(0, noise, picture.shape) if noise else 0
    return np.clip(np.rint(picture + 40 + grains), 0, 255).astype(np.uint8)


def tip_mm(spot: Spot | None) -> float:
    return float(tip_places_mm([spot])[0])


@pytest.mark.parametrize("angle_deg", [15, 40, 72])
@pytest.mark.parametrize(("along_mm", "across_mm"), [(12.0, 0.0), (12.13, 0.2), (11.62, -0.31)])
@pytest.mark.parametrize("guess_mm", [11.5, 12.6])
def test_a_drawn_spot_is_found_to_a_twentieth_of_a_millimetre(
    angle_deg: float, along_mm: float, across_mm: float, guess_mm: float
) -> None:
    axis = axis_at(angle_deg)
    picture = shown(spot_at(axis.points(0, along_mm, across_mm), 180), noise=2)

    spot = find_spot(picture, axis, 0, guess_mm)

    assert spot is not None
    assert tip_mm(spot) == pytest.approx(along_mm, abs=0.05)
    assert spot.across_mm == pytest.approx(across_mm, abs=0.05)
    # The peak of 220 is smoothed by 0.12 mm before it is read.
    assert 185 < spot.grey < 225


def test_a_bright_tip_stands_out_at_the_end_of_a_shaft() -> None:
    axis = axis_at(35)
    tip = spot_at(axis.points(0, 12.0), 190)
    picture = shown(np.maximum(shaft(axis, 12.0, 120), tip))

    spot = find_spot(picture, axis, 0, 11.6)

    assert spot is not None
    assert (tip_mm(spot), spot.across_mm) == pytest.approx((12.0, 0.0), abs=0.06)


def test_of_two_bright_spots_the_outer_one_is_the_tip() -> None:
    axis = axis_at(35)
    both = np.maximum(spot_at(axis.points(0, 11.0), 190), spot_at(axis.points(0, 12.4), 175))

    spot = find_spot(shown(both), axis, 0, 12.0)

    assert spot is not None
    assert tip_mm(spot) == pytest.approx(12.4, abs=0.05)


def test_a_faint_echo_beyond_the_tip_is_passed_over() -> None:
    axis = axis_at(35)
    both = np.maximum(spot_at(axis.points(0, 11.6), 190), spot_at(axis.points(0, 12.7), 100))

    spot = find_spot(shown(both), axis, 0, 12.0)

    assert spot is not None
    assert tip_mm(spot) == pytest.approx(11.6, abs=0.05)


def test_an_even_shaft_ends_where_its_brightness_falls() -> None:
    """Without a peak of its own the tip lies where the line ends, whatever ripples there are behind it."""
    axis = axis_at(35)

    spot = find_spot(shown(shaft(axis, 12.0, 170)), axis, 0, 11.8)

    assert spot is not None
    assert tip_mm(spot) == pytest.approx(12.0, abs=0.06)
    assert spot.across_mm == pytest.approx(0, abs=0.06)


def test_the_half_width_is_learned_from_all_spots() -> None:
    """Fallen by half within 0.35 mm as the median spot is, a point has fallen by 3.6 dB within 0.271."""
    spots = [
        Spot(10.0, 0, 200, 0.3, 0.4),
        None,
        Spot(12.0, 0, 200, 0.4, 0.4),
        Spot(14.0, 0, 200, np.nan, 0.4),
    ]

    np.testing.assert_allclose(tip_places_mm(spots), [9.7289, np.nan, 11.7289, 13.7289], atol=1e-4)


@pytest.mark.parametrize("floor_grey", [0, 80, 110, 125])
def test_a_tip_on_a_bright_line_that_runs_on_is_where_it_stands_out(floor_grey: float) -> None:
    """Beyond the tip brightness falls no further than to the line, which darkens slowly by itself."""
    axis = axis_at(35)
    runs_on = shaft(axis, 30.0, floor_grey) * np.linspace(1.0, 0.9, SIZE[0])[None, :]
    picture = shown(np.maximum(spot_at(axis.points(0, 12.0), 160), runs_on))

    spot = find_spot(picture, axis, 0, 11.8)

    assert spot is not None
    assert tip_mm(spot) == pytest.approx(12.0, abs=0.15)


def test_a_slow_fall_leaves_the_place_in_doubt() -> None:
    """An even chance along 1.2 mm has a standard deviation of that by the root of 12."""
    spots = [Spot(10.0, 0, 200, 0.2, fall_mm) for fall_mm in (0.2, 0.15, 1.4)] + [None]

    np.testing.assert_allclose(place_doubts_mm(spots), [0, 0, 1.2 / 12**0.5, 0])


def test_a_flat_picture_has_no_spot() -> None:
    assert find_spot(shown(np.zeros(SIZE[::-1])), axis_at(35), 0, 12.0) is None


def test_a_shaft_that_runs_on_has_no_end() -> None:
    axis = axis_at(35)
    assert find_spot(shown(shaft(axis, 20.0, 170)), axis, 0, 12.0) is None


@pytest.mark.parametrize("along_mm", [12.0 - 1.6 - 1.2, 12.0 + 1.0 + 1.2])
def test_what_lies_outside_the_searched_stretch_is_not_taken(along_mm: float) -> None:
    axis = axis_at(35)
    spot = find_spot(shown(spot_at(axis.points(0, along_mm), 180)), axis, 0, 12.0)

    assert spot is None or spot.grey < 60


def test_an_echo_beyond_a_tip_that_is_well_known_is_left_out() -> None:
    """What rings after a steep needle's point lies beyond it, 35 greys darker."""
    axis = axis_at(70)
    tip, echo = spot_at(axis.points(0, 12.0), 180), spot_at(axis.points(0, 12.9), 145)
    picture = shown(np.maximum(np.maximum(shaft(axis, 12.0, 120), tip), echo))

    assert tip_mm(find_spot(picture, axis, 0, 12.0, 1.0)) == pytest.approx(12.9, abs=0.1)
    sure = find_spot(picture, axis, 0, 12.0, 0.1)
    assert sure is not None
    assert sure.grey > 185
