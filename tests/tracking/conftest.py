"""Small drawn clips whose needle is known exactly: invented data, drawn without any code of the tracker."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import pytest

STEP_MM = 0.15
WIDTH, HEIGHT = 240, 220
ENTRY_DEPTH_PX = 40.0
FPS = 20.0
SPREAD_MM = 0.21
HIDDEN_MM, FADE_MM = 4.0, 8.0


@dataclass(frozen=True)
class DrawnClip:
    """Pictures; tip (n, 2) in px and insertion (n,) in mm, NaN where there is no needle."""

    pictures: list[np.ndarray]
    time_s: np.ndarray
    tip_px: np.ndarray
    insertion_mm: np.ndarray
    entry_px: np.ndarray
    angle_deg: float


def speckle(seed: int, *, size: tuple[int, int] = (WIDTH, HEIGHT)) -> np.ndarray:
    """Gel as a scanner shows it: log-compressed noise of a lateral width of 4 px and an axial one of 2."""
    rng = np.random.default_rng(seed)
    waves = rng.normal(size=(2, size[1], size[0]))
    smooth = np.stack([cv2.GaussianBlur(part, (0, 0), sigmaX=1.8, sigmaY=1.0) for part in waves])
    envelope = np.hypot(*(smooth / smooth.std()))
    return np.clip(70 + 42.5 * np.log10(envelope + 1e-3), 0, 255)


def way(*stops: tuple[float, float], fps: float = FPS) -> np.ndarray:
    """Insertion (n,) in mm through stops (time s, mm), NaN below 0 mm: the needle is then outside."""
    time_s, depth_mm = np.array(stops).T
    at = np.arange(0, time_s[-1] + 1e-9, 1 / fps)
    insertion = np.interp(at, time_s, depth_mm)
    return np.where(insertion > 0, insertion, np.nan)


def draw_clip(
    insertion_mm: np.ndarray,
    *,
    angle_deg: float = 35.0,
    side: str = "left",
    entry_depth_px: float = ENTRY_DEPTH_PX,
    bow_per_mm: float = 0.0,
    hidden: np.ndarray | None = None,
    grey: float = 150.0,
    texture: float = 25.0,
    seed: int = 0,
) -> DrawnClip:
    """Draw a needle that goes in to the given depths, brighter at its tip, over gel that stays.

    `texture` is the standard deviation of the shaft's grey values along it; the pattern goes in with the
    needle. In frames that are `hidden` (n,) the shaft fades out over 8 mm and the
    last 4 mm have left the beam's plane.
    """
    sign = 1.0 if side == "left" else -1.0
    along = np.array([sign * np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    below = np.array([-sign * along[1], sign * along[0]])
    entry = np.array([0.0 if side == "left" else WIDTH - 1.0, entry_depth_px])
    gel, rng = speckle(seed), np.random.default_rng(seed + 1000)
    grain = np.convolve(rng.normal(size=1000), np.ones(4) / 2, mode="same")
    away = np.stack(np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT)), axis=-1) - entry
    s = away @ along * STEP_MM
    n = away @ below * STEP_MM - bow_per_mm * s**2
    near = np.abs(n) < 1.0
    tip = np.full((len(insertion_mm), 2), np.nan)
    pictures = []
    for i, depth_mm in enumerate(insertion_mm):
        picture = gel + rng.normal(0, 3, gel.shape)
        if np.isfinite(depth_mm):
            tip[i] = entry + (depth_mm * along + bow_per_mm * depth_mm**2 * below) / STEP_MM
            out_of_sight = hidden is not None and hidden[i]
            behind = depth_mm - s[near]
            lit = grey + texture * np.interp(behind / STEP_MM, np.arange(1000), grain)
            ends = np.clip((behind - HIDDEN_MM) / FADE_MM, 0, 1) if out_of_sight else behind > 0
            canvas = lit * ends * np.exp(-0.5 * (n[near] / SPREAD_MM) ** 2)
            if not out_of_sight:
                spot = np.exp(-0.5 * (behind**2 + n[near] ** 2) / SPREAD_MM**2)
                canvas = np.maximum(canvas, (grey + 50) * spot)
            picture[near] = np.maximum(picture[near], canvas)
        pictures.append(np.clip(np.rint(picture), 0, 255).astype(np.uint8))
    time_s = np.arange(len(insertion_mm)) / FPS
    return DrawnClip(pictures, time_s, tip, insertion_mm, entry, angle_deg)


@pytest.fixture(scope="session")
def gel() -> Callable[..., np.ndarray]:
    """Return the function that draws speckle."""
    return speckle


@pytest.fixture(scope="session")
def drawn() -> Callable[..., DrawnClip]:
    """Return the function that draws a clip from stops (time s, insertion mm)."""

    def draw(*stops: tuple[float, float], **options: object) -> DrawnClip:
        return draw_clip(way(*stops), **options)  # type: ignore[arg-type]

    return draw
