"""Screens as a camera sees them, drawn with exact truth (invented data)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest

from needlecoach.model import Frame
from needlecoach.phantoms.camera import Camera, CameraView
from needlecoach.phantoms.practice import practice_scene
from needlecoach.phantoms.scene import Display
from needlecoach.phantoms.simulate import simulate

SCREEN_PX = (640, 480)


@cache
def screens() -> tuple[Frame, ...]:
    """Some pictures of a scanner's screen, with writing, a wedge and a ruler round a linear picture."""
    scene = replace(
        practice_scene("none"),
        display=Display(*SCREEN_PX, 0.1, (320, 50), lines=("PRACTICE", "GAIN 50")),
        duration_s=0.4,
    )
    return tuple(frame for frame, _ in simulate(scene, seed=3))


@dataclass(frozen=True, eq=False)
class Film:
    """Frames of a camera and, for each, where the screen's corners truly are, (n, 4, 2)."""

    frames: list[Frame]
    corners_px: np.ndarray


def film_screen(view: CameraView, *, n_frames: int = 12, seed: int = 2, fps: float = 10.0) -> Film:
    """Film the screens, over and over."""
    camera = Camera(view, SCREEN_PX, seed=seed)
    shown = [Frame(i, i / fps, screens()[i % len(screens())].pixels) for i in range(n_frames)]
    frames = [frame for frame, _ in camera.film(shown)]
    return Film(frames, np.array([camera.corners_px(frame.time_s) for frame in frames]))


@pytest.fixture
def film() -> Callable[..., Film]:
    """Films the screens."""
    return film_screen
