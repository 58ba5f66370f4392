"""The tip told by its passing; strips are drawn, their truth is where the tip was put."""

import numpy as np
import pytest

from needlecoach.tracking.flash import FLASH_NATS, flash_bonus
from needlecoach.tracking.kymograph import SAMPLE_MM

TIP_GREY, BUBBLE_GREY, FPS = 200.0, 195.0, 20.0
N_FRAMES, N_SAMPLES = 20, 120


def spot(at_mm: np.ndarray, grey: float) -> np.ndarray:
    """Strips (n, N_SAMPLES) with one bright spot of half a millimetre (sd 0.3 mm) each on dark ground."""
    s = np.arange(N_SAMPLES) * SAMPLE_MM
    return (grey - 80) * np.exp(-0.5 * ((s - at_mm[:, None]) / 0.3) ** 2)


def strips(at_mm: np.ndarray, *, grey: float = TIP_GREY, noise: float = 2.0) -> np.ndarray:
    """Strips of a spot among equally bright bubbles that stay."""
    rng = np.random.default_rng(5)
    drawn = spot(at_mm, grey)
    for bubble_mm in (4.0, 7.0, 12.0, 19.0):
        drawn = np.maximum(drawn, spot(np.full(len(at_mm), bubble_mm), BUBBLE_GREY))
    return (80 + drawn + rng.normal(0, noise, drawn.shape)).astype(np.float32)


def bonus_of(at_mm: np.ndarray, **look: float) -> np.ndarray:
    return flash_bonus(strips(at_mm, **look), np.arange(len(at_mm)) / FPS, TIP_GREY)


@pytest.mark.parametrize("speed_mm_s", [-25.0, -12.0, 12.0, 25.0])
def test_a_tip_among_bubbles_is_told_while_it_moves(speed_mm_s: float) -> None:
    at_mm = 15.0 + speed_mm_s * (np.arange(N_FRAMES) - N_FRAMES / 2) / FPS
    bonus = bonus_of(at_mm)
    # Where it runs over a bubble of its own brightness nothing tells it.
    clear = np.abs(at_mm[:, None] - [4.0, 7.0, 12.0, 19.0]).min(axis=1) > 1.0
    clear[[0, -1]] = False

    found_mm = bonus.argmax(axis=1) * SAMPLE_MM

    assert clear.sum() >= 5
    assert bonus[clear].max(axis=1).min() > 0.8 * FLASH_NATS
    np.testing.assert_allclose(found_mm[clear], at_mm[clear], atol=0.3)


def test_what_rests_or_trembles_says_nothing() -> None:
    trembling = 15.0 + 0.1 * np.sin(np.arange(N_FRAMES))
    assert bonus_of(np.full(N_FRAMES, 15.0)).max() == 0
    assert bonus_of(trembling).max() < 0.1 * FLASH_NATS


@pytest.mark.parametrize("backwards", [False, True])
def test_what_comes_and_stays_or_was_there_and_goes_says_nothing(backwards: bool) -> None:
    """A bubble is laid; a tip sets out from rest."""
    at_mm = np.where(np.arange(N_FRAMES) < N_FRAMES // 2, -20.0, 15.0)
    bonus = bonus_of(at_mm[::-1] if backwards else at_mm)
    assert bonus[1:-1].max() == 0


def test_a_passing_piece_of_shaft_darker_than_the_tip_says_nothing() -> None:
    at_mm = 15.0 + 25.0 * (np.arange(N_FRAMES) - N_FRAMES / 2) / FPS
    assert bonus_of(at_mm, grey=TIP_GREY - 40).max() == 0


@pytest.mark.parametrize("n", [1, 2])
def test_too_few_frames_say_nothing(n: int) -> None:
    assert not bonus_of(np.full(n, 15.0)).any()
