"""A throw is followed where a spring may throw, on invented evidence whose truth is known."""

import numpy as np
import pytest

from needlecoach.model import Core, Scale
from needlecoach.phantoms.beams import BeamGrid, Screen
from needlecoach.phantoms.core import Part
from needlecoach.phantoms.practice import Side, core_scene
from needlecoach.phantoms.simulate import simulate
from needlecoach.tracking.doubt import spread_mm
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.throw import (
    farthest_throw_mm,
    not_foreboded,
    rounds,
    sheath_moves,
    surely_timed,
    thrown_at,
)
from needlecoach.tracking.tip import TipPath, follow_tip
from needlecoach.tracking.track import track_clip
from tests.tracking.test_tip import PLACES_MM, clock, evidence, moving_of, path_of

FIRED_S = 2.0


def thrown(fps: float, took_s: float = 0.04) -> tuple[np.ndarray, np.ndarray]:
    """Times and places of a tip thrown by 22 mm from 12 mm on."""
    time_s = clock(5.0, fps=fps)
    stops = ((0, -2), (1, 12), (FIRED_S - took_s, 12), (FIRED_S, 34), (3, 34), (4.5, -2))
    return time_s, path_of(time_s, *stops)


@pytest.mark.parametrize("fps", [25.0, 50.0])
def test_a_throw_is_followed_within_a_frame(fps: float) -> None:
    time_s, truth_mm = thrown(fps)
    path = follow_tip(evidence(truth_mm), moving_of(truth_mm, time_s), time_s, thrown_mm=25.0)
    off = np.abs(path.position_mm - truth_mm)
    near = np.abs(time_s - FIRED_S) < 0.5

    assert (off[near] > 0.5).sum() <= 1
    (throw,) = thrown_at(path, time_s)
    assert abs(throw[1] - np.argmax(time_s >= FIRED_S - 1e-6)) <= 1


def test_a_needle_without_a_spring_makes_the_way_at_a_hands_speed() -> None:
    time_s, truth_mm = thrown(25.0)
    path = follow_tip(evidence(truth_mm), moving_of(truth_mm, time_s), time_s)

    # 22 mm at 3.2 mm from picture to picture, but for what the sides of the evidence let through.
    assert (np.abs(path.position_mm - truth_mm)[np.abs(time_s - FIRED_S) < 0.5] > 1.0).sum() >= 4


def test_nothing_is_thrown_back() -> None:
    time_s = clock(4.0, fps=25.0)
    truth_mm = path_of(time_s, (0, -2), (1, 34), (2, 34), (2.04, 12), (3, 12), (3.8, -2))
    path = follow_tip(evidence(truth_mm), moving_of(truth_mm, time_s), time_s, thrown_mm=25.0)

    assert np.nanmin(np.diff(path.position_mm)) > -(80 / 25 + 1.0)


def test_how_far_a_needle_may_be_thrown() -> None:
    assert farthest_throw_mm(None) == 0
    # What is given may be wrong, so it only widens what is let through.
    assert farthest_throw_mm(Core(5, 10, 12)) == farthest_throw_mm(Core(5, 18)) == 35
    assert farthest_throw_mm(Core(5, 18, 40)) == 43


def plain(position_mm: np.ndarray, sd_mm: np.ndarray | float = 0.1) -> TipPath:
    return TipPath(position_mm, np.broadcast_to(sd_mm, position_mm.shape), np.ones(len(position_mm)))


def test_motion_does_not_run_ahead_of_a_throw() -> None:
    time_s, truth_mm = thrown(25.0)
    path = plain(truth_mm)
    ahead = plain(np.where((time_s > 1.5) & (time_s < FIRED_S), 34.0, truth_mm))
    settled = not_foreboded(ahead, path, thrown_at(path, time_s), time_s)

    before = (time_s > 1.5) & (time_s < FIRED_S - 0.04)
    np.testing.assert_array_equal(settled.position_mm[before], truth_mm[before])
    np.testing.assert_array_equal(not_foreboded(ahead, path, (), time_s).position_mm, ahead.position_mm)


