"""The outline of a drawn screen is found again, bright or dark, faint, framed, and under glare."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from needlecoach.phantoms.camera import CameraView, Glare
from needlecoach.screen.outline import find_outline

VIEW = CameraView(size_px=(960, 540), focal_px=860, fill=0.8, shake_px=0, shake_deg=0, flicker=0)


def outline_of(film, view: CameraView) -> tuple[np.ndarray | None, np.ndarray]:
    """Corners found in the mean of some frames of a still camera, and the true ones."""
    shot = film(view, n_frames=6)
    stack = np.stack([frame.pixels for frame in shot.frames]).astype(np.float32)
    return find_outline(stack.mean(axis=0), stack.std(axis=0)), shot.corners_px[0]


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"bezel_grey": 120.0, "room_grey": 80.0},
        {"bezel_grey": 4.0, "room_grey": 6.0},
        {"bezel_px": 0.0},
        {"turn_deg": (22.0, -12.0, 4.0), "fill": 0.72},
        {"moire": 0.12},
        {"glare": (Glare((250.0, 60.0), (60.0, 40.0), 200.0), Glare((520.0, 300.0), (40.0, 30.0), 250.0))},
        {"clutter": 20, "room_grey": 50.0, "fill": 0.66},
    ],
    ids=["usual", "white", "dark", "bare", "slant", "moire", "glare", "clutter"],
)
def test_the_screens_corners(film, change):
    found, true = outline_of(film, replace(VIEW, **change))

    assert found is not None
    assert np.hypot(*(found - true).T).max() <= 3.0


def test_no_screen_no_outline():
    noise = np.random.default_rng(1).normal(60, 4, (400, 600)).astype(np.float32)
    assert find_outline(cv2.GaussianBlur(noise, (0, 0), 1), np.zeros_like(noise)) is None
    assert find_outline(np.zeros((400, 600), np.float32), np.zeros((400, 600), np.float32)) is None
    assert find_outline(np.zeros((20, 20), np.float32), np.zeros((20, 20), np.float32)) is None
