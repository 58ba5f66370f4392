"""The picture is found on drawn screens whose layout is known."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest

from needlecoach.errors import MarksError, UnscorableError
from needlecoach.model import Frame, Region
from needlecoach.screen import find_region, given_region

RECTANGLE = Region(kind="rectangle", box_px=(121, 44, 399, 415))
WIDE_SECTOR = Region(
    kind="sector",
    box_px=(21, 44, 561, 324),
    apex_px=(301, -99),
    r_min_px=179,
    r_max_px=466,
    half_angle_deg=37,
)
POINTED_SECTOR = Region(
    kind="sector", box_px=(120, 30, 401, 420), apex_px=(320, 20), r_min_px=12, r_max_px=430, half_angle_deg=28
)


@dataclass(frozen=True)
class Look:
    """How a screen is drawn: surround and echoes in grey levels, `fade` the share lost with depth."""

    surround: int = 0
    echo: float = 60.0
    fade: float = 0.3
    writing: bool = True
    seed: int = 0


def draw_screen(
    region: Region, look: Look, *, size: tuple[int, int] = (640, 480), count: int = 3
) -> list[Frame]:
    """Frames of a screen with speckle in `region` and, on request, writing, wedge, ruler and bar."""
    noise = np.random.default_rng(look.seed)
    speckle = cv2.GaussianBlur(noise.rayleigh(1.0, (size[1], size[0])), (0, 0), sigmaX=1.6, sigmaY=0.8)
    x, y = np.meshgrid(np.arange(size[0], dtype=float), np.arange(size[1], dtype=float))
    depth = region.depth_px(np.stack([x, y], axis=-1)) / region.depth_range_px
    picture = look.echo * speckle * np.clip(1 - look.fade * depth, 0, None)
    left, top, width, height = region.box_px
    cv2.circle(picture, (left + width // 2, top + height // 2), height // 10, 0.0, -1)
    screen = np.where(region.mask(size[1], size[0]), picture, look.surround).clip(0, 255).astype(np.uint8)
    if look.writing:
        _draw_writing(screen, region, size)
    frames = []
    for number in range(count):
        shot = np.clip(screen + noise.normal(0, 0.3, screen.shape), 0, 255).round().astype(np.uint8)
        frames.append(Frame(number=number, time_s=number / 25, pixels=shot))
    return frames


def _draw_writing(screen: np.ndarray, region: Region, size: tuple[int, int]) -> None:
    left, top, width, height = region.box_px
    for row, text in enumerate(("GAIN 52", "DR 60", "F 7.5")):
        cv2.putText(screen, text, (6, 20 + 18 * row), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 190, 1)
    cv2.putText(screen, "DEPTH 40", (left + 20, min(top + height + 22, size[1] - 22)), 0, 0.45, 170, 1)
    screen[size[1] - 16 :] = 34
    cv2.putText(screen, "L01  PHANTOM", (200, size[1] - 4), cv2.FONT_HERSHEY_SIMPLEX, 0.4, 200, 1)
    screen[top + 4 : top + 154, 6:14] = np.linspace(255, 0, 150)[:, None]
    for tick in range(9):
        at = top + tick * height // 9
        screen[at : at + 2, left + width + 6 : left + width + 16] = 180


def overlap(found: Region, truth: Region, size: tuple[int, int] = (640, 480)) -> float:
    one, two = found.mask(size[1], size[0]), truth.mask(size[1], size[0])
    return float((one & two).sum() / (one | two).sum())


LOOKS = {
    "plain": Look(writing=False),
    "written over": Look(),
    "grey surround": Look(surround=13),
    "bright surround": Look(surround=120, echo=50.0),
    "dim": Look(echo=25.0),
    "fading with depth": Look(fade=0.75),
}


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS.keys())
@pytest.mark.parametrize(
    "truth", [RECTANGLE, WIDE_SECTOR, POINTED_SECTOR], ids=["rectangle", "wide", "pointed"]
)
def test_drawn_screens(truth: Region, look: Look) -> None:
    found = find_region(draw_screen(truth, look))
    assert (found.kind, found.source) == (truth.kind, "found")
    assert overlap(found, truth) >= 0.97
    assert np.abs(np.subtract(found.box_px, truth.box_px)).max() <= (2 if truth.kind == "rectangle" else 6)


def test_sector_geometry() -> None:
    found = find_region(draw_screen(WIDE_SECTOR, Look()))
    assert found.apex_px == pytest.approx(WIDE_SECTOR.apex_px, abs=3)
    assert found.r_min_px == pytest.approx(179, abs=3)
    assert found.r_max_px == pytest.approx(466, abs=3)
    assert found.half_angle_deg == pytest.approx(37, abs=0.5)


@pytest.mark.parametrize("noise_grey", [1.5, 3.0, 6.0])
@pytest.mark.parametrize("truth", [RECTANGLE, WIDE_SECTOR])
def test_a_noisy_grabber_has_a_surround_too(truth: Region, noise_grey: float) -> None:
    rng = np.random.default_rng(8)
    frames = [
        replace(
            frame,
            pixels=np.clip(frame.pixels + rng.normal(0, noise_grey, frame.pixels.shape), 0, 255).astype(
                np.uint8
            ),
        )
        for frame in draw_screen(truth, Look(), count=12)
    ]

    assert overlap(find_region(frames), truth) > 0.93


@pytest.mark.parametrize("size", [(320, 240), (1280, 720), (1920, 1080)])
def test_any_screen_size(size: tuple[int, int]) -> None:
    width, height = size
    truth = Region(kind="rectangle", box_px=(width // 4, height // 8, width // 2, height * 3 // 4))
    assert overlap(find_region(draw_screen(truth, Look(), size=size)), truth, size) >= 0.97


def test_sector_cut_by_the_frame() -> None:
    """Sides that run out of the frame: the apex still comes from what is left of them."""
    truth = Region(
        kind="sector",
        box_px=(0, 44, 640, 380),
        apex_px=(320, -99),
        r_min_px=179,
        r_max_px=520,
        half_angle_deg=42,
    )
    found = find_region(draw_screen(truth, Look(writing=False)))
    assert found.kind == "sector"
    assert overlap(found, truth) >= 0.97
    assert found.box_px[0] >= 0
    assert found.box_px[0] + found.box_px[2] <= 640


def test_a_picture_that_fills_the_frame() -> None:
    whole = Region(kind="rectangle", box_px=(0, 0, 640, 480))
    assert find_region(draw_screen(whole, Look(writing=False))).box_px == whole.box_px


def test_black_depths_of_a_picture_as_wide_as_the_frame() -> None:
    whole = Region(kind="rectangle", box_px=(0, 0, 640, 480))
    shots = draw_screen(whole, Look(fade=2.0, writing=False), count=1)
    assert find_region(shots).box_px == whole.box_px


def test_deep_echoes_apart_belong_to_the_picture() -> None:
    screen = draw_screen(RECTANGLE, Look(fade=2.2, writing=True), count=1)[0].pixels.copy()
    spot = np.zeros(screen.shape)
    cv2.ellipse(spot, (300, 420), (90, 20), 0, 0, 360, 60.0, -1)
    spot = cv2.GaussianBlur(spot, (0, 0), 6)
    screen = np.clip(screen + spot, 0, 255).astype(np.uint8)
    _, top, _, height = find_region([Frame(0, 0.0, screen)]).box_px
    assert 430 <= top + height <= 462


def test_a_block_below_is_not_the_picture() -> None:
    frames = draw_screen(Region(kind="rectangle", box_px=(121, 44, 399, 340)), Look(writing=False), count=1)
    screen = frames[0].pixels.copy()
    screen[410:450, 300:380] = 150
    assert find_region([Frame(0, 0.0, screen)]).box_px == pytest.approx((121, 44, 399, 340), abs=2)


def test_a_lamp_that_joins_picture_and_menu_bar_adds_neither() -> None:
    """Invented scene: a bar along the whole top, and a lamp mirrored from there to the picture."""
    x, y = np.meshgrid(np.arange(640.0), np.arange(480.0))
    lamp = 200 * np.exp(-(((x - 480) / 35) ** 2 + ((y - 34) / 22) ** 2))
    frames = []
    for frame in draw_screen(RECTANGLE, Look(writing=False)):
        lit = frame.pixels + lamp
        lit[:26] = np.maximum(lit[:26], 40 + 20 * ((x[:26] // 9) % 2))
        frames.append(replace(frame, pixels=lit.clip(0, 255).astype(np.uint8)))

    found = find_region(frames)

    assert found.kind == "rectangle"
    assert overlap(found, RECTANGLE) > 0.97


def test_a_rectangle_with_lost_contact_at_both_ends_is_no_sector() -> None:
    frames = draw_screen(RECTANGLE, Look(writing=False), count=1)
    screen = frames[0].pixels.copy()
    for corner in ([(121, 44), (170, 44), (121, 180)], [(519, 44), (470, 44), (519, 180)]):
        cv2.fillPoly(screen, [np.array(corner)], 0)
    found = find_region([Frame(0, 0.0, screen)])
    assert found.kind == "rectangle"
    assert found.box_px == pytest.approx(RECTANGLE.box_px, abs=2)


def test_a_moving_echo_on_black() -> None:
    shots = []
    for number in range(8):
        screen = np.zeros((480, 640), np.uint8)
        cv2.line(screen, (200, 120 + 35 * number), (500, 90 + 35 * number), 160, 6)
        shots.append(Frame(number, number / 25, screen))
    left, top, width, height = find_region(shots).box_px
    assert (left, left + width) == pytest.approx((200, 500), abs=8)
    assert (top, top + height) == pytest.approx((90, 365), abs=8)


def black(size: tuple[int, int]) -> list[Frame]:
    return [Frame(0, 0.0, np.zeros((size[1], size[0]), np.uint8))]


def only_writing() -> list[Frame]:
    screen = np.zeros((480, 640), np.uint8)
    _draw_writing(screen, RECTANGLE, (640, 480))
    return [Frame(0, 0.0, screen)]


@pytest.mark.parametrize(
    "frames",
    [black((640, 480)), black((1, 1)), black((8, 8)), only_writing(), []],
    ids=["black", "one pixel", "tiny", "writing", "none"],
)
def test_no_picture(frames: list[Frame]) -> None:
    with pytest.raises(UnscorableError) as caught:
        find_region(frames)
    assert not frames or "--region" in str(caught.value)


@pytest.mark.parametrize("seed", range(6))
def test_any_content_gives_a_region_or_an_error(seed: int) -> None:
    noise = np.random.default_rng(seed)
    size = noise.integers(1, 200, 2)
    blocks = noise.integers(0, 256, (8, 8), dtype=np.uint8)
    screen = cv2.resize(blocks, tuple(int(side) for side in size), interpolation=int(noise.choice([0, 1])))
    try:
        x, y, w, h = find_region([Frame(0, 0.0, screen)]).box_px
    except UnscorableError:
        return
    assert x >= 0 and y >= 0 and x + w <= size[0] and y + h <= size[1]


def test_the_users_box_wins() -> None:
    frames = draw_screen(RECTANGLE, Look())
    region = given_region((150, 60, 200, 100), (640, 480), frames)
    assert region == Region(kind="rectangle", box_px=(150, 60, 200, 100), source="given")
    assert given_region((0, 0, 640, 480), (640, 480)).source == "given"


def test_a_sector_in_the_users_box() -> None:
    box = (19, 42, 565, 328)
    region = given_region(box, (640, 480), draw_screen(WIDE_SECTOR, Look()))
    assert (region.kind, region.box_px, region.source) == ("sector", box, "given")
    assert overlap(region, WIDE_SECTOR) >= 0.97


@pytest.mark.parametrize("box", [(600, 0, 41, 100), (-1, 0, 100, 100), (0, 400, 100, 81), (0, 0, 5, 100)])
def test_a_box_outside_the_frame(box: tuple[int, int, int, int]) -> None:
    with pytest.raises(MarksError, match="--region"):
        given_region(box, (640, 480))
