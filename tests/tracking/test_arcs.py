"""Arcs fitted to echoes that are known exactly: invented data."""

import numpy as np
import pytest

from needlecoach.tracking.arcs import Echoes, Pins, fit_arcs

TIME_S = np.arange(60) * 0.07


def echoes(slope: np.ndarray, *, reach_mm: np.ndarray | float = 20.0, stray: float = 0.0, seed: int = 0):
    """Echoes every 0.3 mm with 0.15 mm of noise; a share of them are strays, anywhere within 5 mm."""
    rng = np.random.default_rng(seed)
    s = np.tile(np.arange(0, 20, 0.3), (len(slope), 1))
    n = 0.4 + slope[:, None] * s + rng.normal(0, 0.15, s.shape)
    lost = rng.random(s.shape) < stray
    n[lost] = rng.uniform(-5, 5, int(lost.sum()))
    n[s > np.broadcast_to(reach_mm, len(slope))[:, None]] = np.nan
    return Echoes(s, n, np.ones(s.shape), TIME_S[: len(slope)], slope + 0.02)


def test_a_still_shaft_is_the_least_squares_line_of_all_its_echoes() -> None:
    """Checked against numpy's polynomial fit of all echoes together."""
    seen = echoes(np.full(60, 0.1))

    level, slope, _ = fit_arcs(seen, TIME_S)

    steep, foot = np.polyfit(seen.along_mm.ravel(), seen.across_mm.ravel(), 1)
    np.testing.assert_allclose(slope, steep, atol=2e-3)
    np.testing.assert_allclose(level, foot, atol=2e-2)


@pytest.mark.parametrize("stray", [0.0, 0.3])
def test_a_turn_of_ten_degrees_in_half_a_second_is_followed(stray: float) -> None:
    turn = np.tan(np.radians(np.interp(TIME_S, [1.5, 2.0], [0, 10])))

    _, slope, _ = fit_arcs(echoes(turn, stray=stray), TIME_S)

    off = np.degrees(np.arctan(slope) - np.arctan(turn))
    assert np.abs(off).max() < 1.5
    assert np.percentile(np.abs(off), 80) < 0.6


def test_a_short_shaft_borrows_its_slope_from_when_it_was_longer() -> None:
    """Three millimetres of shaft alone tell the slope to some degrees only."""
    reach = np.where(TIME_S < 2, 3.0, 20.0)

    _, slope, _ = fit_arcs(echoes(np.full(60, 0.1), reach_mm=reach), TIME_S)

    np.testing.assert_allclose(slope, 0.1, atol=0.006)


@pytest.mark.parametrize("reach_mm", [11.0, 13.0])
def test_a_shaft_is_not_left_for_an_older_trail_that_the_chain_does_not_mean(reach_mm: float) -> None:
    """Beyond the tip lie the echoes, half as weighty, of a trail 11 degrees flatter, from the same entry."""
    shaft, trail = echoes(np.full(60, 0.2), reach_mm=reach_mm), echoes(np.zeros(60), seed=1)
    own = np.isfinite(shaft.across_mm)
    across = np.where(own, shaft.across_mm, trail.across_mm)
    both = Echoes(shaft.along_mm, across, np.where(own, 1.0, 0.5), TIME_S, np.full(60, 0.18))

    _, slope, _ = fit_arcs(both, TIME_S)

    np.testing.assert_allclose(slope, 0.2, atol=0.01)


def test_times_without_echoes_hold_what_was_known() -> None:
    seen = echoes(np.full(20, 0.1))

    _, slope, bow = fit_arcs(seen, np.array([-1.0, 0.5, 9.0]))

    np.testing.assert_allclose(slope, 0.1, atol=0.01)
    np.testing.assert_allclose(bow, 0, atol=3e-4)


def test_no_echo_at_all_leaves_the_chain_as_it_is() -> None:
    none = Echoes(*np.zeros((3, 0, 0)), np.zeros(0), np.zeros(0))

    level, slope, bow = fit_arcs(none, TIME_S)

    assert not np.any([level, slope, bow])


def test_the_fit_passes_through_a_certain_place_however_many_echoes_lie_elsewhere() -> None:
    pins = Pins(TIME_S[[30]], np.array([18.0]), np.array([4.0]))

    level, slope, bow = fit_arcs(echoes(np.full(60, 0.1)).pinned(pins), TIME_S)

    fitted = level + slope * 18 + bow * 18**2
    assert fitted[30] == pytest.approx(4.0, abs=0.1)
    assert fitted[[0, 59]] == pytest.approx([0.4 + 1.8] * 2, abs=0.3)
