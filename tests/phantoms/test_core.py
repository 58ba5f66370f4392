"""A core needle's notch, sheath and firing: exact, before and after it is drawn."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.phantoms.core import Notch, Part, Shot, bare_mm, length_inside_mm
from needlecoach.phantoms.practice import Side, core_scene
from needlecoach.phantoms.simulate import Studio, marks_record, simulate, truth_record


def test_the_notch_lies_behind_the_point() -> None:
    near, far = Notch(5, 18).ends_mm((30.0, 40.0), (0.6, 0.8))

    assert near == pytest.approx((30 - 23 * 0.6, 40 - 23 * 0.8))
    assert far == pytest.approx((30 - 5 * 0.6, 40 - 5 * 0.8))


@pytest.mark.parametrize(
    ("ends", "inside_mm"),
    [
        # A chord through the middle along either axis, one inside throughout, one that misses, one half in.
        (((-10, 0), (10, 0)), 8.0),
        (((0, -10), (0, 10)), 6.0),
        (((-1, 0), (2, 0)), 3.0),
        (((-10, 3.5), (10, 3.5)), 0.0),
        (((0, 0), (10, 0)), 4.0),
        # x = 4 sqrt(1 - (1.5 / 3)^2) on either side.
        (((-10, 1.5), (10, 1.5)), 2 * 4 * np.sqrt(0.75)),
    ],
)
@pytest.mark.parametrize("tilt_deg", [0.0, 30.0])
def test_length_inside_an_ellipse(ends: tuple, inside_mm: float, tilt_deg: float) -> None:
    turn = np.radians(tilt_deg)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    placed = tuple(tuple(matrix @ end + (7.0, 9.0)) for end in ends)

    assert length_inside_mm(placed, (7.0, 9.0), (4.0, 3.0), tilt_deg) == pytest.approx(inside_mm)


def test_a_sheath_stays_behind_and_closes() -> None:
    notch, shot = Notch(5, 18), Shot(2.0, "sheath", 22.0, 0.04, bare_from_s=1.0)

    assert bare_mm(notch, shot, 3.0, 0.9) == 0
    assert bare_mm(notch, shot, 3.0, 1.5) == 3
    assert bare_mm(notch, shot, 22.0, 1.9) == 18
    assert bare_mm(notch, shot, 22.0, 2.02) == pytest.approx(9)
    assert bare_mm(notch, shot, 22.0, 2.04) == 0
    assert bare_mm(notch, None, 0.0, 1.0) == 18
    assert bare_mm(None, None, 0.0, 1.0) == 0


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("part", ["tip", "sheath"])
@pytest.mark.parametrize("fps", [25.0, 50.0])
def test_what_jumps_within_two_frames(part: Part, side: Side, fps: float) -> None:
    scene = core_scene(part, side=side, fps=fps)
    assert scene.shot is not None
    fired = scene.shot.first_after(fps)
    poses = [moment.pose for moment in Studio(scene, seed=1).moments]
    took = int(np.ceil(0.04 * fps)) + 1
    before, after = poses[fired - took], poses[fired]

    assert before is not None and after is not None
    if part == "tip":
        assert after.depth_mm - before.depth_mm == pytest.approx(22, abs=0.3)
        assert before.bare_mm == after.bare_mm == 18
    else:
        assert after.depth_mm - before.depth_mm == pytest.approx(0, abs=0.3)
        assert (before.bare_mm, after.bare_mm) == pytest.approx((18, 0))


def test_a_bare_notch_is_duller_and_truth_tells_it() -> None:
    scene = core_scene("tip")
    scene = replace(scene, duration_s=2.4, tremor_mm=0.0, needle=replace(scene.needle, trail_db=None))
    assert scene.shot is not None and scene.needle.notch is not None
    fired = scene.shot.first_after(scene.fps)
    frames = list(simulate(scene, seed=3))
    plain = list(simulate(replace(scene, needle=replace(scene.needle, notch=None)), seed=3))
    truth = frames[fired][1]
    assert truth.notch_px is not None and truth.tip_px is not None
    near, far, tip = (np.array(place) for place in (*truth.notch_px, truth.tip_px))

    assert np.hypot(*(tip - far)) * 0.12 == pytest.approx(5, abs=0.01)
    assert np.hypot(*(far - near)) * 0.12 == pytest.approx(18, abs=0.01)
    share = np.linspace(0.1, 0.9, 60)[:, None]
    for start, end, duller in ((near, far, True), (far, tip, False)):
        x, y = np.rint(start + share * (end - start)).astype(int).T
        fall = plain[fired][0].pixels[y, x].mean() - frames[fired][0].pixels[y, x].mean()
        assert (fall > 15) == duller
    record = truth_record(scene, [truth for _, truth in frames], seed=3)
    firing = record["events"]["firing"]
    assert (firing["frame"], firing["part"], firing["jump_mm"]) == (fired, "tip", 22)
    # The middle of the notch comes to lie in the target's middle: a chord of an ellipse of 4 by 3.5 mm.
    assert firing["notch_in_target_before_mm"] == 0
    assert 7.0 < firing["notch_in_target_fired_mm"] < 8.0
    assert record["frames"][fired]["notch_in_target_mm"] == pytest.approx(
        firing["notch_in_target_fired_mm"], abs=1e-3
    )
    marks = marks_record(scene, learner="L01", notes="")
    assert (marks["task"], marks["dead_space_mm"], marks["notch_mm"], marks["throw_mm"]) == (
        "core",
        5,
        18,
        22,
    )


def test_other_needles_say_nothing_of_a_notch() -> None:
    scene = core_scene(None)
    scene = replace(scene, duration_s=1.2, needle=replace(scene.needle, notch=None))
    record = truth_record(scene, [truth for _, truth in simulate(scene, seed=1)], seed=1)

    assert "firing" not in record["events"]
    assert all("notch_px" not in frame for frame in record["frames"])
    assert marks_record(scene, learner="L01", notes="")["task"] == "aspirate"
