"""What machine and recorder do: gain, freezing, frame rates, compression, colour, pointers and clocks."""

from dataclasses import replace

import pytest

from needlecoach.phantoms.practice import Stop
from needlecoach.phantoms.scene import Clock, Crosshair, Freeze, GainStep

OUT = Stop(-99)
IN_AND_OUT = (OUT, Stop(-5, 0.4), Stop(0, 0.8), OUT)


def test_gain_turned_up_and_down(follow, stage) -> None:
    gain = (GainStep(1.3, 4), GainStep(1.5, 8), GainStep(2.9, 2), GainStep(3.3, -5))
    follow(stage(*IN_AND_OUT, gain=gain), seed=61).meets()


def test_frozen_while_the_needle_moves_on(follow, stage) -> None:
    """The picture stands for 0.7 s; when it runs again the tip is 8 mm further."""
    follow(stage(*IN_AND_OUT, freezes=(Freeze(1.5, 2.2),)), seed=62).meets()


def test_frozen_at_rest_in_the_target(follow, stage) -> None:
    """1.5 s of the same picture, to the last bit, as when the recording was paused."""
    scene = stage(OUT, Stop(-5, 0.4), Stop(0, 1.8), OUT)
    follow(replace(scene, freezes=(Freeze(3.1, 4.4),)), seed=63).meets()


@pytest.mark.parametrize("refresh_hz", [10.0, 13.0])
def test_pictures_recorded_twice(follow, stage, refresh_hz: float) -> None:
    """The scanner shows 10 or 13 pictures a second, the recorder takes 20."""
    follow(stage(*IN_AND_OUT, refresh_hz=refresh_hz), seed=64).meets()


@pytest.mark.parametrize(
    ("probe", "fps", "refresh_hz"), [("linear", 12, None), ("linear", 30, 12), ("curved", 20, None)]
)
def test_frame_averaging(follow, stage, probe: str, fps: float, refresh_hz: float | None) -> None:
    """Each picture holds 45 % of the one before: what moves drags a ghost, and noise is alike in time."""
    speed_mm_s = 12.0 if probe == "linear" else 20.0
    scene = stage(
        *IN_AND_OUT, probe=probe, angle_deg=48, speed_mm_s=speed_mm_s, fps=fps, refresh_hz=refresh_hz
    )
    averaging = replace(scene.probe, persistence=0.45)
    follow(replace(scene, probe=averaging), seed=71).meets()


@pytest.mark.parametrize("fps", [8, 60])
def test_frame_rates(follow, stage, coding, fps: float) -> None:
    scene = stage(OUT, Stop(0, 0.8), OUT, fps=fps)
    follow(scene, seed=65, coding=coding()).meets()


@pytest.mark.parametrize("side", ["left", "right"])
def test_heavy_compression(follow, stage, coding, side: str) -> None:
    # At this rate factor the encoder repeats what changes little: a resting or slow tip is shown late.
    follow(stage(*IN_AND_OUT, side=side), seed=66, coding=coding(crf=35)).meets()


@pytest.mark.parametrize(
    "tint", [(1.0, 0.86, 0.62), (0.72, 0.85, 1.0), (0.75, 1.0, 0.8)], ids=["amber", "blue", "green"]
)
def test_tinted_grey_map(follow, stage, coding, tint: tuple[float, float, float]) -> None:
    follow(stage(*IN_AND_OUT), seed=67, coding=coding(tint=tint)).meets()


def test_crosshair_wandering_over_the_picture(follow, stage, coding) -> None:
    scene = stage(*IN_AND_OUT, overlays=(Crosshair((230.0, 190.0), (90.0, 60.0)),))
    follow(scene, seed=68, coding=coding()).meets()


def test_crosshair_without_a_needle(follow, stage, coding) -> None:
    scene = stage(overlays=(Crosshair((230.0, 190.0), (90.0, 60.0)),))
    follow(scene, seed=69, coding=coding()).meets()


@pytest.mark.parametrize("place_px", [(270, 335), (60, 80)], ids=["low right", "high left"])
def test_clock_running_over_the_picture(follow, stage, coding, place_px: tuple[int, int]) -> None:
    """In a lower corner, and where the needle comes in."""
    follow(stage(*IN_AND_OUT, overlays=(Clock(place_px),)), seed=70, coding=coding()).meets()
