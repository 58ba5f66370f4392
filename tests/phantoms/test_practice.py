"""Ready-made scenes do what their names say."""

import numpy as np
import pytest

from needlecoach.phantoms.beams import BeamGrid, Screen
from needlecoach.phantoms.motion import Choreography
from needlecoach.phantoms.practice import practice_scene
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
