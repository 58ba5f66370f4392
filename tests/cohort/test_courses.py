"""What is known of a course: mixing over bendings, ties, and how a bending is weighed."""

import numpy as np
import pytest
from scipy.special import expit

from needlecoach.cohort.courses import WANDER_SDS, Courses, fit_numbers, share_courses
from needlecoach.cohort.spline import PLACES, basis_over, laid_out

SHOWN = np.linspace(0, 1, 40)


def test_mixing_adds_what_the_courses_differ_by():
    """Weights 3 to 1, courses 0 and 4 with variances 1 and 5: middle 1, variance 2 + 3."""
    two = Courses(np.log([3.0, 1.0]) - 800, np.array([[0.0], [4.0]]), np.array([[1.0], [5.0]]))
    middle, sd = two.mixed()
    assert (middle[0], sd[0] ** 2) == pytest.approx((1, 5))


def test_scatter_within_ties_counts():
    """Pairs at the same places, 1 above and 1 below a line: what is left is their squares, 24."""
    along = np.repeat(np.linspace(0, 1, 12), 2)
    value = 3 * along + np.tile([1.0, -1.0], 12)
    places = laid_out(along)
    [fit] = fit_numbers(basis_over(places, SHOWN), places, value[None], np.array([0.1, 50.0]))
    np.testing.assert_allclose(fit.squares, 24, rtol=1e-6)


def test_places_are_pooled_evenly():
    places = laid_out(np.linspace(0, 1, 12_345))
    assert places.at.size == PLACES and places.count.min() >= 61 and places.count.max() <= 62
    assert (np.diff(places.at) > 0).all()


def test_bendings_of_shares_are_weighed_by_the_chance_of_the_data():
    """Against the mean likelihood of 200,000 courses drawn as held beforehand; to 0.35 in logarithms."""
    success = np.array([0, 0, 1, 0, 0, 0, 1, 1, 1, 1, 0, 1.0])
    places = laid_out(np.linspace(0, 1, 12))
    basis = basis_over(places, SHOWN, 7)
    rng, expected = np.random.default_rng(5), []
    # Prior of level and rise as written in courses.py: 2.5 and 4 logits.
    scales = np.array([2.5 / basis.line[0, 0], 4.0 / np.ptp(basis.line_shown[:, 1])])
    for sd in WANDER_SDS[:3]:
        logit = (rng.normal(size=(200_000, 2)) * scales) @ basis.line.T
        logit += (sd * rng.normal(size=(200_000, basis.size.size))) @ basis.bend.T
        expected.append(np.log(np.prod(np.where(success > 0, expit(logit), expit(-logit)), axis=1).mean()))
    actual = share_courses(basis, places, success).log_weight[:3]
    np.testing.assert_allclose(np.diff(actual), np.diff(expected), atol=0.35)
