"""Where the needle's echoes fall, how bright they are, and what stays when it has gone."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.phantoms.beams import BeamGrid, PointSpread, Screen
from needlecoach.phantoms.motion import Pose
from needlecoach.phantoms.needle import NeedlePainter, slice_gain
from needlecoach.phantoms.practice import aim_at, practice_scene
from needlecoach.phantoms.scene import NeedleLook
from needlecoach.phantoms.simulate import Studio

LINEAR = Studio(practice_scene("none"), seed=0).grid
CURVED = Studio(practice_scene("none", probe="curved"), seed=0).grid


def pose_at(
    grid: BeamGrid, tip: tuple[float, float], angle_deg: float, side: str, out_mm: float = 0.0
) -> Pose:
    aim = aim_at(tip, grid, angle_deg=angle_deg, side="left" if side == "left" else "right")
    return Pose(aim.entry_mm, tip, angle_deg, aim.reach_mm, aim.reach_mm, out_mm, out_mm, True)


def painter(grid: BeamGrid, **look: float) -> NeedlePainter:
    return NeedlePainter(replace(NeedleLook(), **look), PointSpread(grid), np.random.default_rng(3))


@pytest.mark.parametrize("angle_deg", [10, 25, 40, 60, 80])
@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("grid", [LINEAR, CURVED], ids=["linear", "curved"])
def test_the_tip_is_drawn_where_the_truth_says(grid: BeamGrid, side: str, angle_deg: float) -> None:
    tip = (1.3, 19.7)
    drawn = np.abs(painter(grid, shaft_db=8).draw(pose_at(grid, tip, angle_deg, side)))

    at = np.unravel_index(drawn.argmax(), drawn.shape)
    x, z = (places[at] for places in grid.places_mm)
    # Beams of the curved grid lie further apart than pixels; half that distance is the best a sample can do.
    limit_px = max(1.0, 0.6 * float(grid.column_mm(19.7)) / grid.display.mm_per_px)
    assert np.hypot(*(Screen(grid).to_px(x, z) - Screen(grid).to_px(*tip))) <= limit_px


def test_copies_of_the_shaft_lie_below_it_at_the_wanted_spacing() -> None:
    brush = painter(LINEAR, roughness=0.0, copy_spacing_mm=1.4, n_copies=2, copy_fall_db=6, tip_db=-40)
    drawn = np.abs(brush.draw(pose_at(LINEAR, (8.0, 20.0), 20, "left")))

    column = drawn[:, int(LINEAR.index(-4.0, 0.0)[0])]
    peaks = [r for r in range(1, len(column) - 1) if column[r - 1] < column[r] >= column[r + 1]]
    rows = sorted(sorted(peaks, key=lambda r: -column[r])[:3])
    shaft_mm = 20 - 12 * np.tan(np.radians(20))
    np.testing.assert_allclose(LINEAR.depth_mm[rows], shaft_mm + 1.4 * np.arange(3), atol=0.2)
    np.testing.assert_allclose(np.diff(LINEAR.depth_mm[rows]), 1.4, atol=0.13)
    assert column[rows[0]] > column[rows[1]] > column[rows[2]]


def test_a_steeper_needle_is_dimmer() -> None:
    brush = painter(LINEAR, tip_db=-40, roughness=0.0)

    peaks = [
        np.abs(brush.draw(pose_at(LINEAR, (2.0, 22.0), angle, "left"))).max() for angle in (15, 35, 55, 75)
    ]

    # 0.32 dB for each degree, the scene's own law: 60 degrees make 19.2 dB. Gaps in the wall blur it.
    assert peaks == sorted(peaks, reverse=True)
    assert 20 * np.log10(peaks[0] / peaks[-1]) == pytest.approx(19.2, abs=4)


def test_brightness_falls_beside_the_plane() -> None:
    brush = painter(LINEAR)

    peaks = [
        np.abs(brush.draw(pose_at(LINEAR, (2.0, 22.0), 30, "left", out))).max()
        for out in (0.0, 1.0, 2.0, 4.0)
    ]

    assert peaks == sorted(peaks, reverse=True)
    assert peaks[-1] < 1e-3 * peaks[0]
    assert slice_gain(LINEAR, 0.0, 22.0) == 1.0


def test_the_shaft_is_broken_not_a_clean_line() -> None:
    pose = pose_at(LINEAR, (8.0, 20.0), 30, "left")

    def unevenness(roughness: float) -> float:
        drawn = np.abs(painter(LINEAR, roughness=roughness, n_copies=0, tip_db=-40).draw(pose))
        along = drawn.max(axis=0)[20:190]
        return float(along.std() / along.mean())

    assert unevenness(0.8) > 0.35
    assert unevenness(0.8) > unevenness(0.0)


def test_the_shadow_lies_below_the_shaft_only() -> None:
    gain = painter(LINEAR, shadow_db=3.0).shadow(pose_at(LINEAR, (8.0, 20.0), 30, "left"))

    column = int(LINEAR.index(0.0, 0.0)[0])
    shaft_row = int((20 - 8 * np.tan(np.radians(30))) / 0.12)
    assert (gain[: shaft_row - 2, column] == 1).all()
    assert 20 * np.log10(gain[shaft_row + 30, column]) == pytest.approx(-3.0, abs=0.05)
    assert (gain[:, int(LINEAR.index(12.0, 0.0)[0])] == 1).all()


def test_the_trail_stays_when_the_needle_has_gone() -> None:
    scene = replace(practice_scene("trail", angle_deg=30, trail_db=28), tremor_mm=0.0, drag_mm=0.0)
    studio = Studio(scene, seed=4)
    layers = [studio.layers(number) for number in range(scene.n_frames)]
    before, after = np.abs(layers[0].others), np.abs(layers[-1].others)

    assert layers[-1].moment.pose is None
    assert not layers[-1].needle.any()
    places = np.array(studio.trail.places)
    assert len(places) > 10
    column, row = (np.rint(values).astype(int) for values in studio.grid.index(*places.T))
    near = [np.s_[r - 3 : r + 4, c - 4 : c + 5] for r, c in zip(row, column, strict=True) if r > 20 and c > 8]
    peaks_before, peaks_after = ([picture[box].max() for box in near] for picture in (before, after))
    assert np.median(peaks_after) > 5 * np.median(peaks_before)


def test_bubbles_lie_on_the_needles_way_and_not_in_fluid() -> None:
    scene = replace(practice_scene("trail", angle_deg=30, trail_db=28), tremor_mm=0.0, drag_mm=0.0)
    studio = Studio(scene, seed=4)
    for number in range(scene.n_frames):
        studio.layers(number)

    places = np.array(studio.trail.places)
    offset = places - scene.needle.entry_mm
    across = -offset[:, 0] * np.sin(np.radians(30)) + offset[:, 1] * np.cos(np.radians(30))
    np.testing.assert_allclose(across, 0, atol=0.02)
    assert scene.target is not None
    assert np.hypot(*(places - scene.target.centre_mm).T).min() >= 3.5


def test_no_trail_when_none_is_wanted() -> None:
    studio = Studio(practice_scene("trail", trail_db=None), seed=4)
    for number in range(0, studio.scene.n_frames, 5):
        studio.layers(number)

    assert not studio.trail.samples.any()
