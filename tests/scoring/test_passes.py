"""Attempts, passes and strokes of depth curves drawn by hand. Invented data."""

from itertools import pairwise

import numpy as np
import pytest

from needlecoach.scoring.kinematics import POSITION_SIGMA_S, local_line
from needlecoach.scoring.passes import Span, count_strokes, split_attempts, split_passes

RATE_HZ = 25


def depth(*levels, hold_s=0.6, speed_mm_s=10.0, rate_hz=RATE_HZ):
    """Depth that goes from level to level at a steady speed and rests at each."""
    time_s, knots = 0.0, [(0.0, levels[0])]
    for before, after in pairwise(levels):
        knots.append((time_s := time_s + hold_s, before))
        knots.append((time_s := time_s + abs(after - before) / speed_mm_s, after))
    knots.append((time_s + hold_s, levels[-1]))
    times = np.arange(0, knots[-1][0], 1 / rate_hz)
    return times, np.interp(times, *zip(*knots, strict=True))


def smooth(times, values):
    return local_line(times, values, sigma_s=POSITION_SIGMA_S)[0]


def counts(*levels, withdrawal_mm=5.0, shake=None):
    times, values = depth(*levels)
    values = smooth(times, values if shake is None else values + shake(times))
    passes = split_passes(values, withdrawal_mm=withdrawal_mm)
    return len(passes), count_strokes(values, passes)


@pytest.mark.parametrize(
    ("levels", "passes", "strokes"),
    [
        pytest.param((0, 20, 0), 1, 0, id="in and out"),
        pytest.param((0, 2.5, 0), 0, 0, id="never 3 mm deep"),
        pytest.param((0, 3.3, 0), 1, 0, id="just over 3 mm"),
        pytest.param((0, 20, 14, 24, 0), 2, 0, id="withdrawn 6 mm"),
        pytest.param((0, 20, 15.3, 24, 0), 1, 1, id="withdrawn 4.7 mm is a stroke"),
        pytest.param((0, 20, 18.8, 24, 0), 1, 0, id="withdrawn 1.2 mm is nothing"),
        pytest.param((0, 20, 17, 20, 17, 20, 17, 20, 0), 1, 3, id="three strokes"),
        pytest.param((0, 20, 10, 12, 0), 1, 1, id="forward hitch within the withdrawal"),
        pytest.param((0, 20, 10, 14, 0), 2, 0, id="a hitch of 4 mm after 10 mm is a pass"),
        pytest.param((0, 20, 16, 18, 13, 25, 0), 2, 1, id="withdrawal in two steps"),
        pytest.param((0, 20, 10, 22, 8, 25), 3, 0, id="three passes, still in"),
        pytest.param((15, 2), 0, 0, id="already in, and out"),
        pytest.param((15, 8, 18, 0), 1, 0, id="already in, then a pass"),
        pytest.param((0, 20, 17), 1, 0, id="back and no more is no to-and-fro"),
    ],
)
def test_passes_and_strokes(levels, passes, strokes):
    assert counts(*levels) == (passes, strokes)


def test_the_withdrawal_that_parts_passes_can_be_set():
    assert counts(0, 20, 12, 24, 0, withdrawal_mm=10.0) == (1, 0)
    assert counts(0, 20, 9, 24, 0, withdrawal_mm=10.0) == (2, 0)
    assert counts(0, 20, 16, 24, 0, withdrawal_mm=3.5) == (2, 0)


def test_tremor_and_tracking_noise_make_neither_pass_nor_stroke():
    rng = np.random.default_rng(11)

    def shake(times):
        return 0.2 * np.sin(2 * np.pi * 8 * times) + rng.normal(0, 0.4, len(times))

    for _ in range(20):
        assert counts(0, 25, 25, 25, 0, shake=shake) == (1, 0)


def test_where_a_pass_begins_and_ends():
    times, values = depth(0, 20, 10, 25, 0)
    first, second = split_passes(values, first_frame=100)
    assert (first.first_frame, second.last_frame) != (0, len(times) - 1)
    assert first.first_frame == 100
    assert values[first.deepest_frame - 100] == pytest.approx(20)
    # The frame before the withdrawal has grown to 5 mm.
    assert values[first.last_frame - 100] > 15 >= values[first.last_frame - 99]
    assert values[second.first_frame - 100] == pytest.approx(10)
    assert values[second.deepest_frame - 100] == pytest.approx(25)


def test_no_depth_no_pass():
    assert split_passes(np.zeros(0)) == ()
    assert count_strokes(np.zeros(0), ()) == 0


def split(drawing, times, present):
    change = {"needle_present": present, "tip_visible": np.zeros(len(times), dtype=bool)}
    return split_attempts(drawing([(0, 5), (9, 5)], times=times, change=change).track())


@pytest.mark.parametrize(("gap_s", "attempts"), [(0.28, 1), (0.30, 2), (0.32, 2)])
def test_gaps_under_three_tenths_are_closed(drawing, gap_s, attempts):
    times = np.arange(0, 3, 0.02)
    present = (times < 1 - 1e-9) | (times > 1 + gap_s - 1e-9)
    spans = split(drawing, times, present)
    assert len(spans) == attempts
    assert spans[0].first_frame == 0 and spans[-1].cut_off
    assert len(spans) == 1 or not spans[0].cut_off


def test_gaps_are_judged_by_time_and_not_by_frames(drawing):
    # Two missing frames each; the recorder slowed down at the second pair.
    times = np.array([0, 0.04, 0.08, 0.12, 0.16, 0.2, 0.4, 0.6, 0.64, 0.68])
    present = np.array([1, 1, 0, 0, 1, 0, 0, 1, 1, 0], dtype=bool)
    assert split(drawing, times, present) == (Span(0, 4, cut_off=False), Span(7, 8, cut_off=False))


def test_no_needle_no_attempt(drawing):
    assert split(drawing, np.arange(5.0), np.zeros(5, dtype=bool)) == ()
