"""Agreement in categories: Cohen's kappa, weighted kappa, Gwet's AC1 and Fleiss' kappa."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np

from needlecoach.cohort.coefficient import Coefficient, IntArray, too_few, with_t, without
from needlecoach.errors import CohortError
from needlecoach.model import FloatArray

Weighting = Literal["none", "linear", "quadratic"]

ONE_CATEGORY = "all ratings are the same, so agreement by chance would be complete too"


def counts(first: IntArray, second: IntArray, categories: int) -> FloatArray:
    """Cross-tabulate two raters' categories, numbered from 0: first rater by row, second by column.

    Attempts that either did not rate (-1) are left out.
    """
    both = (first >= 0) & (second >= 0)
    cells = np.bincount(first[both] * categories + second[both], minlength=categories**2)
    return cells.reshape(categories, categories).astype(float)


def disagreement(categories: int, weighting: Weighting) -> FloatArray:
    """Weights of disagreement (categories, categories), 0 where both say the same.

    "none": 1 elsewhere; "linear": steps apart; "quadratic": their square.
    """
    place = np.arange(categories)
    apart = np.abs(place[:, None] - place[None, :]).astype(float)
    weighed: dict[Weighting, FloatArray] = {
        "none": (apart > 0).astype(float),
        "linear": apart,
        "quadratic": apart**2,
    }
    return weighed[weighting]


def kappa(table: FloatArray, weights: FloatArray | None = None, *, statistic: str = "kappa") -> Coefficient:
    """Cohen's kappa of two raters, weighted when weights of disagreement are given.

    Parameters
    ----------
    table : attempts by category, (q, q), as from `counts`
    weights : (q, q), 0 on the diagonal and none below 0; 1 everywhere else when None

    Raises
    ------
    CohortError
        When table and weights are not such.

    Notes
    -----
    Cohen, Educ Psychol Meas 1960;20:37 and Psychol Bull 1968;70:213. The interval is by the large-sample
    variance of Fleiss, Cohen and Everitt, Psychol Bull 1969;72:323, with Student's t, as raters here see
    tens of attempts.
    """
    weights = disagreement(len(table), "none") if weights is None else np.asarray(weights, dtype=float)
    _check(table, weights)
    n = int(table.sum())
    if few := too_few(n):
        return without(statistic, n, few)
    agreed = 1 - weights / max(weights.max(), 1.0)
    shares = table / n
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    by_chance = float(rows @ agreed @ columns)
    if by_chance > 1 - 1e-12:
        return without(statistic, n, ONE_CATEGORY)
    seen = float((shares * agreed).sum())
    mean = (agreed @ columns)[:, None] + (rows @ agreed)[None, :]
    spread = float((shares * (agreed * (1 - by_chance) - mean * (1 - seen)) ** 2).sum())
    variance = (spread - (seen * by_chance - 2 * by_chance + seen) ** 2) / (n * (1 - by_chance) ** 4)
    return with_t(statistic, (seen - by_chance) / (1 - by_chance), variance, n)


def _check(table: FloatArray, weights: FloatArray) -> None:
    size = len(table)
    if table.shape != (size, size) or size < 1 or not np.isfinite(table).all() or (table < 0).any():
        raise CohortError(f"A cross table must be square with counts from 0, got shape {table.shape}.")
    if weights.shape != table.shape or not np.isfinite(weights).all() or (weights < 0).any():
        raise CohortError(f"Weights must be numbers from 0 in shape {table.shape}, got {weights.shape}.")
    if np.diagonal(weights).any():
        raise CohortError("Weights of disagreement must be 0 where both raters say the same.")


def ac1(said: IntArray, categories: int) -> Coefficient:
    """Gwet's AC1 of two or more raters: agreement beyond chance, steady when nearly all is of one category.

    Parameters
    ----------
    said : (attempts, raters), categories numbered from 0, -1 for not rated
    categories : how many there are to choose from, also those that nobody chose

    Notes
    -----
    Gwet, Br J Math Stat Psychol 2008;61:29, with his variance for attempts as a sample, which allows for
    blanks; interval by Student's t.
    """
    if categories < 2:
        return without("AC1", int(((said >= 0).sum(axis=1) >= 2).sum()), "one category only to choose from")
    return _of_many("AC1", said, categories, lambda each: each * (1 - each) / (categories - 1))


def fleiss(said: IntArray, categories: int) -> Coefficient:
    """Fleiss' kappa of two or more raters; parameters as `ac1`.

    Notes
    -----
    Fleiss, Psychol Bull 1971;76:378. Blanks and the variance as in `ac1` (Gwet's form, same article). For two
    raters it is Scott's pi, a little below Cohen's kappa.
    """
    return _of_many("Fleiss' kappa", said, categories, lambda each: each**2)


def _of_many(
    statistic: str, said: IntArray, categories: int, chance: Callable[[FloatArray], FloatArray]
) -> Coefficient:
    """Coefficient whose agreement by chance is the sum of `chance` over the categories' mean shares."""
    given = (said[:, :, None] == np.arange(categories)).sum(axis=1).astype(float)
    raters = given.sum(axis=1)
    given, raters = given[raters > 0], raters[raters > 0]
    paired = raters >= 2
    n = int(paired.sum())
    if few := too_few(n):
        return without(statistic, n, few.replace("both", "two or more"))
    own = given / raters[:, None]
    mean = own.mean(axis=0)
    by_chance = float(chance(mean).sum())
    if by_chance > 1 - 1e-12:
        return without(statistic, n, ONE_CATEGORY)
    same = np.zeros(len(given))
    same[paired] = ((given * (given - 1)).sum(axis=1)[paired]) / (raters * (raters - 1))[paired]
    seen = float(same[paired].mean())
    value = (seen - by_chance) / (1 - by_chance)
    each = np.where(paired, len(given) / n * (same - by_chance), 0.0) / (1 - by_chance)
    # What one attempt adds to agreement by chance: half of the derivative of `chance`, at the mean shares.
    rate = (1 - mean) / (categories - 1) if statistic == "AC1" else mean
    each = each - 2 * (1 - value) * (own @ rate - by_chance) / (1 - by_chance)
    variance = float(((each - value) ** 2).sum()) / (len(given) * (len(given) - 1))
    return with_t(statistic, value, variance, n)
