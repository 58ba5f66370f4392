"""Grey and tinted pictures pass, coloured screen furniture too; pictures in many colours do not."""

import cv2
import numpy as np
import pytest

from needlecoach.errors import UnscorableError
from needlecoach.model import Region
from needlecoach.screen import check_picture

SIZE = (320, 240)
REGION = Region("rectangle", (60, 30, 200, 180))
LEVELS = np.arange(256) / 255


def speckle(count: int = 6) -> list[np.ndarray]:
    """Grey pictures of blurred noise over all levels of brightness (invented data)."""
    rng = np.random.default_rng(4)
    noise = [cv2.GaussianBlur(rng.normal(0, 1, SIZE[::-1]), (5, 5), 1.5) for _ in range(count)]
    return [(90 + 250 * one).clip(0, 255).astype(np.uint8) for one in noise]


def through(blue: np.ndarray, green: np.ndarray, red: np.ndarray) -> list[np.ndarray]:
    """The speckle seen through a map from brightness to colour, each channel 0 to 1 by level."""
    table = np.stack([blue, green, red], axis=-1)
    return [(255 * table[picture]).round().astype(np.uint8) for picture in speckle()]


GREY = through(LEVELS, LEVELS, LEVELS)


@pytest.mark.parametrize(
    "channels",
    [
        (LEVELS, LEVELS, LEVELS),
        (0.7 * LEVELS, 0.85 * LEVELS, LEVELS),
        (LEVELS**1.6, LEVELS**1.15, LEVELS**0.75),
        (LEVELS**0.6, LEVELS, LEVELS**1.5),
        (0.15 * LEVELS, 0.7 * LEVELS, LEVELS),
    ],
    ids=["grey", "sepia", "sepia in the middle", "blue", "amber"],
)
def test_every_tint_of_one_map_passes(channels):
    check_picture(through(*channels), REGION, SIZE)


def test_black_passes_here():
    check_picture([np.zeros((240, 320, 3), np.uint8)] * 6, REGION, SIZE)


def test_colours_round_the_picture_do_not_count():
    pictures = [picture.copy() for picture in GREY]
    for picture in pictures:
        picture[:, :60], picture[:, 260:], picture[:30], picture[210:] = (0, 0, 255), (255, 80, 0), 90, 0
        picture[:30] = (0, 255, 0)
    check_picture(pictures, REGION, SIZE)
    with pytest.raises(UnscorableError, match="does not look like"):
        check_picture(pictures, Region("rectangle", (0, 0, *SIZE)), SIZE)


@pytest.mark.parametrize(("side_px", "passes"), [(40, True), (120, False)])
def test_small_overlays_pass_large_ones_do_not(side_px, passes):
    pictures = [picture.copy() for picture in GREY]
    for picture in pictures:
        patch = picture[60 : 60 + side_px, 80 : 80 + side_px]
        patch[:] = (patch * (0.2, 0.4, 1.0)).astype(np.uint8)
    if passes:
        check_picture(pictures, REGION, SIZE)
    else:
        with pytest.raises(UnscorableError, match="does not look like"):
            check_picture(pictures, REGION, SIZE)


def test_flat_bars_of_opposite_hues_are_refused():
    hue = np.tile(np.arange(320) // 40 * 22, (240, 1)).astype(np.uint8)
    bars = cv2.cvtColor(
        np.stack([hue, np.full_like(hue, 200), np.full_like(hue, 220)], -1), cv2.COLOR_HSV2BGR
    )
    with pytest.raises(UnscorableError, match="does not look like"):
        check_picture([bars] * 6, REGION, SIZE)


def test_like_hues_at_one_brightness_are_refused():
    """Browns and ochres of a photo: close in hue, yet not ruled by brightness."""
    rng = np.random.default_rng(5)
    pictures = []
    for picture in speckle():
        warmth = cv2.resize(rng.uniform(0.2, 1, (6, 8)), SIZE, interpolation=cv2.INTER_NEAREST)
        luma = 60 + picture / 4
        pictures.append(np.stack([luma * (1 - warmth), luma, luma * (1 + 0.6 * warmth)], -1).astype(np.uint8))
    with pytest.raises(UnscorableError, match="does not look like"):
        check_picture(pictures, REGION, SIZE)


def test_shrunken_pictures_are_judged_in_the_same_place():
    pictures = [picture.copy() for picture in GREY]
    for picture in pictures:
        picture[:, :60] = (0, 0, 255)
    check_picture([cv2.resize(picture, (160, 120)) for picture in pictures], REGION, SIZE)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_frames_show_no_movement(count):
    with pytest.raises(UnscorableError, match=rf"{count} frames?, and"):
        check_picture(GREY[:count], REGION, SIZE)


def gliding(step_right_px: int, step_down_px: int) -> list[np.ndarray]:
    """A view that glides over a larger picture of blurred noise (invented data)."""
    noise = np.random.default_rng(6).normal(0, 1, (480, 640))
    large = (100 + 300 * cv2.GaussianBlur(noise, (9, 9), 2.5)).clip(0, 255).astype(np.uint8)
    views = [large[step_down_px * i :, step_right_px * i :][: SIZE[1], : SIZE[0]] for i in range(12)]
    return [cv2.cvtColor(view, cv2.COLOR_GRAY2BGR) for view in views]


@pytest.mark.parametrize("right_px", [0, 6])
def test_a_view_that_glides_up_is_refused(right_px):
    pictures = gliding(right_px, 7)
    with pytest.raises(UnscorableError, match="glides"):
        check_picture(pictures, REGION, SIZE)
    with pytest.raises(UnscorableError, match="glides"):
        check_picture(pictures[::-1], REGION, SIZE)


def test_sliding_sideways_passes_as_a_probe_can_do_so():
    check_picture(gliding(8, 0), REGION, SIZE)


def test_depths_that_move_below_still_skin_pass():
    """A probe in water that is lowered towards an object: the upper part does not go along."""
    pictures = gliding(0, 7)
    for picture in pictures:
        picture[: REGION.box_px[1] + 70] = pictures[0][: REGION.box_px[1] + 70]
    check_picture(pictures, REGION, SIZE)
    for picture in pictures:
        picture[: REGION.box_px[1] + 70] = 2
    check_picture(pictures, REGION, SIZE)
