"""The speed of sound against published values; corrections against geometry done by hand."""

import numpy as np
import pytest

from needlecoach.errors import MarksError
from needlecoach.model import ASSUMED_M_S, CoreSample, Medium, Region, Scale, Sound, Strip, Target, Track
from needlecoach.scoring import score_track
from needlecoach.screen.sound import (
    GEL_M_S,
    shown_core,
    sound_in,
    true_points_px,
    true_region,
    true_strip,
    true_target,
    true_track,
    water_m_s,
    with_sound,
)

FLAT = Region("rectangle", (100, 40, 400, 420))
ROUND = Region("sector", (50, 60, 700, 400), (400.0, -120.0), 220.0, 580.0, 37.0)
SCALE = Scale.from_mm_per_px(0.1)
# Speeds at which true depths of 40 mm and true angles of 30 degrees are worked out below.
DEL_GROSSO_20_C, ROUND_SPEED = 1482.34, 1500.0


@pytest.mark.parametrize(
    ("temperature_c", "speed_m_s"),
    [(10, 1447.289), (20, 1482.380), (25, 1496.728), (37, 1523.653), (50, 1542.565), (74.174, 1555.140)],
)
def test_water_to_the_printed_digits(temperature_c: float, speed_m_s: float) -> None:
    """Calculated from the coefficients of Marczak, J Acoust Soc Am 1997;102:2776."""
    assert round(water_m_s(temperature_c), 3) == speed_m_s


def test_water_is_fastest_at_74_degrees() -> None:
    """Maximum of Marczak's polynomial."""
    at = np.arange(73.0, 75.0, 0.001)
    assert at[np.argmax([water_m_s(t) for t in at])] == pytest.approx(74.174, abs=0.0011)


@pytest.mark.parametrize(("temperature_c", "speed_m_s"), [(20, 1482.34), (25, 1496.69)])
def test_water_agrees_with_an_older_measurement(temperature_c: float, speed_m_s: float) -> None:
    """Del Grosso & Mader, J Acoust Soc Am 1972;52:1442; values from memory."""
    assert water_m_s(temperature_c) == pytest.approx(speed_m_s, abs=0.05)


def custom(speed_m_s: float) -> Sound:
    return sound_in(Medium("custom", speed_m_s=speed_m_s))


@pytest.mark.parametrize(("speed_m_s", "shown_mm"), [(DEL_GROSSO_20_C, 41.556), (ROUND_SPEED, 41.067)])
def test_forty_millimetres(speed_m_s: float, shown_mm: float) -> None:
    """Calculated: 40 mm x 1540 / c; 41.556 belongs to the older value for water of 20 degrees Celsius."""
    sound = custom(speed_m_s)
    assert round(40 / sound.stretch, 3) == shown_mm
    true = true_points_px((300.0, 40 + shown_mm / 0.1), FLAT, sound)
    np.testing.assert_allclose(true, (300.0, 440.0), atol=0.005)


def test_forty_millimetres_in_water_of_20_degrees_by_both_sources() -> None:
    """Marczak's water is 0.04 m/s faster than the older value: a thousandth of a millimetre."""
    sound = sound_in(Medium("water", temperature_c=20))
    assert 40 / sound.stretch == pytest.approx(41.556, abs=0.0015)


def straight_down_track(region: Region, angle_deg: float, tip_px: np.ndarray, entry_px: np.ndarray) -> Track:
    n = len(tip_px)
    return Track(
        time_s=np.arange(n) / 25,
        needle_present=np.ones(n, bool),
        tip_px=tip_px,
        tip_visible=np.ones(n, bool),
        tip_sd_mm=np.full(n, 0.1),
        entry_px=entry_px,
        angle_deg=np.full(n, angle_deg),
        shaft_visible_share=np.ones(n),
        target_px=np.tile([300.0, 240.0], (n, 1)),
        target_found=np.ones(n, bool),
        trail_end_px=np.full((n, 2), np.nan),
    )


