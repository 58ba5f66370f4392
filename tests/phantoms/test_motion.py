"""Paths of needle, target and gel that can be worked out by hand."""

import numpy as np
import pytest

from needlecoach.phantoms.beams import BeamGrid
from needlecoach.phantoms.motion import Choreography, Moment, shift_at
from needlecoach.phantoms.scene import Display, DriftKey, Key, NeedleLook, Probe, Scene, TargetBody

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
