"""Frame averaging: its share is told from the pictures, and what it blended is taken apart again."""

import cv2
import numpy as np
import pytest

from needlecoach.tracking.averaging import share_kept, without_averaging

HEIGHT, WIDTH, STEP_MM, FPS = 90, 120, 0.2, 20.0
MASK = np.ones((HEIGHT, WIDTH), dtype=bool)


def needle_pictures(*, n: int = 60, slide_px: float = 0.0, contrast: float = 1.0) -> np.ndarray:
    """Pictures of a bright bar that goes in and out over speckle; the gel may slide under it."""
    rng = np.random.default_rng(4)
    gel = 60 + 100 * contrast * cv2.GaussianBlur(rng.normal(0, 1, (HEIGHT, WIDTH + 200)), (0, 0), 3)
    pictures = []
    for i in range(n):
        start = round(i * slide_px)
        picture = gel[:, start : start + WIDTH] + rng.normal(0, 2, (HEIGHT, WIDTH))
        reach = int(6.0 * (n / 2 - abs(i - n / 2))) % (WIDTH - 10)
        picture[40:48, :reach] = 130 + rng.normal(0, 2, (8, reach))
        pictures.append(picture)
    return np.array(pictures)


def shown(pictures: np.ndarray, *, share: float, times: int = 1) -> list[np.ndarray]:
    """What a scanner shows that averages so, each picture recorded so many times."""
    out, last = [], pictures[0]
    for picture in pictures:
        last = (1 - share) * picture + share * last
        out += [np.clip(np.rint(last), 0, 255).astype(np.uint8)] * times
    return out


def undone(pictures: list[np.ndarray], *, drift: np.ndarray | None = None) -> list[np.ndarray]:
    drift = np.zeros((len(pictures), 3)) if drift is None else drift
    return without_averaging(pictures, np.arange(len(pictures)) / FPS, drift, mask=MASK, step_mm=STEP_MM)


@pytest.mark.parametrize("share", [0.15, 0.3, 0.45])
def test_share_is_told(share: float) -> None:
    pictures = shown(needle_pictures(), share=share)
    assert share_kept(pictures, np.ones(len(pictures), dtype=bool)) == pytest.approx(share, abs=0.03)


@pytest.mark.parametrize("times", [1, 2])
def test_pictures_come_back_as_they_were(times: int) -> None:
    """Where the bar is or was, to a few greys of rounding; averaging left in, 40 greys are missing."""
    true = needle_pictures()
    pictures = shown(true, share=0.45, times=times)
    blended, got = (np.array(each, dtype=float)[::times, 40:48] for each in (pictures, undone(pictures)))
    assert np.percentile(np.abs(blended - true[:, 40:48]), 98) > 30
    assert np.percentile(np.abs(got - true[:, 40:48]), 98) < 6


def test_what_is_not_averaged_is_left_alone() -> None:
    pictures = shown(needle_pictures(), share=0.0)
    assert all(a is b for a, b in zip(undone(pictures), pictures, strict=True))


def test_a_sweep_tells_nothing() -> None:
    """Everything changes where the whole picture moves: 5 mm/s, said by the drift."""
    pictures = shown(needle_pictures(slide_px=1.25, contrast=4), share=0.0)
    drift = np.outer(np.arange(len(pictures)), [1.25, 0.0, 0.0])
    assert all(a is b for a, b in zip(undone(pictures, drift=drift), pictures, strict=True))


def test_too_few_pictures() -> None:
    pictures = shown(needle_pictures(n=3), share=0.3)
    assert all(a is b for a, b in zip(undone(pictures), pictures, strict=True))
