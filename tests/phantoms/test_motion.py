"""Paths of needle, target and gel that can be worked out by hand."""

import numpy as np
import pytest

from needlecoach.phantoms.beams import BeamGrid
from needlecoach.phantoms.motion import Choreography, Moment, shift_at
from needlecoach.phantoms.scene import (
    Display,
    DriftKey,
    Freeze,
    GainStep,
    Key,
    NeedleLook,
    Probe,
    Scene,
    TargetBody,
)

PROBE, DISPLAY = Probe(depth_mm=36, width_mm=36), Display(420, 400, 0.12, (205, 50))


def moments(**options: object) -> list[Moment]:
    keys = (Key(0.0, 0.0, 30.0), Key(2.0, 30.0, 30.0), Key(4.0, 30.0, 30.0))
    given: dict = {
        "needle": NeedleLook((-20.0, 2.0)),
        "motion": keys,
        "tremor_mm": 0.0,
        "fps": 100.0,
    } | options
    scene = Scene(4.0, probe=PROBE, display=DISPLAY, **given)
    return Choreography(scene, BeamGrid(PROBE, DISPLAY), np.random.default_rng(0)).moments()


def test_the_tip_lies_along_the_axis() -> None:
    pose = moments()[100].pose

    assert pose is not None
    assert pose.depth_mm == pytest.approx(15.0)
    expected = (-20 + 15 * np.cos(np.radians(30)), 2 + 15 * np.sin(np.radians(30)))
    assert pose.tip_mm == pytest.approx(expected)


def test_the_right_side_is_the_mirror_of_the_left() -> None:
    pose = moments(needle=NeedleLook((20.0, 2.0), "right"))[100].pose

    assert pose is not None
    assert pose.tip_mm == pytest.approx((20 - 15 * np.cos(np.radians(30)), 9.5))


def test_the_needle_moves_with_minimum_jerk() -> None:
    depth = np.array([moment.pose.depth_mm if moment.pose else 0.0 for moment in moments()])

    # Peak speed of a minimum-jerk movement is 1.875 A / T (by calculation).
    assert np.diff(depth).max() * 100 == pytest.approx(1.875 * 30 / 2, rel=0.001)


def test_tremor_shakes_the_tip_by_as_much_as_asked() -> None:
    still = [moment.pose.depth_mm for moment in moments(tremor_mm=0.2)[200:] if moment.pose]

    assert np.std(still) == pytest.approx(0.2, rel=0.35)


def test_drift_moves_needle_target_and_gel_alike() -> None:
    target = TargetBody((5.0, 20.0), (3.0, 3.0))
    at_rest = moments(target=target, drag_mm=0.0)[300]
    moved = moments(target=target, drag_mm=0.0, drift=(DriftKey(0.0, 1.5, -0.5),))[300]

    assert at_rest.pose and moved.pose and at_rest.target_mm and moved.target_mm
    assert np.subtract(moved.pose.tip_mm, at_rest.pose.tip_mm) == pytest.approx((1.5, -0.5))
    assert np.subtract(moved.target_mm, at_rest.target_mm) == pytest.approx((1.5, -0.5))
    assert shift_at(moved, 0.0, 10.0) == (pytest.approx(1.5), pytest.approx(-0.5))


def test_the_needle_pushes_the_target_ahead_of_it() -> None:
    turn = np.radians(30)
    centre = (-20 + 30 * np.cos(turn), 2 + 30 * np.sin(turn))
    course = moments(target=TargetBody(centre, (4.0, 4.0)), push_mm=1.0)

    pushed = np.array([np.subtract(moment.target_mm, centre) for moment in course])
    amount = np.hypot(*pushed.T)
    assert amount[0] == 0
    assert amount.max() == pytest.approx(1.0, abs=0.05)
    assert 0.3 < amount[-1] < 0.5
    at = int(amount.argmax())
    assert np.arctan2(pushed[at, 1], pushed[at, 0]) == pytest.approx(turn, abs=0.01)


def test_gel_at_the_tip_sticks_to_the_needle_and_slips() -> None:
    moment = moments(drag_mm=0.3)[100]

    assert moment.pose is not None
    dx, dz = shift_at(moment, *moment.pose.tip_mm)
    assert np.hypot(dx, dz) == pytest.approx(0.3)
    assert shift_at(moment, 15.0, 30.0)[0] == pytest.approx(0.0, abs=1e-3)


def test_keys_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="must rise"):
        Scene(motion=(Key(1.0, 0, 30), Key(1.0, 5, 30)))


