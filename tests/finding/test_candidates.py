"""Lines found in drawn pictures whose shafts are known: invented data throughout.

A pixel is 0.15 mm. The gel is smoothed Rayleigh speckle with a mean of 60 grey values.
"""

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from needlecoach.finding.candidates import Line, find_lines, fit_line

STEP_MM = 0.15
WIDTH, HEIGHT = 320, 260
MASK = np.ones((HEIGHT, WIDTH), dtype=bool)
X, Y = np.meshgrid(np.arange(WIDTH, dtype=float), np.arange(HEIGHT, dtype=float))
RIGHT, LEFT = 1, -1
ENTRY = np.array([20.0, 30.0])


def gel(seed: int) -> np.ndarray:
    """Speckle without anything in it."""
    noise = np.random.default_rng(seed).rayleigh(1.0, (HEIGHT, WIDTH)).astype(np.float32)
    noise = cv2.GaussianBlur(noise, (0, 0), sigmaX=1.8, sigmaY=1.0)
    return 60 * noise / noise.mean()


def along(slope_deg: float, side: int = RIGHT) -> np.ndarray:
    """Unit vector down a shaft that comes in from the left (RIGHT-going) or from the right."""
    return np.array([side * np.cos(np.radians(slope_deg)), np.sin(np.radians(slope_deg))])


def shaft(
    entry: np.ndarray,
    direction: np.ndarray,
    *,
    length_px: float = 160.0,
    grey: float = 100.0,
    width_px: float = 1.6,
    gone: Callable[[np.ndarray], np.ndarray] | None = None,
) -> np.ndarray:
    """Straight shaft with a Gaussian profile and rounded ends; `gone` tells where along it nothing shows."""
    s = (X - entry[0]) * direction[0] + (Y - entry[1]) * direction[1]
    across = (Y - entry[1]) * direction[0] - (X - entry[0]) * direction[1]
    past = np.maximum(np.maximum(-s, s - length_px), 0)
    seen = 1.0 if gone is None else np.where(gone(s), 0.0, 1.0)
    return grey * seen * np.exp(-(across**2 + past**2) / (2 * width_px**2))


def find(picture: np.ndarray, *, mask: np.ndarray = MASK, count: int = 8) -> list[Line]:
    return find_lines(picture, step_mm=STEP_MM, mask=mask, count=count)


def is_on(line: Line, entry: np.ndarray, direction: np.ndarray, *, length_px: float = 160.0) -> bool:
    """Within 0.5 degrees and 0.3 mm, at both ends, of a drawn shaft."""
    turn_deg = np.degrees(np.arccos(min(1.0, float(line.direction @ direction))))
    off_mm = np.abs(line.distance_px([entry, entry + length_px * direction])).max() * STEP_MM
    return bool(turn_deg < 0.5 and off_mm < 0.3)


def on_shaft(
    lines: list[Line], entry: np.ndarray, direction: np.ndarray, *, length_px: float = 160.0
) -> Line:
    """The best of the lines that lie on a drawn shaft."""
    return next(line for line in lines if is_on(line, entry, direction, length_px=length_px))


def start(slope_deg: float, side: int) -> np.ndarray:
    """Where a shaft comes in: from the side when flat, from above when steep."""
    x, y = (0.0, 60.0) if slope_deg < 30 else (60.0, 10.0)
    return np.array([x if side == RIGHT else WIDTH - 1 - x, y])


# ---- a shaft in speckle


@pytest.mark.parametrize("side", [RIGHT, LEFT])
@pytest.mark.parametrize("slope_deg", [10, 20, 30, 40, 50, 60, 70, 80])
@pytest.mark.parametrize("grey", [120, 60, 40])
def test_a_shaft_is_among_the_lines(slope_deg, side, grey):
    entry, direction = start(slope_deg, side), along(slope_deg, side)
    for seed in range(3):
        lines = find(gel(seed) + shaft(entry, direction, grey=grey))
        assert any(is_on(line, entry, direction) for line in lines), seed


def test_a_shaft_alone_is_the_best_line_over_its_whole_length():
    for slope_deg in (10, 20, 30, 40, 50, 60, 70, 80):
        for side in (RIGHT, LEFT):
            entry, direction = start(slope_deg, side), along(slope_deg, side)
            best = find(shaft(entry, direction, grey=25))[0]
            assert is_on(best, entry, direction), (slope_deg, side)
            assert best.support_mm == pytest.approx(160 * STEP_MM, rel=0.06), (slope_deg, side)


