"""Where a trail ends, on invented strips."""

from types import SimpleNamespace

import numpy as np
import pytest

from needlecoach.tracking.kymograph import SAMPLE_MM
from needlecoach.tracking.trail import BLACK_GREY, GAP_SHARE, SHORT_MM, SHORT_SD_MM, read_trails

N, SAMPLES, GEL = 80, 200, 80.0
TIME_S = np.arange(N) / 20
# In over the frames 10 to 39, deepest at 30 mm.
POSITION = np.full(N, np.nan)
POSITION[10:40] = np.concatenate([np.linspace(2, 30, 15), np.linspace(30, 2, 15)])


def sample(mm: float) -> int:
    return round(mm / SAMPLE_MM)


def course(to_mm: float, *, gap: tuple[float, float] = (0, 0), black_from: float = 99.0) -> SimpleNamespace:
    """A trail of 40 greys up to a depth, with a gap; the gel is black from a depth on."""
    before = np.where(np.arange(SAMPLES) < sample(black_from), GEL, BLACK_GREY / 2)
    lit = np.arange(SAMPLES) <= sample(to_mm)
    lit[sample(gap[0]) : sample(gap[1])] = False
    grey = np.tile(before, (N, 1))
    grey[45:] += 40 * lit
    axis = SimpleNamespace(direction=np.tile([0.8, 0.6], (N, 1)), entry=np.zeros((N, 2)), step_mm=0.15)
    return SimpleNamespace(grey=grey, before=np.tile(before, (N, 1)), axis=axis)


def read(*args, **options):
    return read_trails(course(*args, **options), POSITION, TIME_S)


@pytest.mark.parametrize("to_mm", [22.0, 29.0, 34.0])
def test_the_end_is_found_and_held_against_the_deepest_tip(to_mm):
    """Deeper than the tip too, as a trail is no part of the track."""
    trails = read(to_mm)
    after = np.isfinite(trails.end_mm)
    assert not after[:44].any() and after[45:60].all()
    assert trails.end_mm[50] == pytest.approx(to_mm, abs=2 * SAMPLE_MM)
    assert trails.beyond_mm[50] == pytest.approx(to_mm - 30 + SHORT_MM, abs=3 * SAMPLE_MM)
    assert POSITION[trails.deepest[50]] == 30


def test_what_is_black_shows_no_bubbles_and_counts_nothing():
    assert 0 <= read(20.0, black_from=20.5).beyond_mm[50] <= SHORT_MM
    assert read(20.0).beyond_mm[50] == pytest.approx(SHORT_MM - 10, abs=0.6)


def test_a_patchy_trail_is_less_sure():
    even, patchy = read(29.0), read(29.0, gap=(10, 14))
    assert even.sd_mm[50] == pytest.approx(SHORT_SD_MM, abs=0.1)
    assert patchy.sd_mm[50] == pytest.approx(GAP_SHARE * 4, abs=0.5)


def test_both_uncertainties_add_up():
    trails = read(29.0)
    tip_sd = np.where(np.isfinite(POSITION), 2.0, np.nan)
    assert trails.beyond_sd_mm(tip_sd)[50] == pytest.approx(np.hypot(trails.sd_mm[50], np.sqrt(2)))
    assert np.isnan(trails.beyond_sd_mm(tip_sd)[:40]).all()


def test_no_trail_is_no_answer():
    trails = read(3.0)
    assert np.isnan(trails.end_mm).all() and np.isnan(trails.beyond_mm).all()


def test_a_line_of_which_only_the_way_out_is_known_tells_no_difference():
    drawn = course(29.0)
    drawn.axis.direction[:30] = [0.6, 0.8]
    trails = read_trails(drawn, POSITION, TIME_S)
    assert np.isfinite(trails.end_mm[50]) and np.isnan(trails.beyond_mm[50])
