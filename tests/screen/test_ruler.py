"""Rulers of many looks, drawn beside pictures at known spacings, are found or declined; all invented."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from needlecoach.errors import MarksError
from needlecoach.model import Frame, Region
from needlecoach.phantoms.beams import BeamGrid, Screen
from needlecoach.phantoms.furniture import draw_furniture
from needlecoach.phantoms.rulers import ruler_line_px, ruler_place_px
from needlecoach.phantoms.scene import Display, Probe, RulerLook
from needlecoach.screen.ruler import Ruler, find_ruler, look_for_ruler

LINEAR, CURVED = Probe(), Probe("curved", depth_mm=90.0)
FLAT = Display()
ROUND = Display(800, 600, 0.22, (400, 90))
PLAIN = RulerLook()


def shots(screen: np.ndarray, *, noise: float = 0.5, seed: int = 0) -> list[Frame]:
    """Three frames of one screen, each with noise of its own."""
    rng = np.random.default_rng(seed)
    noisy = [np.clip(screen + rng.normal(0, noise, screen.shape), 0, 255) for _ in range(3)]
    return [
        Frame(number, number / 25, pixels.round().astype(np.uint8)) for number, pixels in enumerate(noisy)
    ]


def drawn(display: Display, probe: Probe = LINEAR, *, blur_px: float = 0.0) -> tuple[np.ndarray, Screen]:
    """A screen with speckle in its picture, as float (height, width), and its geometry."""
    screen = Screen(BeamGrid(probe, display))
    image = draw_furniture(screen).astype(float)
    speckle = cv2.GaussianBlur(np.random.default_rng(7).rayleigh(1.0, image.shape), (0, 0), 1.5) * 50
    image = np.where(screen.region.mask(*image.shape), speckle.clip(0, 255), image)
    return (cv2.GaussianBlur(image, (0, 0), blur_px) if blur_px else image), screen


def found(
    display: Display, probe: Probe = LINEAR, *, blur_px: float = 0.0, noise: float = 0.5
) -> tuple[Ruler | None, str]:
    image, screen = drawn(display, probe, blur_px=blur_px)
    return look_for_ruler(shots(image, noise=noise), screen.region)


LOOKS = {
    "bars right": (FLAT, LINEAR, {}),
    "bars left": (replace(FLAT, ruler="left", wedge="right"), LINEAR, {}),
    "bars below": (replace(FLAT, ruler="below"), LINEAR, {}),
    "bars above": (replace(FLAT, ruler="above", face_px=(322, 76), lines=()), LINEAR, {}),
    "millimetres, every 10th longer": (FLAT, LINEAR, {"tick_mm": 1.0, "major_every": 10}),
    "dots": (FLAT, LINEAR, {"mark": "dot", "short_px": 1, "long_px": 2}),
    "dots all alike": (FLAT, LINEAR, {"mark": "dot", "short_px": 2, "long_px": 2}),
    "bars all alike, no digits": (FLAT, LINEAR, {"short_px": 6, "long_px": 6, "digits": False}),
    "a spine": (FLAT, LINEAR, {"tick_mm": 2.0, "major_every": 5, "spine": True}),
    "digits that touch": (FLAT, LINEAR, {"long_px": 14}),
    "curved": (ROUND, CURVED, {"tick_mm": 10.0}),
    "small digits on a large screen": (
        Display(1920, 1080, 0.0427, (960, 100)),
        LINEAR,
        {"tick_mm": 1.0, "major_every": 5, "mark": "dot", "short_px": 2, "long_px": 2},
    ),
    "covered ticks": (FLAT, LINEAR, {"covered": (1, 4)}),
    "litter": (replace(FLAT, litter=("focus", "block", "list", "sliders")), LINEAR, {}),
    "litter beside dots": (
        replace(FLAT, ruler="left", wedge="right", litter=("focus", "block", "list")),
        LINEAR,
        {"mark": "dot", "short_px": 2, "long_px": 3},
    ),
}


@pytest.mark.parametrize("blur_px", [0.0, 0.8], ids=["sharp", "rescaled"])
@pytest.mark.parametrize("name", LOOKS)
def test_the_scale_of_a_drawn_ruler_is_right_to_a_third_of_a_percent(name: str, blur_px: float) -> None:
    display, probe, changes = LOOKS[name]
    look = replace(PLAIN, **changes)
    ruler, why = found(replace(display, ruler_look=look), probe, blur_px=blur_px, noise=1.5)

    assert ruler is not None, why
    assert ruler.side == display.ruler
    scale = ruler.scale(look.tick_mm)
    assert scale.x_mm_per_px == scale.y_mm_per_px == pytest.approx(display.mm_per_px, rel=1 / 300)
    assert abs(scale.x_mm_per_px / display.mm_per_px - 1) < 3 * scale.sd_share < 0.01


def test_ticks_lie_where_they_were_drawn_and_long_ones_are_told() -> None:
    look = replace(PLAIN, covered=(3,))
    image, screen = drawn(replace(FLAT, ruler_look=look))
    ruler = find_ruler(shots(image), screen.region)

    assert ruler is not None
    assert ruler.steps.tolist() == [0, 1, 2, 4, 5, 6, 7, 8]
    places = [ruler_place_px(screen, int(number)) for number in ruler.steps]
    np.testing.assert_allclose(ruler.ticks_px[:, 1], places, atol=0.05)
    assert (np.abs(ruler.ticks_px[:, 0] - ruler_line_px(screen) - 3.5) < 2).all()
    assert ruler.is_major.tolist() == [number % 2 == 0 for number in ruler.steps]
    assert ruler.major_spacing_px == pytest.approx(10 / FLAT.mm_per_px, rel=0.003)
    assert ruler.words == f"8 ticks, {ruler.spacing_px:.4g} px apart, every 2nd longer"


def test_ticks_all_alike_have_no_long_ones() -> None:
    ruler, _ = found(replace(FLAT, ruler_look=replace(PLAIN, short_px=6, long_px=6, digits=False)))

    assert ruler is not None
    assert (ruler.major_every, ruler.major_spacing_px, ruler.is_major.any()) == (None, None, False)
    assert "longer" not in ruler.words


def test_dark_ticks_on_a_bright_screen_are_found() -> None:
    image, screen = drawn(FLAT)
    mask = screen.region.mask(*image.shape)
    ruler = find_ruler(shots(np.where(mask, image, 230 - image)), screen.region)

    assert ruler is not None
    assert ruler.spacing_px == pytest.approx(5 / FLAT.mm_per_px, rel=0.003)


def uneven_marks() -> tuple[list[Frame], Region]:
    """Bars as short as ticks in line, at places drawn by lot."""
    image, screen = drawn(replace(FLAT, ruler="none"))
    for place in np.random.default_rng(3).choice(np.arange(60, 400, 7), 9, replace=False):
        cv2.line(image, (500, int(place)), (506, int(place)), 190.0, 1)
    return shots(image), screen.region


@pytest.mark.parametrize(
    ("display", "said"),
    [
        (replace(FLAT, ruler="none"), "no row of evenly spaced marks"),
        (replace(FLAT, ruler="none", litter=("focus", "block", "list")), "span only"),
        (replace(FLAT, ruler="none", litter=("sliders",)), "do not start at the skin"),
        (
            replace(FLAT, ruler_look=replace(PLAIN, covered=(0, 1, 2, 3, 4))),
            "4 evenly spaced marks beside the picture span only 36 % of it",
        ),
        (
            replace(FLAT, ruler_look=replace(PLAIN, tick_mm=2.0, covered=(1, 2, 4, 5, 7, 10, 13, 16, 19))),
            "leave out",
        ),
        (
            replace(FLAT, litter=("sliders",), ruler_look=replace(PLAIN, tick_mm=4.0, short_px=6, long_px=6)),
            "contradict each other",
        ),
    ],
    ids=["hidden", "litter alone", "dots of something else", "half covered", "full of gaps", "two rows"],
)
def test_what_is_no_sure_ruler_is_declined(display: Display, said: str) -> None:
    ruler, why = found(display)

    assert ruler is None
    assert said in why


def test_marks_that_are_not_even_are_declined() -> None:
    assert find_ruler(*uneven_marks()) is None


def test_no_frames_and_no_surround_are_declined() -> None:
    image, screen = drawn(FLAT)
    whole = Region("rectangle", (0, 0, image.shape[1], image.shape[0]))

    assert look_for_ruler([], screen.region) == (None, "the recording holds no frame")
    assert find_ruler(shots(image), whole) is None
    assert find_ruler(shots(np.zeros((8, 8))), Region("rectangle", (0, 0, 8, 8))) is None


def test_a_region_far_too_small_leaves_speckle_beside_it_and_no_ruler() -> None:
    """Whatever lies in the speckle: a wrong scale must not come out."""
    image, _ = drawn(FLAT)
    ruler, _ = look_for_ruler(shots(image), Region("rectangle", (250, 150, 120, 120)))

    assert ruler is None or ruler.spacing_px == pytest.approx(5 / FLAT.mm_per_px, rel=0.01)


@pytest.mark.parametrize("tick_mm", [0.0, -5.0, float("nan"), float("inf"), 1e6])
def test_impossible_distances_of_ticks_are_refused(tick_mm: float) -> None:
    ruler, _ = found(FLAT)

    assert ruler is not None
    with pytest.raises(MarksError, match=r"neighbouring ticks \(tick-mm\) must be from 0\.1 to 50 mm, got"):
        ruler.scale(tick_mm)