def test_frames_on_both_sides_of_a_throw_tell_nothing_of_each_other() -> None:
    number = rounds(8, ((2, 4),))
    path = plain(np.arange(8.0), np.array([0.1, 0.1, 0.1, 5.0, 0.1, 0.1, 0.1, 0.1]))
    seen, time_s = np.ones(8, dtype=bool), np.arange(8) / 25

    assert number.tolist() == [0, 0, 0, 1, 2, 2, 2, 2]
    assert (spread_mm(path, seen, time_s)[1:7] > 4).all()
    assert np.flatnonzero(spread_mm(path, seen, time_s, number) > 4).tolist() == [3]


def test_a_point_seen_at_rest_has_not_been_thrown_yet() -> None:
    """Spreads as the posterior has them beside a throw: the other end of it counts a few per cent."""
    place_mm = np.array([12.0, 12.1, 11.9, 12.0, 28.0, 34.0, 34.1, 33.9, 34.0])
    path = plain(place_mm, np.array([0.1, 0.1, 0.1, 2.4, 1.1, 0.5, 0.1, 0.1, 0.1]))
    seen = np.ones(9, dtype=bool)
    settled = surely_timed(path, place_mm, ((3, 5),), seen)

    # In flight it is nowhere in particular.
    np.testing.assert_allclose(settled.sd_mm, [0.1, 0.1, 0.1, 0.1, 1.1, 0.1, 0.1, 0.1, 0.1])
    np.testing.assert_array_equal(settled.position_mm, place_mm)
    unseen = surely_timed(path, place_mm, ((3, 5),), seen & (np.arange(9) != 3))
    elsewhere = surely_timed(path, np.where(np.arange(9) == 3, 14.0, place_mm), ((3, 5),), seen)
    assert unseen.sd_mm[3] == elsewhere.sd_mm[3] == 2.4


@pytest.mark.parametrize(("front_mm", "found"), [(25.0, True), (34.0, False)])
def test_what_brightens_behind_a_point_that_stays_is_a_sheath(front_mm: float, found: bool) -> None:
    """From 12 mm to 25 mm, short of a point at 30; or to beyond that point."""
    time_s = clock(3.0, fps=25.0)
    grey = np.full((len(time_s), len(PLACES_MM)), 100.0, dtype=np.float32)
    part = (PLACES_MM > 12) & (front_mm > PLACES_MM)
    grey[50:, part] += 40
    moving, stirring = np.zeros(grey.shape), np.zeros(len(time_s))
    moving[48:52, part], stirring[48:52] = 0.5, 1.0
    path = plain(np.full(len(time_s), 30.0))

    assert np.flatnonzero(sheath_moves(path, moving, stirring, grey, time_s)).tolist() == (
        [48, 49, 50, 51] if found else []
    )


@pytest.mark.parametrize(("part", "side", "fps"), [("tip", "left", 25.0), ("sheath", "right", 25.0)])
def test_a_drawn_firing_is_followed(part: Part, side: Side, fps: float) -> None:
    scene = core_scene(part, side=side, fps=fps)
    region = Screen(BeamGrid(scene.probe, scene.display)).region
    plane = Plane(region, Scale.from_mm_per_px(scene.display.mm_per_px))
    frames = list(simulate(scene, seed=11))
    pictures = [(frame.time_s, plane.resample(frame.pixels)) for frame, _ in frames]
    track = track_clip(pictures, plane, None, thrown_mm=25.0).track
    assert scene.shot is not None
    fired = scene.shot.first_after(fps)
    near = slice(fired - 8, fired + 9)
    truth = np.array([truth.tip_px for _, truth in frames[near]], dtype=float)
    off_mm = np.hypot(*(track.tip_px[near] - truth).T) * scene.display.mm_per_px

    assert (off_mm > 0.5).sum() <= 1
    assert track.tip_visible[near].all()
    # The frames just before it, too, though the way to the other end of the throw is in their spread.
    assert track.tip_sd_mm[fired - 8 : fired - 2].max() < 0.5
