"""Drawings of a cohort, read back: what was drawn is what was given, to half a unit."""

import re

import numpy as np
import pytest

from needlecoach.cohort.values import Curve, Cusum, Estimate, LcCusum, Share, Signal, Smooth
from needlecoach.reporting.charts import (
    CusumAxes,
    curve_chart,
    cusum_chart,
    dot_and_bar,
    interval_bar,
    lc_chart,
    number_axis,
    share_axis,
    span_of,
)
from needlecoach.reporting.charts.axes import BOTTOM, LEFT, RIGHT, TOP, attempts_x, whole_axis
from needlecoach.reporting.charts.paths import band, bends, corners, dots, line

UNITS = np.random.default_rng(3).integers(-50, 400, (2, 40))


def points(data):
    """Places that a path of ours goes to: M, m, l, L and h0, relative steps added up."""
    at, found, kind = np.zeros(2), [], ""
    for token in re.findall(r"[MmLlhz]|-?\d+", data):
        if token.isalpha():
            kind, numbers = token, []
            continue
        if kind == "h":
            assert token == "0"
            continue
        numbers.append(int(token))
        if len(numbers) == 2:
            at = np.array(numbers) + (at if kind.islower() else 0)
            found.append(at)
            numbers = []
            kind = {"M": "L", "m": "l"}.get(kind, kind)
    return np.array(found)


def path(chart, kind):
    """Places of the chart's one path of a kind; none without it."""
    found = re.findall(f'class="{kind}" d="([^"]+)"', chart)
    assert len(found) <= 1
    return points(found[0]) if found else np.zeros((0, 2))


@pytest.mark.parametrize("draw", [dots, line])
def test_points_and_lines_go_where_they_are_sent(draw):
    x, y = UNITS
    assert points(draw(x, y)) == pytest.approx(np.column_stack([x, y]))
    assert points(draw(x[:1], y[:1])) == pytest.approx(np.array([[x[0], y[0]]]))
    assert draw(x[:0], y[:0]) == ""


def test_a_band_runs_along_one_line_and_back_along_the_other():
    x, low, high = np.arange(5), np.arange(5) + 10, np.arange(5) + 2
    data = band(x, low, high)
    assert data.endswith("z")
    assert points(data) == pytest.approx(np.column_stack([[*x, *x[::-1]], [*high, *low[::-1]]]))


def test_few_points_draw_a_smooth_line_to_less_than_a_pixel():
    place = np.linspace(0, 1, 40)
    lines = [200 - 180 * np.exp(-place / 0.1), 200 - 60 * np.sin(4 * place), np.full(40, 30.0)]
    kept = bends(*lines)
    assert 5 < len(kept) < 25 and {0, 39} <= set(kept)
    for one in lines:
        assert np.interp(np.arange(40), kept, one[kept]) == pytest.approx(one, abs=1.5)
    assert bends(np.arange(40.0)).tolist() == [0, 39]
    assert bends(np.array([3.0])).tolist() == [0]


def test_straight_runs_need_their_corners_only():
    value = np.cumsum(np.array([0.3, 0.3, 0.3, -0.7, -0.7, 0.3, 0.3]))
    kept = corners(value)
    assert kept.tolist() == [0, 2, 4, 6]
    assert np.interp(np.arange(7), kept, value[kept]) == pytest.approx(value)


def test_a_curve_shows_every_known_point_and_marks_what_lies_beyond():
    value = np.array([4.0, np.nan, 9.0, 55.0, 2.0, -3.0, 0.0])
    order = np.array([1.0, 2, 3, 4, 5, 8, 9])
    axis = number_axis([np.linspace(0, 9, 200)])
    assert (axis.low, axis.high) == (0, 10)
    chart = curve_chart(Curve("x", order, value, None), axis, 12, "frame-0", "Invented <curve>")
    shown = path(chart, "dots")
    read = (BOTTOM - shown[:, 1]) / (BOTTOM - TOP) * 10
    assert read == pytest.approx([4, 9, 2, 0], abs=0.03)
    assert shown[:, 0] == pytest.approx(attempts_x(np.array([1.0, 3, 5, 9]), 12))
    above, below = (points(one) for one in re.findall('class="beyond" d="([^"]+)"', chart))
    assert above[1].tolist() == [attempts_x(np.array([4.0]), 12)[0], TOP - 8]
    assert below[1].tolist() == [attempts_x(np.array([8.0]), 12)[0], BOTTOM + 8]
    assert "&lt;curve&gt;" in chart and "<curve>" not in chart