def test_a_shaft_in_speckle_is_the_best_line():
    for slope_deg in (25, 45, 65, 80):
        for side in (RIGHT, LEFT):
            for seed in range(4):
                entry, direction = start(slope_deg, side), along(slope_deg, side)
                best = find(gel(seed) + shaft(entry, direction))[0]
                assert is_on(best, entry, direction), (slope_deg, side, seed)


@pytest.mark.parametrize("gap_px", [10, 18, 30])
def test_a_shaft_with_half_of_it_missing_is_found(gap_px):
    direction = along(35)
    for seed in range(4):
        dashed = shaft(
            ENTRY, direction, length_px=200, gone=lambda s, k=seed: np.floor(s / gap_px + k / 4) % 2 == 0
        )
        assert any(is_on(line, ENTRY, direction, length_px=200) for line in find(gel(seed) + dashed)), seed


def test_support_grows_with_length_and_with_contrast_up_to_its_cap():
    direction = along(40)
    short, long = (find(shaft(ENTRY, direction, length_px=n, grey=25))[0].support_mm for n in (80, 240))
    assert long - short == pytest.approx(160 * STEP_MM, rel=0.06)
    greys = [find(gel(1) + shaft(ENTRY, direction, grey=grey))[0].support_mm for grey in (30, 60, 120, 240)]
    assert greys[0] < greys[1] < greys[2]
    assert greys[3] < 1.15 * 160 * STEP_MM


# ---- ends


@pytest.mark.parametrize("side", [RIGHT, LEFT])
@pytest.mark.parametrize(
    ("slope_deg", "from_px", "length_px"), [(35, 0, 160), (35, 90, 110), (60, 60, 120), (15, 120, 100)]
)
def test_ends_are_those_of_the_drawn_stretch(slope_deg, side, from_px, length_px):
    """Nine tenths of a stretch: each end may be short by a twentieth, give or take 0.5 mm."""
    direction = along(slope_deg, side)
    upper = start(slope_deg, side) + from_px * direction
    best = on_shaft(
        find(shaft(upper, direction, length_px=length_px, grey=25)), upper, direction, length_px=length_px
    )
    first, last = (float((np.array(end) - upper) @ direction) for end in (best.first_px, best.last_px))
    assert first == pytest.approx(0.05 * length_px, abs=0.5 / STEP_MM)
    assert last == pytest.approx(0.95 * length_px, abs=0.5 / STEP_MM)
    assert np.abs(best.distance_px([best.first_px, best.last_px])).max() < 1e-6


def test_a_line_that_begins_in_mid_picture_says_so():
    """Speckle may lengthen or shorten it, but not by a tenth of the way back to the picture's edge."""
    upper, direction = np.array([130.0, 120.0]), along(40)
    for seed in range(4):
        picture = gel(seed) + shaft(upper, direction, length_px=100, grey=60)
        line = on_shaft(find(picture), upper, direction, length_px=100)
        assert abs((np.array(line.first_px) - upper) @ direction) < 12
        assert line.first_px[1] < line.last_px[1]


# ---- what is no needle


def test_plain_speckle_gives_short_support_only():
    """A tenth of a 24 mm shaft at most."""
    for seed in range(20):
        assert max((line.support_mm for line in find(gel(seed))), default=0) < 2.4


@pytest.mark.parametrize("grey", [0, 60, 255])
def test_a_constant_picture_gives_nothing(grey):
    assert find(np.full((HEIGHT, WIDTH), grey, dtype=np.uint8)) == []


def test_coding_noise_in_an_otherwise_black_picture_gives_nothing():
    noise = np.random.default_rng(2).integers(0, 2, (HEIGHT, WIDTH)).astype(np.uint8)
    assert find(noise) == []
    assert find(shaft(ENTRY, along(30), grey=2)) == []


def test_nothing_is_found_outside_the_mask():
    direction = along(40)
    picture = shaft(ENTRY, direction)
    left_out = np.hypot(X - 100, Y - 100) < 0
    assert find(picture, mask=left_out) == []
    lower = Y > 80
    best = find(picture, mask=lower)[0]
    assert is_on(best, ENTRY, direction)
    assert best.first_px[1] > 80