@pytest.mark.parametrize("side", [-1, 1])
def test_a_needle_of_30_degrees(side: int) -> None:
    """Calculated: tan shown = tan 30 x 1540 / c; 30.956 belongs to 1482.34 m/s."""
    shown_deg = 30.956
    tip = np.array([[300.0, 240.0], [300.0, 240.0], [np.nan, np.nan]])
    run = 150.0 / np.tan(np.radians(shown_deg))
    entry = np.array([[300 - side * run, 90.0], [np.nan, np.nan], [300 - side * run, 90.0]])
    track = straight_down_track(FLAT, shown_deg, tip, entry)

    true = true_track(track, FLAT, SCALE, custom(DEL_GROSSO_20_C))

    np.testing.assert_allclose(true.angle_deg, 30.0, atol=0.0006)
    np.testing.assert_array_equal(true.tip_sd_mm, track.tip_sd_mm)
    assert true.tip_px[0] == pytest.approx((300.0, 40 + 200 * DEL_GROSSO_20_C / 1540))


def test_a_sector_is_corrected_along_its_beams() -> None:
    """By hand: distance from the face shrinks, the beam stays; what lies on the face does not move."""
    sound = custom(1386.0)  # nine tenths of 1540
    beam = np.array([np.sin(np.radians(30)), np.cos(np.radians(30))])
    apex = np.array(ROUND.apex_px)

    for depth_px in (0.0, 100.0, 300.0):
        true = true_points_px(apex + (220 + depth_px) * beam, ROUND, sound)
        np.testing.assert_allclose(true, apex + (220 + 0.9 * depth_px) * beam)
    assert np.isnan(true_points_px((np.nan, np.nan), ROUND, sound)).all()
    np.testing.assert_array_equal(true_points_px(apex, ROUND, sound), apex)


def test_a_shaft_in_a_sector_has_the_angle_of_its_true_ends() -> None:
    sound = custom(1386.0)
    entry, tip = np.array([[250.0, 150.0]]), np.array([[420.0, 330.0]])
    angle = float(np.degrees(np.arctan2(180, 170)))
    true = true_track(straight_down_track(ROUND, angle, tip, entry), ROUND, SCALE, sound)

    way = (true_points_px(tip, ROUND, sound) - true_points_px(entry, ROUND, sound))[0]
    assert true.angle_deg[0] == pytest.approx(np.degrees(np.arctan2(way[1], way[0])), abs=1e-6)
    assert abs(true.angle_deg[0] - angle) > 1


def test_a_target_is_flattened_in_depth_only() -> None:
    target = Target.from_ellipse((300.0, 240.0), (40.0, 40.0))
    true = true_target(target, FLAT, custom(1386.0))

    np.testing.assert_allclose(np.ptp(true.outline_px, axis=0), (80.0, 72.0), atol=0.02)
    assert true.centre_px == pytest.approx((300.0, 40 + 200 * 0.9))


def test_1540_changes_nothing() -> None:
    points = np.array([[300.0, 200.0], [420.0, 330.0]])
    for region in (FLAT, ROUND):
        np.testing.assert_allclose(true_points_px(points, region, custom(ASSUMED_M_S)), points)


def test_distances_shrink_along_the_beam_and_carry_the_speeds_uncertainty() -> None:
    """Tip 10 mm straight above, then 10 mm beside the target's centre, as shown: 9 and 10 mm true."""
    sound = Sound(1386.0, 13.86, "invented")
    target = Target.from_ellipse((300.0, 240.0), (20.0, 20.0))
    tip = np.repeat([[300.0, 140.0], [400.0, 240.0]], 40, axis=0)
    track = straight_down_track(FLAT, 45.0, tip, tip - 60)
    scoring = score_track(
        true_track(track, FLAT, SCALE, sound),
        scale=with_sound(SCALE, sound),
        target=true_target(target, FLAT, sound),
        region=FLAT,
    )

    np.testing.assert_allclose(scoring.distances["centre_distance_mm"][[0, 79]], (9.0, 10.0), atol=1e-6)
    figures = scoring.attempts[0].figures
    assert figures["scale_sd_share"].value == pytest.approx(0.01)
    assert figures["scale_source"].value == "stated mm per px; depth by 1386.0 m/s (invented)"
    # Tip, marking (0.1 mm for a pixel) and one per cent of the distance.
    wanted = np.sqrt(0.1**2 / 2 + 0.1**2 + (0.01 * figures["closest_edge_mm"].value) ** 2)
    assert figures["closest_edge_mm"].sd == pytest.approx(wanted, rel=0.02)