def test_a_smooth_is_drawn_with_its_band_and_none_without():
    at = np.linspace(1, 10, 40)
    smooth = Smooth(at, 5 - at / 4, 4 - at / 4, 6 - at / 4)
    axis = number_axis([np.array([0.0, 10.0])])
    curve = Curve("x", np.arange(1.0, 11), np.full(10, 3.0), smooth)
    chart = curve_chart(curve, axis, 10, "frame-0", "x")
    middle = path(chart, "mid")
    assert middle[:, 0].tolist() == attempts_x(np.array([1.0, 10.0]), 10).tolist()
    assert middle[:, 1] == pytest.approx(axis.place(np.array([4.75, 2.5])))
    assert path(chart, "band")[:, 1] == pytest.approx(axis.place(np.array([5.75, 3.5, 1.5, 3.75])))
    bare = curve_chart(Curve("x", curve.order, curve.value, None), axis, 10, "frame-0", "x")
    assert "band" not in bare and "mid" not in bare and len(path(bare, "dots")) == 10
    assert "path" not in curve_chart(None, axis, 10, "frame-0", "x")


def test_one_slip_does_not_flatten_all_others():
    values = np.append(np.linspace(1, 9, 199), 4000.0)
    assert number_axis([values]).high == 10
    assert number_axis([values], [np.array([1.0, 30.0])]).high == 30
    assert number_axis([np.array([np.nan])]).ticks == ((0.0, "0"), (0.5, "0.5"), (1.0, "1"))
    assert [words for _, words in number_axis([np.array([-7.0, 3.0])]).ticks] == ["−8", "0", "3"]
    assert whole_axis([np.array([-0.2, 11.0])]).high == 20


def test_hit_and_miss_both_lie_within_their_axis():
    axis = share_axis("hit", "no hit")
    assert not np.any(axis.beyond(np.array([0.0, 1.0])))
    assert TOP < axis.place(np.array([1.0]))[0] < axis.place(np.array([0.0]))[0] < BOTTOM


def test_a_crossing_is_marked_where_it_is():
    value = np.array([0.7, 1.4, 2.1, 2.8, 2.5, -2.5])
    axes = CusumAxes(whole_axis([np.array([-4.0, 4.0])]), whole_axis([np.array([4.0])]), whole_axis([]), 6)
    cusum = Cusum(value, 2.2, -2.2, (Signal(4, "unacceptable"), Signal(6, "acceptable")))
    chart = cusum_chart(cusum, axes, ("fails 40 %", "fails 20 %"), "CUSUM")
    course = path(chart, "course")
    assert course[0].tolist() == [LEFT + 10, axes.two.place(np.zeros(1))[0]] and course[-1][0] == RIGHT - 10
    lines = [int(y) for y in re.findall(rf'class="limit" d="M{LEFT} (\d+)H', chart)]
    assert lines == axes.two.place(np.array([2.2, -2.2])).tolist()
    ring = re.search(r'class="fine" cx="(\d+)" cy="(\d+)"', chart)
    assert [int(one) for one in ring.groups()] == [RIGHT - 10, axes.two.place(np.array([-2.5]))[0]]
    triangle = points(re.search(r'class="worse" d="(M\d+ \d+)', chart)[1])[0]
    assert triangle[0] + 11 == attempts_x(np.array([4.0]), 6, first=0)[0]
    learning = lc_chart(LcCusum(np.array([1.0, 2.0, 3.0]), 3), 2.5, axes, "LC-CUSUM")
    assert learning.count('class="fine"') == 1
    assert 'class="fine"' not in lc_chart(LcCusum(np.array([1.0]), None), 2.5, axes, "LC-CUSUM")


def test_bars_lie_where_their_numbers_do():
    bar = interval_bar(Share(3, 4, 0.25, 1.0, "Wilson"), "Hits")
    low, high = (int(one) for one in re.search(r'"range" d="M(\d+) 12H(\d+)"', bar).groups())
    at = int(re.search(r'cx="(\d+)"', bar)[1])
    assert ((np.array([low, at, high]) - 8) / 224) == pytest.approx([0.25, 0.75, 1.0], abs=0.003)
    assert interval_bar(Share(0, 0, 0.0, 1.0, "Wilson"), "Hits") == ""
    estimates = [Estimate(1.5, 0.2), Estimate(-0.5, 0.9)]
    span = span_of(estimates)
    assert span == (-3.0, 3.0)
    drawn = dot_and_bar(estimates[1], span, "Difficulty")
    ends = np.array([int(one) for one in re.search(r'"range" d="M(\d+) 12H(\d+)"', drawn).groups()])
    assert (ends - 8) / 224 * 6 - 3 == pytest.approx([-0.5 - 1.96 * 0.9, -0.5 + 1.96 * 0.9], abs=0.02)