@pytest.mark.parametrize("slope_deg", [0, 3, 6, 88, 90])
def test_lines_along_the_probe_face_or_the_sides_are_left_out(slope_deg):
    upper, direction = np.array([150.0, 60.0]), along(slope_deg)
    for line in find(shaft(upper - 40 * direction, direction)):
        assert np.degrees(np.arctan2(line.direction[1], abs(line.direction[0]))) == pytest.approx(47, abs=40)
        assert not is_on(line, upper, direction, length_px=80)


def test_a_short_glaring_spot_does_not_outvote_a_faint_line():
    direction = along(30)
    glare = shaft(np.array([200.0, 60.0]), along(70), length_px=15, grey=180, width_px=2.5)
    lines = find(gel(4) + shaft(ENTRY, direction, length_px=180, grey=40) + glare)
    assert is_on(lines[0], ENTRY, direction, length_px=180)


# ---- copies and neighbours


def copies(slope_deg: float, side: int, gaps_mm: list[float], *, grey: float = 90.0) -> np.ndarray:
    """A shaft and its fainter copies below it."""
    direction = along(slope_deg, side)
    below = np.array([-side * direction[1], side * direction[0]])
    picture = np.zeros((HEIGHT, WIDTH))
    for number, gap_mm in enumerate([0.0, *gaps_mm]):
        upper = start(slope_deg, side) + gap_mm / STEP_MM * below
        picture += shaft(upper, direction, grey=grey * 0.8**number, width_px=1.2)
    return picture


@pytest.mark.parametrize("side", [RIGHT, LEFT])
@pytest.mark.parametrize("slope_deg", [15, 20, 35, 60])
def test_reverberation_copies_are_dimmed(slope_deg, side):
    entry, direction = start(slope_deg, side), along(slope_deg, side)
    below = np.array([-side * direction[1], side * direction[0]])
    lines = find(gel(1) + copies(slope_deg, side, [2.0, 4.0]))
    assert is_on(lines[0], entry, direction)
    for gap_mm in (2.0, 4.0):
        copy = on_shaft(lines, entry + gap_mm / STEP_MM * below, direction)
        assert copy.support_mm < 0.45 * lines[0].support_mm


def test_close_copies_do_not_pull_the_line_down():
    """Copies every 0.87 mm: what an 18-gauge needle's bore gives, by calculation."""
    for slope_deg in (20, 40, 60):
        best = find(gel(1) + copies(slope_deg, RIGHT, [0.87, 1.74, 2.61]))[0]
        assert is_on(best, start(slope_deg, RIGHT), along(slope_deg))


def beside_a_tube(gap_mm: float, seed: int) -> tuple[list[Line], np.ndarray]:
    """Lines of a picture with a shaft at 30 degrees and a brighter tube beside it; where the tube begins."""
    tube_at = ENTRY + gap_mm / STEP_MM * np.array([-along(30)[1], along(30)[0]])
    tube = shaft(tube_at, along(30), length_px=400, grey=140, width_px=2.0)
    return find(gel(seed) + tube + shaft(ENTRY, along(30), grey=70)), tube_at


@pytest.mark.parametrize("gap_mm", [3.0, -3.0, 12.0, -12.0])
def test_a_shaft_beside_a_brighter_tube_is_listed(gap_mm):
    """That the tube never moves is for the tracker to see, not for one picture."""
    for seed in range(3):
        lines, tube_at = beside_a_tube(gap_mm, seed)
        assert any(is_on(line, ENTRY, along(30)) for line in lines)
        assert any(is_on(line, tube_at, along(30)) for line in lines)


def test_a_shaft_above_a_tube_or_far_below_one_keeps_its_support():
    for gap_mm in (3.0, 12.0, -12.0):
        for seed in range(3):
            needle = on_shaft(beside_a_tube(gap_mm, seed)[0], ENTRY, along(30))
            assert needle.support_mm > 0.85 * 160 * STEP_MM, (gap_mm, seed)


def test_a_shaft_just_below_a_tube_counts_as_its_copy():
    """One picture can't tell them apart: it is dimmed to about a third, but not lost."""
    needle = on_shaft(beside_a_tube(-3.0, 0)[0], ENTRY, along(30))
    assert 0.25 * 160 * STEP_MM < needle.support_mm < 0.5 * 160 * STEP_MM


