"""The followed target's own uncertainty, on invented maps of likeness and on drawn clips with truth."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.model import Scale, Target
from needlecoach.phantoms.practice import practice_scene
from needlecoach.phantoms.scene import DriftKey
from needlecoach.phantoms.simulate import simulate
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.target import BESIDE, TargetFollower, follow_alone
from needlecoach.tracking.target_doubt import LOST_MM, FollowingDoubt, tiles_sd_px


def ballots(places: np.ndarray) -> list[np.ndarray]:
    """Maps round (0, 0) of tiles whose own best places are given: parabolas."""
    y, x = np.mgrid[-1:2, -1:2]
    return [1 - 0.1 * ((x - px) ** 2 + (y - py) ** 2) for px, py in places]


def test_tiles_that_agree_leave_no_doubt():
    assert tiles_sd_px(ballots(np.tile([0.2, -0.3], (20, 1)))) == pytest.approx(0, abs=1e-9)


def test_tiles_that_scatter_leave_the_error_of_their_mean():
    """For equal parabolas the common peak is the mean of all places: its error is their spread by root n."""
    places = np.random.default_rng(3).normal(0, 0.2, (400, 2))
    assert tiles_sd_px(ballots(places)) == pytest.approx(0.2 / 20, rel=0.05)


def test_maps_without_a_peak_tell_nothing():
    assert tiles_sd_px([-one for one in ballots(np.zeros((5, 2)))]) == np.inf


def test_a_lost_target_is_less_and_less_sure_until_it_is_found():
    doubt, times = FollowingDoubt(0.15), np.arange(6) / 2
    doubt.voted(0.0, 0.05, 0.0, 1.0)
    for time_s in times[1:5]:
        doubt.held(time_s)
    doubt.voted(2.5, 0.05, 0.0, 1.0)
    sd_mm = doubt.between(times, times, np.zeros((6, 2)))
    assert (np.diff(sd_mm[:5]) > 0).all() and sd_mm[1] > LOST_MM
    assert sd_mm[5] == sd_mm[0] < 0.05


def test_a_jump_is_doubted_on_either_side():
    doubt, times = FollowingDoubt(0.1), np.arange(4) / 20
    for time_s in times:
        doubt.voted(time_s, 0.0, 0.0, 1.0)
    offsets = np.array([[0, 0], [0, 0], [6, 8], [6, 8]], dtype=float)
    sd_mm = doubt.between(times, times, offsets)
    assert sd_mm[1] == sd_mm[2] == pytest.approx(1.0, abs=0.01) and sd_mm[0] < 0.1 > sd_mm[3]


def followed(seed: int, **changes):
    """A drawn scene's followed target: sd and error along both axes, mm, frame by frame."""
    scene = replace(practice_scene("hit", traps=bool(seed % 2)), fps=10, **changes)
    drawn = list(simulate(scene, seed=seed))
    size = scene.display.mm_per_px
    truth = np.array([record.target_px for _, record in drawn])
    radii = tuple(axis / size for axis in scene.target.semi_axes_mm)
    plane = Plane(region_of(scene), Scale.from_mm_per_px(size))
    pictures = [(frame.time_s, plane.resample(frame.pixels)) for frame, _ in drawn]
    target = Target.from_ellipse(tuple(truth[0]), radii)
    follower = TargetFollower({i: pictures[i][1] for i in range(BESIDE + 1)}, target, plane)
    path = follow_alone(iter(pictures), plane, follower)
    return path.sd_mm, (path.centre_px - truth) * size


def region_of(scene):
    from needlecoach.phantoms.beams import BeamGrid, Screen

    return Screen(BeamGrid(scene.probe, scene.display)).region


def test_drawn_errors_lie_within_two_standard_uncertainties_as_often_as_they_should():
    """A push of 1.5 mm; a probe that drifts, turns and slides: seeds that nothing was fitted to.
    Scenes as short as these are kinder than most: a root mean square holds the sd from above too."""
    slide = (DriftKey(0), DriftKey(3, 0.8, -0.5, 0.3, 0.6), DriftKey(6, -0.4, 0.6, 0.6, -0.5))
    z = []
    for seed, changes in ((501, {"push_mm": 1.5}), (502, {"drift": slide})):
        sd_mm, error_mm = followed(seed, **changes)
        z.append(np.abs(error_mm[1:]) / sd_mm[1:, None])
    together = np.concatenate(z)
    assert (together < 2).mean() >= 0.92
    assert 0.4 <= np.sqrt((together**2).mean()) <= 1.3
