import numpy as np
import pytest

from needlecoach.blockcheck.depth import depth_fall, expected_db
from needlecoach.blockcheck.speckle import speckle_cells


def fall_of(view):
    return depth_fall([view], [np.zeros(view.greys.shape, bool)], [speckle_cells(view)])


@pytest.mark.parametrize("db_per_cm", [0.0, 2.0, 5.0, -3.0])
def test_a_known_fall_comes_out_within_its_interval(gel, db_per_cm):
    found = fall_of(gel(4).fall(db_per_cm).view())
    assert found.db_per_cm == pytest.approx(-db_per_cm, abs=0.25)
    assert found.low_db_per_cm - 0.15 <= -db_per_cm <= found.high_db_per_cm + 0.15
    first, last = found.span_mm
    assert 3 < first < 5 and 30 < last < 40
    assert found.total_db == pytest.approx(-db_per_cm * (last - first) / 10, abs=0.8)


def test_gas_and_targets_do_not_bend_it(gel):
    found = fall_of(gel(4).fall(3.0).fluid(12, 18, 5).gas(30, 10, 3).view())
    assert found.db_per_cm == pytest.approx(-3.0, abs=0.6)


def test_where_gel_is_lost_in_black(gel):
    one = gel()
    one.amplitude[250:] *= 1e-3
    assert fall_of(one.view()).lost_mm == pytest.approx(25, abs=2)
    assert fall_of(gel().view()).lost_mm is None


def test_the_course_over_depth_goes_through_steps():
    depth = np.repeat(np.arange(3, 40, 1.0), 8)
    level = np.where(depth < 20, -30.0, -36.0)
    rest = level - expected_db(depth, level)
    assert np.mean(np.abs(rest) < 0.5) > 0.85