def test_two_crossing_shafts_are_both_found():
    left, right = start(35, RIGHT), start(50, LEFT)
    lines = find(gel(2) + shaft(left, along(35)) + shaft(right, along(50, LEFT)))
    assert any(is_on(line, left, along(35)) for line in lines)
    assert any(is_on(line, right, along(50, LEFT)) for line in lines)


def test_no_shaft_is_listed_twice():
    for slope_deg in (15, 30, 45, 60, 75):
        for grey, width_px in ((25, 1.6), (100, 1.6), (100, 3.0)):
            entry, direction = start(slope_deg, RIGHT), along(slope_deg)
            lines = find(gel(3) + shaft(entry, direction, grey=grey, width_px=width_px))
            assert sum(is_on(line, entry, direction) for line in lines) <= 1, (slope_deg, grey, width_px)


def test_at_most_the_count_asked_for_best_first():
    picture = gel(0) + shaft(ENTRY, along(35)) + shaft(start(50, LEFT), along(50, LEFT), grey=60)
    supports = [line.support_mm for line in find(picture, count=8)]
    assert supports == sorted(supports, reverse=True)
    assert len(supports) > 2
    assert len(find(picture, count=2)) == 2


def test_where_ridges_are_everywhere_only_the_strongest_count():
    """Faint stripes nearly everywhere, as text and graticules give, and one bright shaft."""
    across = Y * np.cos(np.radians(20)) - X * np.sin(np.radians(20))
    stripes = np.where(Y > 0.1 * HEIGHT, 11.0 * (1 - np.cos(2 * np.pi * across / 12)), 0)
    entry, direction = np.array([300.0, 10.0]), along(35, LEFT)

    def striped(lines: list[Line]) -> list[Line]:
        return [line for line in lines if line.direction @ along(20) > np.cos(np.radians(3))]

    narrow = np.where(across % 48 < 12, stripes, 0)  # the same stripes, three in four left out
    assert striped(find(narrow + shaft(entry, direction)))
    lines = find(stripes + shaft(entry, direction))
    assert is_on(lines[0], entry, direction)
    assert not striped(lines)


# ---- the line itself


@pytest.mark.parametrize("slope_deg", [-80, -45, -10, 10, 45, 80])
def test_direction_points_down_and_distance_is_positive_below(slope_deg):
    normal = np.radians(slope_deg - 90)
    for turned in (normal, normal + np.pi):
        across = np.array([np.cos(turned), np.sin(turned)])
        line = Line(turned, float(np.array([50.0, 40.0]) @ across), 0.0)
        assert line.direction[1] > 0
        assert abs(line.direction @ across) < 1e-12
        np.testing.assert_allclose(np.abs(line.direction[0]), np.cos(np.radians(slope_deg)))
        assert line.distance_px((50.0, 60.0)) == pytest.approx(20 * np.cos(np.radians(slope_deg)))
        assert line.distance_px([[50.0, 40.0], [50.0, 20.0]])[0] == pytest.approx(0)
        assert line.distance_px([[50.0, 40.0], [50.0, 20.0]])[1] < 0


@pytest.mark.parametrize("slope_deg", [-90, -60, 0, 30, 89, 90])
def test_a_line_through_exact_points_is_exact(slope_deg):
    s = np.arange(0, 50.0, 5)
    x, y = 12 + s * np.cos(np.radians(slope_deg)), 7 + s * np.sin(np.radians(slope_deg))
    normal, offset = fit_line(x, y, np.ones(s.size))
    assert -np.pi / 2 < normal <= np.pi / 2
    np.testing.assert_allclose(x * np.cos(normal) + y * np.sin(normal), offset, atol=1e-9)


def test_points_of_no_weight_do_not_count():
    x, y = np.arange(6.0), np.array([0.0, 1, 2, 3, 40, -7])
    normal, offset = fit_line(x, y, [1, 1, 1, 1, 0, 0])
    assert np.degrees(normal) == pytest.approx(-45)
    assert offset == pytest.approx(0)


@pytest.mark.parametrize("weight", [[], [1.0], [0.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
def test_a_line_needs_two_points(weight):
    with pytest.raises(ValueError, match="at least two points of weight above 0"):
        fit_line(np.arange(len(weight)), np.arange(len(weight)), weight)
