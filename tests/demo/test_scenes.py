"""The simulated recordings: what their scenes are to show, by geometry alone."""

import numpy as np
import pytest

from needlecoach.demo.scenes import shown_recordings
from needlecoach.phantoms.practice import aim_of

SHOWN = {one.learner: one for one in shown_recordings()}


def nearest_mm(one) -> float:
    """Least distance of a tip at rest to the target's middle, with the needle as straight as it is drawn."""
    aim, (x, z) = aim_of(one.scene), one.scene.target.centre_mm
    places = [
        (
            aim.entry_mm[0] + key.insertion_mm * np.cos(np.radians(key.angle_deg)),
            aim.entry_mm[1] + key.insertion_mm * np.sin(np.radians(key.angle_deg)),
        )
        for key in one.scene.motion
    ]
    return float(min(np.hypot(px - x, pz - z) for px, pz in places))


def test_quick_is_the_first_alone():
    (quick,) = shown_recordings(quick=True)
    assert (quick.learner, quick.scene) == ("L04", SHOWN["L04"].scene)


@pytest.mark.parametrize("one", SHOWN.values(), ids=str)
def test_each_is_short_fluid_and_says_that_it_is_invented(one):
    # The fluid moves on its way in, so a push of half a millimetre is left to the tracker.
    assert 7.5 <= one.scene.duration_s <= 15
    assert one.target.kind == one.scene.target.kind == "fluid"
    assert "INVENTED" in one.scene.display.lines


@pytest.mark.parametrize(("learner", "hits"), [("L04", True), ("L07", True), ("L03", False), ("L02", True)])
def test_each_ends_where_its_story_says(learner, hits):
    one = SHOWN[learner]
    assert (nearest_mm(one) < one.target.width_mm / 2 - 1) == hits


def test_one_goes_on_out_of_the_plane():
    out = {code: max(key.tip_out_mm for key in one.scene.motion) for code, one in SHOWN.items()}
    assert out == {"L04": 0, "L07": 4.5, "L03": 0, "L02": 0}
    way_mm = [key.insertion_mm for key in SHOWN["L07"].scene.motion if key.tip_out_mm == 4.5]
    assert max(way_mm) - min(way_mm) > 8
