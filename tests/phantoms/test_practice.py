"""Ready-made scenes do what their names say."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.phantoms.beams import BeamGrid, Screen
from needlecoach.phantoms.motion import Choreography
from needlecoach.phantoms.practice import Side, Stop, aim_of, practice_scene, way
from needlecoach.phantoms.scene import Scene
from needlecoach.phantoms.truth import find_events, frame_truth


def events(scene: Scene) -> dict:
    """Events from the motion alone; every tip within 2 mm of the plane counts as seen."""
    grid = BeamGrid(scene.probe, scene.display)
    screen = Screen(grid)
    frames = []
    for number, moment in enumerate(Choreography(scene, grid, np.random.default_rng(1)).moments()):
        seen = moment.pose is not None and abs(moment.pose.tip_out_mm) < 2
        frames.append(
            frame_truth(
                number, moment, scene=scene, screen=screen, contrast_db=40.0 if seen else 0.0, grey=200.0
            )
        )
    return find_events(frames, fps=scene.fps)


@pytest.mark.parametrize("probe", ["linear", "curved"])
@pytest.mark.parametrize(
    ("kind", "hits", "passes", "strokes"),
    [
        ("hit", [True], [1], [0]),
        ("miss", [False], [1], [0]),
        ("redirect", [True], [2], [0]),
        ("blind", [True], [1], [0]),
        ("strokes", [True], [1], [3]),
        ("trail", [True], [1], [0]),
        ("two_attempts", [False, True], [1, 1], [0, 0]),
        ("none", [], [], []),
    ],
)
def test_a_kind_does_what_it_says(kind, probe, hits, passes, strokes) -> None:
    attempts = events(practice_scene(kind, probe=probe))["attempts"]

    assert [attempt["hit"] for attempt in attempts] == hits
    assert [attempt["n_passes"] for attempt in attempts] == passes
    assert [attempt["n_strokes"] for attempt in attempts] == strokes
    blind = sum(attempt["blind_advance_net_mm"] for attempt in attempts)
    assert blind > 5 if kind == "blind" else blind == 0


@pytest.mark.parametrize("probe", ["linear", "curved"])
@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("angle_deg", [10, 20, 35, 50, 65, 80])
def test_a_needle_comes_from_outside_and_reaches_the_target(probe, side, angle_deg) -> None:
    scene = practice_scene("hit", probe=probe, side=side, angle_deg=angle_deg, traps=True)
    grid = BeamGrid(scene.probe, scene.display)

    assert scene.target is not None
    assert not grid.inside(*scene.needle.entry_mm)
    step = np.subtract(scene.target.centre_mm, scene.needle.entry_mm)
    assert not grid.inside(*(scene.needle.entry_mm + 2.8 * step / np.hypot(*step)))
    assert grid.inside(*(scene.needle.entry_mm + 3.2 * step / np.hypot(*step)))
    assert grid.inside(*scene.target.centre_mm)
    assert (scene.needle.entry_mm[0] < scene.target.centre_mm[0]) == (side == "left")
    assert [attempt["hit"] for attempt in events(scene)["attempts"]] == [True]


def test_a_way_goes_from_stop_to_stop() -> None:
    stops = [Stop(-1, angle_deg=50), Stop(15, 0.5), Stop(5, tip_out_mm=2, entry_z_mm=1), Stop(5, 0, 40)]

    keys = way(stops, angle_deg=30, start_s=1.0, speed_mm_s=16)

    assert [key.time_s for key in keys] == pytest.approx([1.0, 2.0, 2.5, 3.125, 3.425])
    assert [key.insertion_mm for key in keys] == [-1, 15, 15, 5, 5]
    assert [key.angle_deg for key in keys] == [50, 50, 50, 50, 40]
    assert (keys[3].tip_out_mm, keys[3].entry_z_mm) == (2, 1)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_aim_of_a_scene_is_the_one_it_was_made_with(side: Side) -> None:
    scene = practice_scene("hit", side=side, angle_deg=25)
    aim = aim_of(scene)

    assert aim.angle_deg == pytest.approx(25)
    assert aim.side == side
    assert aim.reach_mm == pytest.approx(max(key.insertion_mm for key in scene.motion))


def test_without_a_target_there_is_no_aim() -> None:
    with pytest.raises(ValueError, match="no aim"):
        aim_of(replace(practice_scene("hit"), target=None))
