"""Agreement against published values and against other people's code."""

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from needlecoach.cohort.bland_altman import bland_altman, exact_factors
from needlecoach.cohort.icc import FORMS, icc
from needlecoach.cohort.kappa import ac1, counts, disagreement, fleiss, kappa

with warnings.catch_warnings():  # what other packages say while they load is theirs
    warnings.simplefilter("ignore")
    import pingouin
    from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

# Shrout & Fleiss, Psychol Bull 1979;86:420, table 2: six targets by four judges.
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float
)
# Bland & Altman, Lancet 1986;i:307, table 1: peak flow in l/min, first reading with each meter.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
# Cohen, Psychol Bull 1968;70:213: the cells of his example (from memory), and his weights of disagreement.
COHEN = np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]], dtype=float)
COHEN_WEIGHTS = np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0]], dtype=float)
# Krippendorff's four observers of twelve units in five categories, blanks as -1 (from memory).
KRIPPENDORFF = np.array(
    [
        [1, 1, 0, 1], [2, 2, 3, 2], [3, 3, 3, 3], [3, 3, 3, 3], [2, 2, 2, 2], [1, 2, 3, 4],
        [4, 4, 4, 4], [1, 1, 2, 1], [2, 2, 2, 2], [0, 5, 5, 5], [0, 0, 1, 1], [0, 0, 3, 0],
    ]
) - 1  # fmt: skip


def test_icc_gives_the_published_six():
    values = [one.value for one in icc(SHROUT_FLEISS)]
    assert values == pytest.approx([0.165742, 0.289764, 0.714841, 0.442797, 0.620051, 0.909316], abs=5e-7)
    assert [f"{value:.2f}" for value in values] == ["0.17", "0.29", "0.71", "0.44", "0.62", "0.91"]


@pytest.mark.parametrize("k", [2, 4])
def test_icc_and_its_intervals_are_those_of_pingouin(k):
    random = np.random.default_rng(5)
    values = random.normal(0, 2, (15, 1)) + random.normal(0, 1, (15, k)) + np.arange(k) * 0.7
    rows = [(i, j, values[i, j]) for i in range(15) for j in range(k)]
    table = pd.DataFrame(rows, columns=["attempt", "rater", "value"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = pingouin.intraclass_corr(table, "attempt", "rater", "value")
    ours = {one.statistic: one for one in icc(values)}
    named = zip(FORMS, ["ICC(1,1)", "ICC(A,1)", "ICC(C,1)", "ICC(1,k)", "ICC(A,k)", "ICC(C,k)"], strict=True)
    for name, their_name in named:
        row = theirs[theirs["Type"] == their_name].iloc[0]
        assert ours[name].value == pytest.approx(row["ICC"], abs=1e-9)
        # they give intervals with two decimals
        assert [ours[name].low, ours[name].high] == pytest.approx(list(row["CI95"]), abs=0.0051)


def test_peak_flow_gives_the_published_limits():
    found = bland_altman(np.array(WRIGHT, dtype=float), np.array(MINI, dtype=float), multiple=2)
    assert found.mean.value == pytest.approx(-2.117647, abs=5e-7)
    assert found.sd == pytest.approx(38.765130, abs=5e-7)
    assert [found.lower.value, found.upper.value] == pytest.approx([-79.648, 75.413], abs=5e-4)
    # The article (from memory): mean difference -2.1, its interval -22.0 to 17.8.
    assert [found.mean.low, found.mean.high] == pytest.approx([-22.0, 17.8], abs=0.06)


def test_limits_have_the_factors_of_one_sided_tolerance_limits():
    """ISO 16269-6, tables for a normal distribution, sd unknown, 95 % content (values from memory)."""
    low, high = exact_factors(10, stats.norm.ppf(0.95))
    # The table leaves 5 % on one side, ours 2.5 % on each: both are read off the same law.
    law = stats.nct(9, stats.norm.ppf(0.95) * np.sqrt(10))
    assert law.ppf(0.95) / np.sqrt(10) == pytest.approx(2.911, abs=5e-4)
    assert law.cdf(np.array([low, high]) * np.sqrt(10)) == pytest.approx([0.025, 0.975], abs=1e-6)


def test_limits_approach_the_usual_formula_in_large_numbers():
    """Bland & Altman, Stat Methods Med Res 1999;8:135: variance of a limit is s²(1/n + 1.96²/(2(n - 1)))."""
    n = 4000
    half = 1.96 * np.sqrt(1 / n + 1.96**2 / (2 * (n - 1)))
    assert exact_factors(n, 1.96) == pytest.approx([1.96 - half, 1.96 + half], abs=2e-3)


def test_kappa_gives_the_values_of_cohen():
    assert kappa(COHEN).value == pytest.approx(0.491525, abs=5e-7)
    assert kappa(COHEN, COHEN_WEIGHTS).value == pytest.approx(0.347826, abs=5e-7)


@pytest.mark.parametrize(
    ("weighting", "theirs"), [("none", None), ("linear", "linear"), ("quadratic", "quadratic")]
)
def test_kappa_and_its_variance_are_those_of_statsmodels(weighting, theirs):
    wanted = cohens_kappa(COHEN, wt=theirs)
    found = kappa(COHEN, disagreement(3, weighting))
    assert found.value == pytest.approx(wanted.kappa, abs=1e-12)
    half = stats.t.ppf(0.975, 199) * wanted.std_kappa
    assert (found.high - found.low) / 2 == pytest.approx(half, rel=1e-9)


def test_fleiss_is_that_of_statsmodels():
    said = np.random.default_rng(3).integers(0, 4, (30, 5))
    said[:, 1] = said[:, 0]
    table = (said[:, :, None] == np.arange(4)).sum(axis=1)
    assert fleiss(said, 4).value == pytest.approx(fleiss_kappa(table), abs=1e-12)


def test_ac1_and_fleiss_with_blanks_are_those_of_gwets_own_program():
    """Printed by it for these data (from memory): AC1 0.77544, SE 0.14295; Fleiss 0.76117, SE 0.15302."""
    n = 11  # rated by two or more
    quantile = stats.t.ppf(0.975, n - 1)
    for found, value, error in (
        (ac1(KRIPPENDORFF, 5), 0.77544, 0.14295),
        (fleiss(KRIPPENDORFF, 5), 0.76117, 0.15302),
    ):
        assert found.value == pytest.approx(value, abs=5e-6)
        assert (found.value - found.low) / quantile == pytest.approx(error, abs=5e-6)
        assert found.n == n


def test_ac1_of_two_is_the_formula_written_out():
    """Gwet 2008: chance is the mean over categories of share times rest, over q - 1."""
    first, second = np.repeat([0, 0, 1, 1], [45, 3, 1, 1]), np.repeat([0, 1, 0, 1], [45, 3, 1, 1])
    mean = (48 + 46) / 100
    chance = 2 * mean * (1 - mean)
    found = ac1(np.stack([first, second], axis=1), 2)
    assert found.value == pytest.approx((46 / 50 - chance) / (1 - chance), abs=1e-12)
    assert counts(first, second, 2).tolist() == [[45, 3], [1, 1]]
