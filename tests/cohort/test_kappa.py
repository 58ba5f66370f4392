"""Kappa, AC1 and Fleiss' kappa: drawn raters recovered, intervals that hold, and what has no value."""

import math

import numpy as np
import pytest

from needlecoach.cohort.kappa import ac1, counts, disagreement, fleiss, kappa
from needlecoach.errors import CohortError


def drawn(random, n, agree):
    """Two raters, three categories: the second repeats the first with chance `agree`, else guesses evenly."""
    first = random.integers(0, 3, n)
    return first, np.where(random.random(n) < agree, first, random.integers(0, 3, n))


@pytest.mark.parametrize("weighting", ["none", "linear", "quadratic"])
def test_kappa_recovers_the_share_that_was_no_guess(weighting):
    # With even guesses kappa is the chance of repeating, whatever the weights; tolerance 3 standard errors.
    first, second = drawn(np.random.default_rng(1), 40_000, 0.6)
    found = kappa(counts(first, second, 3), disagreement(3, weighting))
    assert found.value == pytest.approx(0.6, abs=0.012)
    assert ac1(np.stack([first, second], axis=1), 3).value == pytest.approx(0.6, abs=0.012)
    assert fleiss(np.stack([first, second], axis=1), 3).value == pytest.approx(0.6, abs=0.012)


@pytest.mark.parametrize("n", [25, 80])
def test_intervals_hold_the_truth_about_as_often_as_they_say(n):
    random = np.random.default_rng(2)
    held = np.zeros(3)
    for _ in range(400):
        first, second = drawn(random, n, 0.6)
        both = np.stack([first, second], axis=1)
        found = kappa(counts(first, second, 3)), ac1(both, 3), fleiss(both, 3)
        held += [one.low <= 0.6 <= one.high for one in found]
    # 95 % of 400 is 380; binomial noise is 4.4, and the formulas are those of large samples
    assert (held / 400 > 0.91).all() and (held / 400 < 0.99).all(), held / 400


def test_ac1_is_steady_where_nearly_all_is_of_one_kind():
    """The known paradox of kappa (Feinstein & Cicchetti, J Clin Epidemiol 1990;43:543)."""
    first, second = np.repeat([0, 0, 1], [96, 2, 2]), np.repeat([0, 1, 0], [96, 2, 2])
    assert kappa(counts(first, second, 2)).value < 0
    assert ac1(np.stack([first, second], axis=1), 2).value > 0.95


def test_order_of_raters_does_not_matter():
    first, second = drawn(np.random.default_rng(4), 50, 0.5)
    table = counts(first, second, 3)
    for weights in (None, disagreement(3, "quadratic")):
        one, other = kappa(table, weights), kappa(table.T, weights)
        assert [one.value, one.low, one.high] == pytest.approx([other.value, other.low, other.high])


def test_blanks_are_left_out():
    first, second = np.array([0, 1, -1, 1, 0]), np.array([0, 1, 1, -1, 1])
    assert counts(first, second, 2).tolist() == [[1, 1], [0, 1]]
    with_blank = np.array([[0, 0, -1], [1, 1, 1], [0, 1, -1], [1, 1, 0], [0, -1, -1]])
    assert ac1(with_blank, 2).n == 4


def test_a_category_that_nobody_chose_changes_no_kappa():
    first, second = drawn(np.random.default_rng(6), 60, 0.5)
    assert kappa(counts(first, second, 3)) == kappa(counts(first, second, 5))


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        ([0, 0], [0, 1], "only 2"),
        ([], [], "only 0"),
        ([0, 0, 0, 0], [0, 0, 0, 0], "all ratings are the same"),
    ],
)
def test_what_has_no_value_says_why(first, second, words):
    both = np.array([first, second], dtype=np.int64).T.reshape(-1, 2)
    found = [kappa(counts(both[:, 0], both[:, 1], 2)), fleiss(both, 2)]
    assert all(math.isnan(one.value) and words in one.reason for one in found)
    assert ac1(both, 1).reason


def test_complete_agreement_has_a_value_and_no_interval():
    said = np.array([0, 1, 2, 0, 1])
    for found in (kappa(counts(said, said, 3)), ac1(np.stack([said, said], axis=1), 3)):
        assert found.value == pytest.approx(1)
        assert math.isnan(found.low) and "no interval" in found.reason


@pytest.mark.parametrize(
    ("table", "weights"),
    [
        (np.ones((2, 3)), None),
        (-np.ones((2, 2)), None),
        (np.ones((2, 2)), np.ones((2, 2))),
        (np.ones((2, 2)), np.array([[0, -1], [1, 0]])),
        (np.ones((2, 2)), np.zeros((3, 3))),
    ],
)
def test_what_is_no_table_or_no_weights_is_refused(table, weights):
    with pytest.raises(CohortError):
        kappa(table, weights)
