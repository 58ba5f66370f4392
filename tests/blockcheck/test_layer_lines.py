import numpy as np
import pytest

from needlecoach.blockcheck.layer_lines import find_layer_lines, lines_seen


@pytest.mark.parametrize("seed", range(5))
def test_gel_of_one_pour_shows_no_line(gel, seed):
    assert find_layer_lines(gel(seed).view()) == ()


@pytest.mark.parametrize("tilt_deg", [-6.0, 0.0, 2.5, 8.0])
@pytest.mark.parametrize("seed", range(2))
def test_a_known_line_comes_out(gel, seed, tilt_deg):
    (line,) = find_layer_lines(gel(seed).line(22, tilt_deg=tilt_deg, db=10).view())
    assert line.depth_mm == pytest.approx(22, abs=0.3)
    assert line.tilt_deg == pytest.approx(tilt_deg, abs=0.75)
    assert line.above_db > 3


def test_two_lines_of_three_pours_come_from_the_top_down(gel):
    found = find_layer_lines(gel().line(13, db=10).line(28, tilt_deg=2, db=12).view())
    assert [line.depth_mm for line in found] == pytest.approx([13, 28], abs=0.4)


def test_a_line_half_across_is_none(gel):
    assert find_layer_lines(gel().line(20, db=18, to_mm=22).view()) == ()


def test_a_needle_and_a_step_in_brightness_are_none(gel):
    assert find_layer_lines(gel().streak(35).view()) == ()
    one = gel()
    one.amplitude[200:] *= 10 ** (-6 / 20)
    assert find_layer_lines(one.view()) == ()


def test_a_line_behind_what_is_left_out_still_counts(gel):
    view = gel().line(22, db=10).gas(12, 8, 4).view()
    mask = np.zeros(view.greys.shape, bool)
    mask[70:, 95:145] = True
    assert len(find_layer_lines(view, left_out=mask)) == 1


def test_lines_of_a_sweep_are_put_together_by_depth(gel):
    pictures = [find_layer_lines(gel(seed).line(22 + 0.3 * seed, db=10).view()) for seed in range(3)]
    ((line, count),) = lines_seen([*pictures, ()])
    assert count == 3
    assert line.depth_mm == pytest.approx(22.3, abs=0.6)
