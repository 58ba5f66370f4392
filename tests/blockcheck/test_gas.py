import numpy as np
import pytest

from needlecoach.blockcheck.gas import find_gas, pockets, shadow_share, spots_mask
from needlecoach.blockcheck.view import View
from needlecoach.model import Region


@pytest.mark.parametrize("seed", range(6))
def test_gel_without_gas_shows_none(gel, seed):
    assert find_gas(gel(seed).view()).gas == ()


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "places", [[(10, 12, 3)], [(8, 9, 2), (27, 18, 4)], [(6, 20, 2), (18, 8, 3), (33, 26, 2.5)]]
)
def test_known_gas_is_counted_and_mapped(gel, seed, places):
    one = gel(seed)
    for x, y, wide in places:
        one.gas(x, y, wide)
    found = sorted(find_gas(one.view()).gas, key=lambda spot: spot.centre_px)
    assert len(found) == len(places)
    for spot, (x, y, wide) in zip(found, sorted(places), strict=True):
        assert spot.centre_px == pytest.approx((x / 0.1, y / 0.1), abs=6)
        assert spot.width_mm == pytest.approx(wide, abs=1.0)
        assert spot.depth_mm == pytest.approx(y, abs=0.6)
        assert spot.shadow_db == pytest.approx(10, abs=2.5)
        assert spot.shadow_px[:, 1].max() == pytest.approx(399, abs=6)


def test_a_bright_speck_without_a_shadow_is_no_gas(gel):
    found = find_gas(gel().gas(20, 15, 2, shadow_db=0.0).view())
    assert found.gas == ()
    assert found.n_specks == 1


@pytest.mark.parametrize(("y_mm", "radius_mm"), [(18, 5), (15, 9)])
def test_fluid_with_a_bright_wall_is_no_gas(gel, y_mm, radius_mm):
    # The larger ball is dark over most of what lies below its wall: that gel is bright again below it tells.
    assert find_gas(gel().fluid(20, y_mm, radius_mm).view()).gas == ()


def test_a_needle_is_no_gas(gel):
    one = gel().streak(35)
    x, y = one.places_mm
    below = (x < 20) & ((y - 20) > np.tan(np.radians(35)) * (x - 20))
    one.amplitude[below] *= 10 ** (-5 / 20)
    assert find_gas(one.view()).gas == ()


def test_a_layer_line_is_no_gas(gel):
    assert find_gas(gel().line(15, db=20).view()).gas == ()


def test_what_is_marked_as_a_target_is_left_out(gel):
    view = gel().gas(20, 15, 3).view()
    mask = np.zeros(view.greys.shape, bool)
    mask[135:165, 180:220] = True
    assert find_gas(view, left_out=mask).gas == ()


def test_in_a_sector_a_shadow_runs_along_the_beams(gel):
    # The picture of gel is seen through a sector; the shadow of a spot runs away from its apex.
    region = Region("sector", (0, 0, 400, 400), (200.0, -200.0), 200.0, 590.0, 25.0)
    one = gel(2)
    y, x = np.mgrid[:400, :400]
    radius, angle = np.hypot(x - 200, y + 200), np.degrees(np.arctan2(x - 200, y + 200))
    near = np.abs(angle - 12) < 2
    one.amplitude[near & (radius > 330)] *= 10 ** (-10 / 20)
    one.amplitude[near & (np.abs(radius - 330) < 5)] = 10 ** (25 / 20)
    view = View.of(one.pixels(), region, gel().view().scale, 60.0)
    (spot,) = find_gas(view).gas
    assert spot.centre_px == pytest.approx(
        (200 + 330 * np.sin(np.radians(12)), -200 + 330 * np.cos(np.radians(12))), abs=8
    )
    middle = spot.shadow_px[2:].mean(axis=0)
    assert np.degrees(np.arctan2(middle[0] - 200, middle[1] + 200)) == pytest.approx(12, abs=1)


def test_share_and_mask_of_a_shadow(gel):
    view = gel().gas(20, 10, 8).view()
    spots = find_gas(view).gas
    # 8 mm of 40 mm wide, from 10 mm to 40 mm deep: 15 % of the picture.
    assert shadow_share(view, spots) == pytest.approx(0.15, abs=0.02)
    assert spots_mask(view, spots, margin_mm=1.0).mean() > shadow_share(view, spots)


def test_gas_on_one_picture_after_the_other_is_one_pocket(gel):
    pictures = [find_gas(gel(seed).gas(10, 12, 3).view()).gas for seed in range(3)]
    pictures += [(), find_gas(gel(5).gas(28, 20, 2).view()).gas]
    found = pockets(pictures, [(0.1, 0.1)] * 5)
    assert [one.n_pictures for one in found] == [3, 1]
    assert found[0].width_mm > found[1].width_mm