@pytest.mark.parametrize("region", [FLAT, ROUND])
def test_places_of_a_core_sample_go_back_to_where_they_are_shown(region: Region) -> None:
    sound = custom(1482.4)
    shown = np.array(
        [[200.0, 150.0], [260.0, 200.0], [300.0, 240.0], [330.0, 260.0], [280.0, 220.0], [290.0, 225.0]]
    )
    x = [(float(x), float(y)) for x, y in true_points_px(shown, region, sound)]
    true = CoreSample(3, None, "", (x[0], x[1]), x[2], (x[3], x[4]), x[5])
    back = shown_core(true, region, sound)

    assert back.fired_tip_px is not None and back.fired_notch_px is not None
    places = [*back.notch_px, back.fired_tip_px, *back.fired_notch_px, back.best_tip_px]
    np.testing.assert_allclose(places, shown)
    unfired = CoreSample(3, None, "", (x[0], x[1]))
    assert shown_core(unfired, region, sound).best_tip_px is None


@pytest.mark.parametrize("region", [FLAT, ROUND])
def test_the_far_edge_is_nearer_where_sound_is_slower(region: Region) -> None:
    sound = custom(1386.0)  # nine tenths of 1540
    true = true_region(region, sound)

    assert true.depth_range_px == pytest.approx(0.9 * region.depth_range_px, abs=0.5)
    ends = np.array([[300.0, 240.0], [np.nan, np.nan]])
    strip = true_strip(Strip(np.zeros((2, 5), np.uint8), 0.1, ends, ends), region, sound)
    np.testing.assert_allclose(strip.start_px, true_points_px(ends, region, sound))
    np.testing.assert_allclose(strip.end_px, true_points_px(ends, region, sound))
    assert strip.step_mm == 0.1


def test_gel_is_slower_when_cold_and_says_that_its_range_has_no_source() -> None:
    """Range 1490 to 1520 m/s from memory; the change with temperature is water's (Marczak)."""
    room, cold = sound_in(Medium("gel")), sound_in(Medium("gel", temperature_c=6.0))

    assert room.speed_m_s == GEL_M_S == 1505
    assert room.sd_m_s == pytest.approx((1520 - 1490) / np.sqrt(12))
    assert room.speed_m_s - cold.speed_m_s == pytest.approx(water_m_s(22) - water_m_s(6))
    assert cold.sd_m_s > room.sd_m_s
    assert "from memory" in room.source and "changed as water" in cold.source


def test_one_degree_of_water_is_its_uncertainty() -> None:
    sound = sound_in(Medium("water", temperature_c=20.0))
    assert sound.sd_m_s == pytest.approx((water_m_s(21) - water_m_s(19)) / 2, rel=0.01)
    assert "Marczak 1997" in sound.source


@pytest.mark.parametrize(
    ("medium", "said"),
    [
        ({"kind": "water"}, "water needs its temperature"),
        ({"kind": "water", "temperature_c": 95.1}, "from 0 to 95 degrees Celsius, got 95.1"),
        ({"kind": "water", "temperature_c": -1}, "got -1"),
        ({"kind": "water", "temperature_c": float("nan")}, "got nan"),
        ({"kind": "gel", "temperature_c": 60}, "from 0 to 40 degrees Celsius, got 60"),
        ({"kind": "gel", "speed_m_s": 1500}, "gel has its own speed"),
        ({"kind": "custom"}, "custom needs its speed"),
        ({"kind": "custom", "speed_m_s": 1500, "temperature_c": 20}, "says nothing beside"),
        ({"kind": "custom", "speed_m_s": 0}, "from 900 to 2500 m/s, got 0"),
        ({"kind": "custom", "speed_m_s": float("inf")}, "got inf"),
        ({"kind": "custom", "speed_m_s": float("nan")}, "got nan"),
    ],
)
def test_impossible_media_are_refused(medium: dict, said: str) -> None:
    with pytest.raises(MarksError, match=said):
        Medium(**medium)


def test_a_strip_lies_where_its_ends_are() -> None:
    """At nine tenths of 1540 m/s a place 100 px below the face lies 90 px below it."""
    x, y = FLAT.box_px[:2]
    ends = [np.array([[x + 10.0, y + deep], [np.nan, np.nan]]) for deep in (0.0, 100.0)]
    strip = Strip(np.arange(20, dtype=np.uint8).reshape(2, 10), 0.25, *ends)
    true = true_strip(strip, FLAT, Sound(1386.0, 13.86, "invented"))

    np.testing.assert_allclose(true.start_px[0], (x + 10, y))
    np.testing.assert_allclose(true.end_px[0], (x + 10, y + 90))
    assert np.isnan(true.end_px[1]).all()
    np.testing.assert_array_equal(true.grey, strip.grey)
