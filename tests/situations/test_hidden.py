"""What can't be seen of the needle: its shaft, its tip, all of it for a while."""

import pytest

from needlecoach.phantoms.practice import Stop

OUT = Stop(-99)


@pytest.mark.parametrize(("side", "angle_deg"), [("left", 35), ("right", 60)])
def test_shaft_hidden_and_only_the_tip_bright(follow, stage, side: str, angle_deg: float) -> None:
    look = {"shaft_db": -12.0, "tip_db": 36.0, "trail_db": None}
    scene = stage(OUT, Stop(0, 0.8), OUT, side=side, angle_deg=angle_deg, look=look)
    # A dot's path gives the angle only through where it has been, not frame by frame.
    follow(scene, seed=31).meets(angle_50_deg=0.8, angle_95_deg=3.0)


@pytest.mark.parametrize("trail_db", [None, 18])
def test_tip_out_of_plane_while_the_shaft_shows(follow, stage, trail_db: float | None) -> None:
    """The tip goes 8 mm on beside the plane and comes back into it; the end that shows is not the tip."""
    scene = stage(
        OUT,
        Stop(-13, 0.3),
        Stop(-12, 0.0, tip_out_mm=3.2),
        Stop(-5, 0.0, tip_out_mm=3.2),
        Stop(-4, 0.3),
        Stop(0, 0.6),
        OUT,
        speed_mm_s=12,
        look={"trail_db": trail_db},
    )
    follow(scene, seed=32).meets(blind=1.0)


def test_leaving_the_plane_and_coming_back_deeper(follow, stage) -> None:
    """Shaft and tip leave together, go 8 mm on unseen and come back."""
    scene = stage(
        OUT,
        Stop(-12, 0.4),
        Stop(-11, 0.0, tip_out_mm=5, entry_out_mm=5),
        Stop(-3, 0.1, tip_out_mm=5, entry_out_mm=5),
        Stop(-2, 0.3),
        Stop(0, 0.5),
        OUT,
        look={"trail_db": None},
    )
    # Nothing shows where it went: half of the 8 mm is as well as anyone can tell.
    follow(scene, seed=33).meets(inferred_90_mm=5.0, blind=1.0)
