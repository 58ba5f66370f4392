import numpy as np
import pytest

from needlecoach.blockcheck.paths import ANGLES_DEG, Ground, Obstacle, obstacles_of, paths_to
from needlecoach.model import GasSpot, Region, Scale, Sound, Target

GROUND = Ground(Region("rectangle", (0, 0, 400, 400)), Scale.from_mm_per_px(0.1), None)
BALL = Target.from_ellipse((200.0, 200.0), (40.0, 40.0))


def box(left, top, right, bottom):
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom)], float)


def test_all_ways_of_clean_gel_are_clear_and_shallow_ones_come_first():
    ways = paths_to(BALL, [], GROUND)
    assert {(way.side, way.angle_deg) for way in ways} == {
        (side, angle) for side in ("left", "right") for angle in ANGLES_DEG
    }
    assert not any(way.blocked_by for way in ways)
    assert ways[0].angle_deg == 20
    assert ways[-1].angle_deg > 45


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("angle_deg", [20, 35, 60])
def test_a_way_lies_at_its_angle_and_ends_where_the_picture_does(side, angle_deg):
    (way,) = [one for one in paths_to(BALL, [], GROUND) if (one.side, one.angle_deg) == (side, angle_deg)]
    run = np.subtract(way.end_px, way.start_px)
    assert np.degrees(np.arctan2(run[1], abs(run[0]))) == pytest.approx(angle_deg, abs=0.1)
    assert way.end_px == BALL.centre_px
    # From the middle of a picture of 40 mm: to its side, or to its top where that is nearer.
    half = 20.0
    expected = min(half / np.cos(np.radians(angle_deg)), half / np.sin(np.radians(angle_deg)))
    assert way.length_mm == pytest.approx(expected, abs=0.4)


def test_a_way_below_the_probe_tells_how_far_to_slide_it():
    slides = {way.angle_deg: way.slide_mm for way in paths_to(BALL, [], GROUND) if way.side == "left"}
    assert slides[20] == slides[40] == 0
    # At 60 degrees it begins 20 / tan 60 = 11.5 mm beside the target, 8.5 mm within the probe's face.
    assert slides[60] == pytest.approx(20 - 20 / np.tan(np.radians(60)), abs=0.3)


def test_what_is_in_the_way_blocks_its_side_only():
    ways = paths_to(BALL, [Obstacle("gas", box(60, 60, 120, 200))], GROUND)
    blocked = {(way.side, way.angle_deg) for way in ways if way.blocked_by}
    assert ("left", 20) in blocked and ("left", 40) in blocked
    assert not any(side == "right" for side, _ in blocked)
    assert ways[0].side == "right"
    assert [bool(way.blocked_by) for way in ways] == sorted(bool(way.blocked_by) for way in ways)


def test_room_is_the_distance_to_the_nearest_obstacle():
    # A point-like obstacle 5 mm above the way at 20 degrees from the left, 10 mm before the target.
    turn = np.radians(20)
    at = (
        np.array([200, 200])
        + 100 * np.array([-np.cos(turn), -np.sin(turn)])
        + 50 * np.array([np.sin(turn), -np.cos(turn)])
    )
    speck = box(at[0] - 0.5, at[1] - 0.5, at[0] + 0.5, at[1] + 0.5)
    (way,) = [
        one
        for one in paths_to(BALL, [Obstacle("gas", speck)], GROUND)
        if (one.side, one.angle_deg) == ("left", 20)
    ]
    assert way.room_mm == pytest.approx(5.0, abs=0.15)


def test_gas_its_shadow_and_other_targets_are_obstacles():
    spot = GasSpot((50, 50), 2.0, 5.0, 20.0, 6.0, box(40, 45, 60, 55), box(40, 55, 60, 399))
    found = obstacles_of([spot], [("target tube", Target.from_ellipse((300.0, 120.0), (30.0, 30.0)))])
    assert [one.words.split(",")[0] for one in found] == ["gas", "a gas shadow", "target tube"]
    ways = paths_to(BALL, found, GROUND)
    assert "a gas shadow" in next(w for w in ways if (w.side, w.angle_deg) == ("left", 25)).blocked_by
    assert next(w for w in ways if (w.side, w.angle_deg) == ("right", 40)).blocked_by == "target tube"


def test_angles_are_true_where_the_speed_of_sound_is_known():
    # Shown depth is true depth * 1540 / c: a true 30 degrees in water of 20 degrees Celsius (1482.38 m/s,
    # Marczak 1997) shows as 30.956 degrees.
    ground = Ground(GROUND.region, GROUND.scale, Sound(1482.38, 1.0, "water"))
    (way,) = [one for one in paths_to(BALL, [], ground) if (one.side, one.angle_deg) == ("left", 30)]
    run = np.subtract(way.end_px, way.start_px)
    assert np.degrees(np.arctan2(run[1], run[0])) == pytest.approx(30.956, abs=0.01)
    assert way.end_px == pytest.approx(BALL.centre_px)
    assert ground.depth_mm(BALL) == pytest.approx(20 * 1482.38 / 1540)


def test_ways_stay_within_a_sector():
    region = Region("sector", (0, 0, 400, 400), (200.0, -200.0), 200.0, 590.0, 25.0)
    ground = Ground(region, GROUND.scale, None)
    for way in paths_to(BALL, [], ground):
        near = np.asarray(way.start_px) + 0.01 * np.subtract(way.end_px, way.start_px)
        assert region.contains(near)
