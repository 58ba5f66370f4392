"""ICC: drawn variances recovered, intervals that hold, and what has no value."""

import math

import numpy as np
import pytest

from needlecoach.cohort.icc import FORMS, icc


def drawn(random, n, *, attempts=2.0, raters=(0.0, 0.0, 0.0), noise=1.0):
    return random.normal(0, attempts, (n, 1)) + np.array(raters) + random.normal(0, noise, (n, len(raters)))


def by_name(values):
    return {one.statistic: one for one in icc(values)}


def test_forms_recover_the_variances_they_are_made_of():
    found = by_name(drawn(np.random.default_rng(1), 30_000, raters=(0.0, 1.5, -1.5)))
    # variance of attempts 4, noise 1, raters (as drawn) 2.25; tolerance three standard errors
    assert found["ICC(3,1)"].value == pytest.approx(4 / 5, abs=0.01)
    assert found["ICC(2,1)"].value == pytest.approx(4 / (4 + 2.25 + 1), abs=0.01)
    assert found["ICC(3,k)"].value == pytest.approx(4 / (4 + 1 / 3), abs=0.01)
    assert found["ICC(2,k)"].value == pytest.approx(4 / (4 + 3.25 / 3), abs=0.01)
    assert found["ICC(1,1)"].value < found["ICC(2,1)"].value


@pytest.mark.parametrize("form", ["ICC(1,1)", "ICC(2,1)", "ICC(3,k)"])
def test_intervals_hold_the_truth_about_as_often_as_they_say(form):
    random, held = np.random.default_rng(2), 0
    truth = 4 / 5 if form != "ICC(3,k)" else 4 / (4 + 1 / 3)
    for _ in range(400):
        one = by_name(drawn(random, 12))[form]
        held += one.low <= truth <= one.high
    assert 0.92 < held / 400 < 0.98


def test_every_form_is_named_in_words():
    assert [one.statistic for one in icc(drawn(np.random.default_rng(3), 5))] == list(FORMS)
    assert all("random" in words or "mixed" in words for words in FORMS.values())


def test_only_attempts_that_all_rated_count():
    values = drawn(np.random.default_rng(4), 20)
    with_blanks = np.vstack([values, [[1, np.nan, 2], [np.nan] * 3]])
    assert icc(with_blanks) == icc(values)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (np.ones((2, 2)), "only 2"),
        (np.zeros((0, 3)), "only 0"),
        (np.arange(5.0)[:, None], "one rater"),
        (np.full((6, 3), 4.2), "all ratings are the same"),
        (np.tile([1.0, 2.0], (6, 1)), "do not differ"),
    ],
)
def test_what_has_no_value_says_why(values, words):
    found = icc(values)
    assert all(math.isnan(one.low) for one in found)
    assert any(math.isnan(one.value) and words in one.reason for one in found)


def test_a_constant_difference_is_consistent_and_no_absolute_agreement():
    first = np.arange(10.0)
    found = by_name(np.stack([first, first + 3], axis=1))
    assert found["ICC(3,1)"].value == 1 and "no interval" in found["ICC(3,1)"].reason
    assert 0 < found["ICC(2,1)"].value < 0.8 and "no interval" in found["ICC(2,1)"].reason