def test_a_rock_turns_needle_target_and_gel_about_the_middle_of_the_face() -> None:
    target = TargetBody((0.0, 20.0), (3.0, 3.0))
    rock = (DriftKey(0.0, turn_deg=30.0),)
    at_rest, turned = (moments(target=target, drag_mm=0.0, drift=drift)[300] for drift in ((), rock))

    assert at_rest.pose and turned.pose
    assert turned.target_mm == pytest.approx((-10.0, 20 * np.sqrt(0.75)))
    assert turned.pose.angle_deg == pytest.approx(60.0)
    assert np.hypot(*turned.pose.tip_mm) == pytest.approx(np.hypot(*at_rest.pose.tip_mm))
    # What is seen at the turned place lay at the place at rest.
    dx, dz = shift_at(turned, *turned.pose.tip_mm)
    assert turned.pose.tip_mm[0] - dx == pytest.approx(at_rest.pose.tip_mm[0])
    assert turned.pose.tip_mm[1] - dz == pytest.approx(at_rest.pose.tip_mm[1])


def test_a_rock_makes_a_needle_from_the_right_flatter() -> None:
    pose = moments(needle=NeedleLook((20.0, 2.0), "right"), drift=(DriftKey(0.0, turn_deg=10.0),))[300].pose

    assert pose is not None
    assert pose.angle_deg == pytest.approx(20.0)


def test_a_tilt_leaves_what_lies_deep_beside_the_plane() -> None:
    at_rest, tilted = (moments(drift=drift)[300].pose for drift in ((), (DriftKey(0.0, fan_deg=5.0),)))

    assert at_rest and tilted
    assert tilted.tip_mm == at_rest.tip_mm
    assert tilted.tip_out_mm == pytest.approx(17.0 * np.tan(np.radians(5)))
    assert tilted.entry_out_mm == pytest.approx(2.0 * np.tan(np.radians(5)))


def test_tremor_of_one_rate_comes_back_with_it() -> None:
    still = [moment.pose.depth_mm for moment in moments(tremor_mm=0.2, tremor_hz=8.0)[200:] if moment.pose]
    level = np.abs(np.fft.rfft(np.array(still) - np.mean(still))) * 2 / len(still)

    assert len(still) == 200
    assert level.argmax() / 2.0 == pytest.approx(8.0)
    assert level.max() == pytest.approx(0.2 * np.sqrt(2), rel=0.01)


def test_the_place_of_entry_can_be_moved() -> None:
    keys = (Key(0.0, 10.0, 30.0, entry_x_mm=1.0), Key(2.0, 10.0, 30.0, entry_x_mm=1.0, entry_z_mm=4.0))
    still, moved = moments(motion=keys[:1])[0].pose, moments(motion=keys)[300].pose

    assert still and moved
    assert still.entry_mm == pytest.approx((-19.0, 2.0))
    assert np.subtract(moved.tip_mm, still.tip_mm) == pytest.approx((0.0, 4.0))


def test_the_gain_holds_from_each_step_to_the_next() -> None:
    shown = moments(gain=(GainStep(1.0, 6.0), GainStep(2.0, -3.0)))

    assert [shown[number].gain_db for number in (0, 99, 100, 199, 200, 399)] == [0, 0, 6, 6, -3, -3]


def test_steps_of_gain_must_come_in_order() -> None:
    with pytest.raises(ValueError, match="must rise"):
        moments(gain=(GainStep(2.0, 6.0), GainStep(1.0, 0.0)))


def test_a_frozen_picture_keeps_its_moment() -> None:
    shown = moments(freezes=(Freeze(0.5, 0.8),))

    assert [moment.time_s for moment in shown[48:52]] == pytest.approx([0.48, 0.49, 0.5, 0.5])
    assert {moment.time_s for moment in shown[50:80]} == {0.5}
    assert shown[80].time_s == pytest.approx(0.8)
    assert shown[79].pose == shown[50].pose != shown[80].pose


@pytest.mark.parametrize(("refresh_hz", "times"), [(50.0, 200), (30.0, 120), (13.0, 52)])
def test_pictures_stay_until_the_scanner_shows_the_next(refresh_hz: float, times: int) -> None:
    shown = [moment.time_s for moment in moments(refresh_hz=refresh_hz)]

    assert len(set(shown)) == times
    age_s = np.arange(400) / 100 - shown
    assert age_s.min() > -1e-4
    assert age_s.max() < 1 / refresh_hz
