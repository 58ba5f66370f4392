"""The strip along a line through drawn pictures: its shaft, edge and end; invented data throughout."""

import numpy as np
import pytest

from needlecoach.finding.strip import ALONG_MM, Scene

STEP_MM = 0.15
HEIGHT, WIDTH = 240, 260
X, Y = np.meshgrid(np.arange(WIDTH, dtype=float), np.arange(HEIGHT, dtype=float))
MASK = np.ones((HEIGHT, WIDTH), dtype=bool)
SHARE = Y / (HEIGHT - 1)


def shaft(slope_deg, length_mm, *, side=1, half_mm=0.5):
    """A bright band with sharp sides and end, from the edge at 6 mm deep on, in weak even noise."""
    turn = np.radians(slope_deg)
    entry = np.array([0.0 if side > 0 else WIDTH - 1.0, 40.0])
    direction = np.array([side * np.cos(turn), np.sin(turn)])
    along = (X - entry[0]) * direction[0] + (Y - entry[1]) * direction[1]
    across = np.abs((Y - entry[1]) * direction[0] - (X - entry[0]) * direction[1])
    band = (across * STEP_MM < half_mm) & (along * STEP_MM < length_mm)
    noise = np.random.default_rng(1).normal(0, 6, X.shape)
    return np.clip(60 + 90 * band + noise, 0, 255).astype(np.uint8), entry, direction


def scene_of(picture, mask=MASK):
    return Scene.of(picture, mask, SHARE, STEP_MM)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("length_mm", [12.0, 20.0, 27.0])
def test_the_shaft_ends_where_its_band_ends(length_mm, side):
    picture, entry, direction = shaft(35, length_mm, side=side)
    strip = scene_of(picture).strip(entry, direction)
    assert strip.shaft[0] * ALONG_MM < 1
    assert strip.tip_mm == pytest.approx(length_mm, abs=0.5)
    assert not strip.too_short


@pytest.mark.parametrize("turn_deg", [-4.0, -2.0, 2.0, 4.0])
def test_a_line_a_little_off_is_fitted_to_the_band(turn_deg):
    picture, entry, direction = shaft(35, 25.0)
    turn = np.radians(35 + turn_deg)
    middle = entry + direction * 12.5 / STEP_MM
    strip = scene_of(picture).strip(np.add(middle, (0, 1)), np.array([np.cos(turn), np.sin(turn)]))
    for _ in range(2):
        strip = scene_of(picture).strip(*strip.fitted(STEP_MM))
    assert strip.slope_deg == pytest.approx(35, abs=0.4)
    ends = np.array([entry, entry + direction * 25 / STEP_MM])
    off_mm = np.abs((ends - strip.points[0]) @ strip.below) * STEP_MM
    assert off_mm.max() < 0.35


def test_a_straight_edge_strays_less_than_a_bent_one():
    straight, entry, direction = shaft(30, 25.0)
    along = (X - entry[0]) * direction[0] + (Y - entry[1]) * direction[1]
    sag = 0.9 / STEP_MM * np.sin(np.pi * along * STEP_MM / 25)
    rows = np.clip(np.rint(Y + sag), 0, HEIGHT - 1).astype(int)
    bent = straight[rows, X.astype(int)]
    strays = [scene_of(item).strip(entry, direction).stray_mm for item in (straight, bent)]
    assert strays[0] < 0.1
    assert strays[1] > 2 * strays[0]


def test_sides_outside_the_region_hold_no_value_and_no_shaft():
    picture, entry, direction = shaft(35, 25.0)
    above = (Y - entry[1]) * direction[0] - (X - entry[0]) * direction[1]
    strip = scene_of(picture, mask=above * STEP_MM > -0.8).strip(entry, direction)
    assert np.isnan(strip.sides[0]).all()
    assert strip.too_short


def test_a_line_that_only_cuts_a_corner_has_no_strip():
    scene = scene_of(np.full((HEIGHT, WIDTH), 60, dtype=np.uint8))
    down = np.array([np.sqrt(0.5), np.sqrt(0.5)])
    assert scene.strip(np.array([WIDTH - 20.0, 0.0]), down) is None
    assert scene.strip(np.array([0.0, 2.0 * HEIGHT]), down) is None


def test_beams_of_a_flat_probe_point_straight_down():
    scene = scene_of(np.full((HEIGHT, WIDTH), 60, dtype=np.uint8))
    assert scene.beams[100, 100] == pytest.approx([0.0, 1.0])
