"""Drawn rulers have their ticks where the geometry says; everything is invented."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.model import GreyImage
from needlecoach.phantoms.beams import BeamGrid, Screen
from needlecoach.phantoms.furniture import draw_furniture
from needlecoach.phantoms.rulers import TEXT_GREY, ruler_line_px, ruler_place_px
from needlecoach.phantoms.scene import Display, Probe, RulerLook

PLAIN = RulerLook(digits=False)


def drawn(display: Display) -> tuple[GreyImage, Screen]:
    screen = Screen(BeamGrid(Probe(), display))
    return draw_furniture(screen), screen


@pytest.mark.parametrize("side", ["left", "right", "above", "below"])
def test_ticks_are_five_millimetres_apart(side: str) -> None:
    image, screen = drawn(Display(ruler=side, wedge="right" if side == "left" else "left", ruler_look=PLAIN))
    upright = side in ("left", "right")
    profile = image[:, ruler_line_px(screen)] if upright else image[ruler_line_px(screen)]
    places = np.flatnonzero(profile == TEXT_GREY)

    start = screen.region.box_px[1 if upright else 0]
    np.testing.assert_allclose(places, start + np.arange(len(places)) * 5 / 0.112, atol=0.5)
    assert len(places) == (9 if upright else 8)


def test_covered_ticks_are_not_there_and_every_second_is_longer() -> None:
    image, screen = drawn(Display(ruler_look=replace(PLAIN, covered=(2,))))
    x = ruler_line_px(screen)
    lengths = [int((image[ruler_place_px(screen, n), x : x + 30] == TEXT_GREY).sum()) for n in range(5)]

    assert lengths == [10, 5, 0, 5, 10]


def test_dots_and_a_spine() -> None:
    image, screen = drawn(Display(ruler_look=replace(PLAIN, mark="dot", short_px=1, long_px=2, spine=True)))
    x = ruler_line_px(screen)
    top, bottom = ruler_place_px(screen, 0), ruler_place_px(screen, 8)

    assert (image[top : bottom + 1, x] == TEXT_GREY).all()
    assert [int((image[ruler_place_px(screen, n), x - 4 : x + 5] == TEXT_GREY).sum()) for n in (1, 2)] == [
        3,
        5,
    ]


@pytest.mark.parametrize("litter", ["focus", "block", "list", "sliders"])
def test_litter_lies_beside_the_picture(litter: str) -> None:
    plain, screen = drawn(Display())
    image, _ = drawn(Display(litter=(litter,)))
    changed = image != plain

    assert changed.sum() > 30
    assert not changed[screen.region.mask(*image.shape)].any()


def test_no_ruler_is_drawn_when_none_is_wanted() -> None:
    image, screen = drawn(Display(ruler="none"))
    assert (image[:, screen.region.box_px[0] + screen.region.box_px[2] :] == 6).all()
