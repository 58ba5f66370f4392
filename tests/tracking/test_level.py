"""Pictures whose gain was turned are brought back to one level: drawn gel, invented data."""

from collections.abc import Callable

import numpy as np

from needlecoach.tracking.level import levelled

MASK = np.ones((220, 240), dtype=bool)


def turned(gel: np.ndarray, by_grey: float) -> np.ndarray:
    return np.where(gel > 0, np.clip(gel + np.float32(by_grey), 1, 255), 0).astype(np.uint8)


def test_a_turn_of_the_gain_is_taken_back(gel: Callable[..., np.ndarray]) -> None:
    """8 dB are 34 of 255 grey values at a dynamic range of 60 dB."""
    picture = np.clip(gel(2), 1, 200).astype(np.uint8)
    pictures = [picture] * 6 + [turned(picture, 34)] * 3 + [turned(picture, -21)] * 2

    level = levelled(pictures, MASK)

    for shown in level[6:9]:
        np.testing.assert_allclose(shown.astype(int), picture.astype(int), atol=1)
    bright = picture > 30
    np.testing.assert_allclose(level[-1][bright].astype(int), picture[bright].astype(int), atol=1)


def test_pictures_of_one_gain_are_handed_on_untouched(gel: Callable[..., np.ndarray]) -> None:
    pictures = [np.clip(gel(seed), 0, 255).astype(np.uint8) for seed in range(4)]

    for before, after in zip(pictures, levelled(pictures, MASK), strict=True):
        assert after is before


def test_a_needle_coming_in_is_no_turn_of_the_gain(drawn: Callable) -> None:
    clip = drawn((0, -2), (0.5, -2), (2, 25), (2.6, 25), (3.4, -2), (4, -2))

    level = levelled(clip.pictures, MASK)

    assert all(after is before for before, after in zip(clip.pictures, level, strict=True))


def test_black_stays_black() -> None:
    dark, bright = np.full((220, 240), 60, dtype=np.uint8), np.full((220, 240), 100, dtype=np.uint8)
    dark[:50] = bright[:50] = 0

    level = levelled([bright, bright, dark], MASK)

    assert not level[-1][:50].any()
    assert (level[-1][50:] == 100).all()
