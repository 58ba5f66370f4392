"""Cooling against the exact solution for a plane wall, and what it must do at its ends."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from needlecoach.block.setting import CONDUCTIVITY, SET_C, STORED, cooling_h, setting_hours
from needlecoach.model.plan import PlannedLayer


def wall_h(thick_mm, film, start_c, air_c, until_c):
    """Middle of a plane wall cooled from both faces: the series of any textbook of heat transfer."""
    half = thick_mm / 2000
    biot = film * half / CONDUCTIVITY
    roots = [
        brentq(lambda z: z * np.sin(z) - biot * np.cos(z), n * np.pi + 1e-9, n * np.pi + np.pi / 2 - 1e-9)
        for n in range(12)
    ]
    z = np.array(roots)
    parts = 4 * np.sin(z) / (2 * z + np.sin(2 * z))
    bound = (until_c - air_c) / (start_c - air_c)
    fourier = brentq(lambda fo: (parts * np.exp(-(z**2) * fo)).sum() - bound, 1e-4, 100)
    return fourier * half**2 * STORED / CONDUCTIVITY / 3600


def test_the_series_is_that_of_the_handbook():
    # Incropera & DeWitt, table of the plane wall (from memory): Biot number 1 has its first root at 0.8603.
    root = brentq(lambda z: z * np.tan(z) - 1, 0.1, 1.5)
    assert root == pytest.approx(0.8603, abs=1e-4)
    assert 4 * np.sin(root) / (2 * root + np.sin(2 * root)) == pytest.approx(1.1191, abs=1e-4)


@pytest.mark.parametrize("film", [5.0, 15.0, 60.0])
@pytest.mark.parametrize("thick_mm", [10.0, 40.0, 90.0])
def test_a_slab_cools_as_the_exact_solution_says(thick_mm, film):
    found = cooling_h(thick_mm, 0.0, 35.0, 5.0, 15.0, films_w_m2_k=(film, film))
    assert found == pytest.approx(wall_h(thick_mm, film, 35.0, 5.0, 15.0), rel=0.01)


def test_nothing_through_the_floor_is_half_of_a_slab_twice_as_thick():
    found = cooling_h(30.0, 0.0, 35.0, 5.0, 15.0, films_w_m2_k=(10.0, 0.0))
    assert found == pytest.approx(wall_h(60.0, 10.0, 35.0, 5.0, 15.0), rel=0.01)


def test_cold_gel_below_takes_heat_and_speeds_it_up():
    alone = cooling_h(25.0, 0.0, 35.0, 5.0, 15.0, films_w_m2_k=(10.0, 0.0))
    on_gel = cooling_h(25.0, 50.0, 35.0, 5.0, 15.0, films_w_m2_k=(10.0, 0.0))
    assert on_gel < alone


def test_ends():
    assert cooling_h(25.0, 0.0, 12.0, 5.0, 15.0, films_w_m2_k=(10.0, 5.0)) == 0
    assert cooling_h(25.0, 0.0, 35.0, 15.0, 15.0, films_w_m2_k=(10.0, 5.0)) == float("inf")


def test_layers_of_a_plan(plan):
    first, second, third = (setting_hours(plan, number) for number in range(3))
    for hours in (first, second, third):
        assert 0 < hours.quick_h < hours.likely_h < hours.slow_h
    thick = setting_hours(replace(plan, layers=(PlannedLayer("deep", 60.0, 20.0),)), 0)
    assert thick.likely_h > 2 * first.likely_h
    assert SET_C == 15.0  # the words of the bench sheet have it too
