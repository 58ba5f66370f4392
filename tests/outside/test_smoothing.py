"""Courses against SciPy's smoothing spline and against statsmodels' straight lines; the data are invented."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.interpolate import make_smoothing_spline
from scipy.special import expit

from needlecoach.cohort import courses
from needlecoach.cohort.courses import fit_numbers, share_courses
from needlecoach.cohort.spline import basis_over, laid_out

N = 18
ALONG = np.sort(np.random.default_rng(1).uniform(0, 1, N))
ALONG = (ALONG - ALONG[0]) / (ALONG[-1] - ALONG[0])
VALUES = np.sin(5 * ALONG) + np.random.default_rng(2).normal(0, 0.3, N)
SHOWN = np.linspace(0, 1, 40)
PLACES = laid_out(ALONG)
BASIS = basis_over(PLACES, SHOWN)


@pytest.mark.parametrize("gain", [0.1, 10.0, 1000.0])
def test_course_of_one_bending_is_scipys_smoothing_spline(gain):
    """A wandering course's middle is the natural cubic spline of least squares plus penalty (Wahba 1978)."""
    [fit] = fit_numbers(BASIS, PLACES, VALUES[None], np.array([gain]))
    reference = make_smoothing_spline(ALONG, VALUES, lam=BASIS.size[0] ** 2 / gain)
    np.testing.assert_allclose(fit.courses().middle[0], reference(SHOWN), atol=1e-4)


def test_course_of_one_bending_with_ties_is_scipys_with_weights():
    order = np.append(ALONG, ALONG[3:8])
    values = np.append(VALUES, VALUES[3:8] + 0.5)
    places = laid_out(order)
    basis = basis_over(places, SHOWN)
    [fit] = fit_numbers(basis, places, values[None], np.array([30.0]))
    weights, means = np.ones(N), VALUES.copy()
    weights[3:8], means[3:8] = 2, VALUES[3:8] + 0.25
    reference = make_smoothing_spline(ALONG, means, w=weights, lam=basis.size[0] ** 2 / 30.0)
    np.testing.assert_allclose(fit.courses().middle[0], reference(SHOWN), atol=1e-4)


def test_a_course_without_bends_is_the_regression_line_and_its_interval():
    """statsmodels' OLS: middle and standard error of the mean."""
    middle, sd = fit_numbers(BASIS, PLACES, VALUES[None], np.array([1e-12]))[0].courses().mixed()
    line = sm.OLS(VALUES, sm.add_constant(ALONG)).fit().get_prediction(sm.add_constant(SHOWN))
    np.testing.assert_allclose(middle, line.predicted_mean, atol=1e-9)
    np.testing.assert_allclose(sd, line.se_mean, atol=1e-9)


def test_shares_without_bends_are_logistic_regression(monkeypatch):
    """statsmodels' Logit, when nothing is held beforehand: middle and standard error in logits."""
    for name, value in (("LEVEL_SD", 1e4), ("RISE_SD", 1e4), ("WANDER_SDS", np.array([1e-6]))):
        monkeypatch.setattr(courses, name, value)
    rng, along = np.random.default_rng(4), np.linspace(0, 1, 150)
    hit = (rng.random(150) < expit(3 * along - 1)).astype(float)
    places = laid_out(along)
    middle, sd = share_courses(basis_over(places, SHOWN, 7), places, hit).mixed()
    shown = sm.add_constant(SHOWN)
    line = sm.Logit(hit, sm.add_constant(along)).fit(disp=False)
    np.testing.assert_allclose(middle, shown @ line.params, atol=1e-5)
    np.testing.assert_allclose(sd, np.sqrt(np.sum((shown @ line.cov_params()) * shown, axis=1)), atol=1e-4)
