"""Combs of known spacing are laid through drawn places; numbers are invented."""

import numpy as np
import pytest

from needlecoach.screen.comb import fit_comb


def test_a_whole_comb_is_found_exactly() -> None:
    comb = fit_comb(20.5 + 12.25 * np.arange(9))

    assert comb is not None
    assert comb.spacing_px == pytest.approx(12.25)
    assert comb.first_px == pytest.approx(20.5)
    assert (comb.n_missing, comb.n_strays, len(comb.members)) == (0, 0, 9)


def test_missing_teeth_and_strays_do_not_change_the_spacing() -> None:
    teeth = 31.0 + 23.7 * np.delete(np.arange(14), [0, 4, 5, 9])
    comb = fit_comb(np.sort(np.append(teeth, [90.0, 200.0])))

    assert comb is not None
    assert comb.spacing_px == pytest.approx(23.7)
    assert (comb.n_missing, comb.n_strays, len(comb.members)) == (3, 2, 10)


@pytest.mark.parametrize("seed", range(5))
def test_the_spacing_of_rounded_teeth_is_within_three_sd(seed: int) -> None:
    spacing_px = float(np.random.default_rng(seed).uniform(6, 90))
    comb = fit_comb(np.round(10.3 + spacing_px * np.arange(11)))

    assert comb is not None and len(comb.members) == 11
    assert abs(comb.spacing_px - spacing_px) < 3 * comb.spacing_sd_px
    # Least squares by hand: 11 places, each with the sd of rounding, 1/sqrt(12), to two digits.
    assert comb.spacing_sd_px == pytest.approx(0.29 / np.sqrt(110), rel=0.3)


@pytest.mark.parametrize(
    "places", [[], [5.0], [0.0, 10.0, 20.0], [0.0, 11.0, 29.0, 61.0, 107.0], [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]]
)
def test_no_comb_where_there_is_none(places: list[float]) -> None:
    """Too few, uneven, or finer than can be told."""
    assert fit_comb(np.array(places)) is None
