"""What the probe does: drifts, slides, rocks, tilts and sweeps."""

import pytest

from needlecoach.phantoms.practice import Stop
from needlecoach.phantoms.scene import DriftKey, Gas, Layer, Specks, Tube

OUT = Stop(-99)
IN_AND_OUT = (OUT, Stop(-4, 0.6), Stop(0, 0.8), OUT)
THINGS = (Gas((8, 8), 2.5), Layer(31, 1.5), Specks(25))
SCENERY = (Tube((-6, 17), 20, 25, 2.2), *THINGS)


def test_drift(follow, stage) -> None:
    drift = (DriftKey(0), DriftKey(5.5, -2.0, -0.8))
    follow(stage(*IN_AND_OUT, things=THINGS, drift=drift), seed=51).meets()


def test_slide_along_the_skin(follow, stage) -> None:
    """5 mm to and fro while the needle is in."""
    drift = (DriftKey(1.2), DriftKey(2.6, 5.0), DriftKey(4.2, 1.0))
    follow(stage(*IN_AND_OUT, things=THINGS, drift=drift), seed=52).meets()


def test_slide_out_of_the_plane(follow, stage) -> None:
    """1 mm across the plane and back: needle and speckle with it."""
    scene = stage(
        OUT,
        Stop(-8, 0.2),
        Stop(-6, 0.4, tip_out_mm=1.0, entry_out_mm=1.0),
        Stop(0, 0.8),
        OUT,
        things=THINGS,
        drift=(DriftKey(1.9), DriftKey(2.2, out_mm=1.0), DriftKey(2.6, out_mm=1.0), DriftKey(3.0)),
    )
    follow(scene, seed=53).meets()


@pytest.mark.parametrize("side", ["left", "right"])
def test_rock_within_the_plane(follow, stage, side: str) -> None:
    """5 degrees one way and back: everything turns about the middle of the face."""
    drift = (DriftKey(1.0), DriftKey(2.2, turn_deg=5.0), DriftKey(2.6, turn_deg=5.0), DriftKey(4.0))
    follow(stage(*IN_AND_OUT, side=side, things=THINGS, drift=drift), seed=54).meets()


def test_tilt_across_the_plane(follow, stage) -> None:
    """3 degrees and back: 1 mm beside the plane at the target's depth, less above."""
    drift = (DriftKey(1.4), DriftKey(2.2, fan_deg=3.0), DriftKey(2.6, fan_deg=3.0), DriftKey(3.4))
    follow(stage(*IN_AND_OUT, things=THINGS, drift=drift), seed=55).meets()


@pytest.mark.parametrize(
    "drift",
    [
        (DriftKey(0.3, -3), DriftKey(1.6, 3), DriftKey(2.2, 3), DriftKey(3.6, -1)),
        (DriftKey(0.3), DriftKey(2.0, 0.6, out_mm=5), DriftKey(2.4, 0.6, out_mm=5), DriftKey(3.8)),
        (DriftKey(0.3), DriftKey(1.6, turn_deg=6), DriftKey(2.2, turn_deg=6), DriftKey(3.6, turn_deg=-3)),
        (DriftKey(0.3), DriftKey(1.6, fan_deg=8), DriftKey(2.2, fan_deg=8), DriftKey(3.6, fan_deg=-4)),
    ],
    ids=["along", "across", "rock", "tilt"],
)
def test_sweep_without_a_needle(follow, stage, drift: tuple[DriftKey, ...]) -> None:
    # A sweep of several mm carries the target out of what can be followed at once; a needle is never right.
    follow(stage(things=SCENERY, drift=drift), seed=56).meets(target_95_mm=2.0)
