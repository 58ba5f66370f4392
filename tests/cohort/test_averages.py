"""Averages over pairs: truth recovered, intervals that hold also in few recordings, and what has none."""

import math

import numpy as np
import pytest

from needlecoach.cohort.agreement import compare
from needlecoach.cohort.averages import LEAST_RECORDINGS, averages
from needlecoach.cohort.matching import Panel
from needlecoach.cohort.quantities import OUTCOMES, Quantity
from needlecoach.cohort.ratings import TOOL

NUMBERS = Quantity("closest_edge_mm", "Closest", "mm", "numbers", (), True)
ORDER = Quantity("outcome", "Outcome", "", "order", OUTCOMES, True)
WORDS = Quantity("cut_off", "Cut off", "", "words", ("no", "yes"), True)


def panel(values, recording, quantity=NUMBERS, *, tool=True):
    said = np.where(np.isnan(values), -1, np.digitize(np.nan_to_num(values), [-0.4, 0.4])).astype(np.int64)
    raters = tuple(f"S{number}" for number in range(values.shape[1]))
    return Panel(quantity, (TOOL, *raters[1:]) if tool else raters, said, values, np.asarray(recording))


def drawn(random, recordings, quantity=NUMBERS, *, tool_sd=0.8):
    """Three supervisors and the tool; attempts of a recording are alike, one rating in twenty is blank."""
    recording = np.sort(np.r_[np.arange(recordings), random.integers(0, recordings, recordings // 3)])
    truth = random.normal(0, 1.2, recordings)[recording] + random.normal(0, 1.2, len(recording))
    values = truth[:, None] + random.normal(0, [tool_sd, 0.8, 0.8, 0.8], (len(recording), 4))
    values[random.random(values.shape) < 0.05] = np.nan
    return panel(values, recording, quantity)


def by_name(found):
    return {one.statistic: one for one in averages(found)}


@pytest.mark.parametrize("quantity", [NUMBERS, ORDER, WORDS])
def test_an_average_over_one_pair_is_that_pairs_own_value(quantity):
    random = np.random.default_rng(1)
    both = random.normal(0, 1, (40, 1)) + random.normal(0, 0.6, (40, 2))
    both[3, 0] = np.nan
    if quantity is WORDS:
        both = np.where(np.isnan(both), np.nan, np.where(both > 0, 0.0, -1.0))
    one = panel(both, np.arange(40), quantity)
    own = {found.statistic: found.value for found in compare(one, 0, 1).coefficients}
    shared = [name for name in by_name(one) if name in own]
    assert len(shared) >= (1 if quantity is NUMBERS else 3)
    for name in shared:
        assert by_name(one)[name].tool.value == pytest.approx(own[name], abs=1e-12)


def test_supervisors_are_held_against_each_other_where_the_tool_told_something():
    """They differ by 1 where it did and by 5 where it did not."""
    values = np.array([[0.0, 1.0, 2.0]] * 12 + [[np.nan, 0.0, 5.0]] * 30)
    apart = by_name(panel(values, np.arange(42)))["mean absolute difference"]
    assert (apart.supervisors.value, apart.supervisors.n) == (pytest.approx(1.0), 12)
    values[:, 0] = np.nan
    alone = by_name(panel(values, np.arange(42)))["mean absolute difference"]
    assert alone.supervisors.n == 42 and math.isnan(alone.tool.value)


def test_it_tells_a_tool_that_agrees_less_than_supervisors_do():
    found = by_name(drawn(np.random.default_rng(2), 150, tool_sd=2.0))
    for name in ("mean absolute difference", "ICC(2,1)"):
        one = found[name].difference
        assert (one.low > 0) if name == "mean absolute difference" else (one.high < 0)
    assert (found["ICC(2,1)"].tool_pairs, found["ICC(2,1)"].supervisor_pairs) == (3, 3)
    # variances drawn: attempts 2.88, supervisor 0.64, tool 4; tolerance from their spread in 200 attempts
    assert found["ICC(2,1)"].supervisors.value == pytest.approx(2.88 / (2.88 + 0.64), abs=0.07)
    assert found["ICC(2,1)"].tool.value == pytest.approx(2.88 / (2.88 + 2.32), abs=0.12)


@pytest.mark.parametrize("quantity", [NUMBERS, ORDER])
@pytest.mark.parametrize("recordings", [12, 40])
def test_intervals_hold_the_truth_about_as_often_as_they_say(quantity, recordings):
    random = np.random.default_rng(3)
    truth = by_name(drawn(random, 20_000, quantity))
    held = {name: np.zeros((2, 3)) for name in truth}
    for _ in range(150):
        for name, one in by_name(drawn(random, recordings, quantity)).items():
            aims = truth[name].tool.value, truth[name].supervisors.value, 0.0
            found = one.tool, one.supervisors, one.difference
            held[name] += [
                [part.low <= aim <= part.high for part, aim in zip(found, aims, strict=True)],
                [np.isfinite(part.low) for part in found],
            ]
    # 95 % of 150, binomial noise 1.8 %, a jackknife's own shortfall some per cent
    assert all((there > 140).all() and (hits / there > 0.87).all() for hits, there in held.values()), held


def test_few_recordings_have_values_and_no_interval_however_many_attempts():
    one = drawn(np.random.default_rng(4), 60)
    few = panel(one.values, one.recording % (LEAST_RECORDINGS - 1))
    assert all(math.isfinite(found.tool.value) for found in averages(few))
    assert all("recordings or more" in found.tool.reason for found in averages(few))


def test_recordings_that_two_did_not_both_rate_do_not_count():
    values = np.random.default_rng(5).normal(0, 1, (40, 2))
    values[5:, 1] = np.nan
    one = by_name(panel(values, np.arange(40)))["ICC(2,1)"].tool
    assert one.n == 5 and "recordings or more" in one.reason


@pytest.mark.parametrize("tool", [True, False])
def test_a_side_without_pairs_says_so(tool):
    found = by_name(panel(np.random.default_rng(6).normal(0, 1, (30, 2)), np.arange(30), tool=tool))[
        "ICC(2,1)"
    ]
    missing, there = (found.supervisors, found.tool) if tool else (found.tool, found.supervisors)
    assert math.isnan(missing.value) and missing.reason
    assert math.isfinite(there.low) and math.isnan(found.difference.value)


def test_complete_agreement_has_no_interval():
    same = np.tile(np.random.default_rng(7).normal(0, 1, (30, 1)), (1, 3))
    for quantity in (NUMBERS, ORDER):
        for one in averages(panel(same, np.arange(30), quantity)):
            assert math.isfinite(one.tool.value) and "no interval" in one.tool.reason


def test_ratings_that_do_not_differ_have_no_coefficient():
    same = np.full((30, 3), 2.5)
    found = by_name(panel(same, np.arange(30)))["ICC(2,1)"]
    assert math.isnan(found.tool.value) and found.tool_pairs == 0
    assert math.isnan(by_name(panel(same, np.arange(30), ORDER))["kappa, quadratic weights"].tool.value)
