"""How the needle comes in: from every side, at every angle, straight or bent, before the clip or after."""

import pytest

from needlecoach.phantoms.practice import Stop

OUT = Stop(-99)
IN_AND_OUT = (OUT, Stop(0, 0.8), OUT)


@pytest.mark.parametrize(("side", "angle_deg"), [("left", 33), ("right", 33), ("left", 75), ("right", 75)])
def test_from_either_side_and_either_top_corner(follow, stage, side: str, angle_deg: float) -> None:
    """At 75 degrees the needle crosses the probe face within 2 mm of the picture's corner."""
    follow(stage(*IN_AND_OUT, side=side, angle_deg=angle_deg), seed=11).meets()


@pytest.mark.parametrize("side", ["left", "right"])
def test_into_a_curved_picture(follow, stage, side: str) -> None:
    scene = stage(*IN_AND_OUT, probe="curved", side=side, angle_deg=45, speed_mm_s=30)
    follow(scene, seed=12).meets()


@pytest.mark.parametrize("angle_deg", [10, 25, 50, 65, 80])
def test_from_flat_to_steep(follow, stage, angle_deg: float) -> None:
    follow(stage(*IN_AND_OUT, angle_deg=angle_deg), seed=13).meets()


@pytest.mark.parametrize("bend_mm", [0.4, -0.4])
def test_slightly_bent(follow, stage, bend_mm: float) -> None:
    """A bow of 0.4 mm over 28 mm turns the shaft's ends by 3 degrees from the chord to the tip."""
    scene = stage(*IN_AND_OUT, side="right", look={"bend_mm": bend_mm})
    # Truth's chord begins 3 mm outside the picture; what can be seen begins at its edge, where the bow stands
    # 0.14-0.26 mm off already: 0.3 degrees at 28 mm of shaft, 1.2 at 12.
    follow(scene, seed=14).meets(angle_50_deg=0.8, angle_95_deg=2.0)


def test_in_the_picture_from_the_first_frame(follow, stage) -> None:
    scene = stage(Stop(-14), Stop(-14, 0.6), Stop(0, 0.8), OUT, start_s=0.0)
    followed = follow(scene, seed=15)

    assert followed.card.attempts[0].first_frame == 0
    followed.meets()


def test_in_from_the_first_frame_and_only_drawn_out(follow, stage) -> None:
    scene = stage(Stop(0), Stop(0, 1.0), OUT, start_s=0.0)
    follow(scene, seed=16).meets()


@pytest.mark.parametrize("angle_deg", [30, 60])
def test_still_in_when_the_clip_ends(follow, stage, angle_deg: float) -> None:
    followed = follow(stage(OUT, Stop(0, 0.4), angle_deg=angle_deg), seed=17)

    assert [attempt.cut_off for attempt in followed.card.attempts] == [True]
    followed.meets()
