"""What the hand does: turns, strokes, tremor, pushing."""

import pytest

from needlecoach.phantoms.practice import Stop

OUT = Stop(-99)


@pytest.mark.parametrize("turn_deg", [8, -10])
def test_redirection_without_leaving(follow, stage, turn_deg: float) -> None:
    scene = stage(
        Stop(-99, 0, 36 + turn_deg), Stop(-2, 0.3), Stop(-16, 0.2), Stop(-16, 0.2, 36), Stop(0, 0.6), OUT
    )
    follow(scene, seed=41).meets()


@pytest.mark.parametrize(("count", "length_mm"), [(3, 3.0), (5, 6.0), (8, 4.3)])
def test_strokes_in_the_target(follow, stage, count: int, length_mm: float) -> None:
    """Strokes of under 5 mm count as such, of 6 mm as passes; about two a second."""
    to_and_fro = [Stop(2 - length_mm), Stop(2)] * count
    scene = stage(OUT, Stop(2, 0.3), *to_and_fro, Stop(2, 0.3), OUT)
    follow(scene, seed=42).meets()


@pytest.mark.parametrize("side", ["left", "right"])
def test_tremor(follow, stage, side: str) -> None:
    """0.2 mm root-mean-square along, across and out of the plane, at 8 Hz."""
    scene = stage(OUT, Stop(-6, 0.6), Stop(0, 0.8), OUT, side=side, tremor_mm=0.2, tremor_hz=8.0)
    # 0.2 mm at 8 Hz across a shaft of 15 mm turns it by 0.8 degrees, back within two frames.
    follow(scene, seed=43).meets(angle_50_deg=0.8, angle_95_deg=2.5)


@pytest.mark.parametrize("side", ["left", "right"])
def test_target_pushed_3_mm(follow, stage, side: str) -> None:
    scene = stage(OUT, Stop(-8, 0.2), Stop(0.5, 0.6), OUT, side=side, push_mm=3.0)
    follow(scene, seed=44).meets()
