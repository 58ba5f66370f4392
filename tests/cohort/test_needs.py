"""Who needs what next: attempts made up so that the answer is plain. All of them are invented."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad

from needlecoach.cohort.needs import certainty_below, need_of, quiet_days, teaching
from needlecoach.cohort.values import Difficulty, Estimate, Share
from needlecoach.errors import CohortError
from needlecoach.scoring.standard import Criterion, Standard

HIT = Criterion("outcome", "is", "hit", "The target was hit")
BLIND = Criterion("blind_advance_mm", "<", 3.0)
PASSES = Criterion("passes", "<=", 2)


def attempts(**columns) -> pd.DataFrame:
    """One learner's attempts, all scorable hits unless said otherwise."""
    n = len(next(iter(columns.values())))
    return pd.DataFrame({"success": np.ones(n), "outcome": "hit", **columns})


def standard(*criteria: Criterion) -> Standard:
    return Standard("Invented", criteria)


def test_the_criterion_missed_most_surely_is_the_need():
    table = attempts(blind_advance_mm=[9, 9, 9, 9, 9, 9, 9, 1, 1, 1], passes=[3, 3, 3, 3, 3, 3, 1, 1, 1, 1])
    need = need_of(table, standard(HIT, PASSES, BLIND))
    assert need.column == "blind_advance_mm"
    assert need.criterion == "Blind advance: under 3 mm"
    assert (need.share_met.successes, need.share_met.trials) == (3, 10)
    assert need.words == "Next: Blind advance, under 3 mm; 3 of the last 10 attempts met it."


def _ends(need) -> tuple[float, float]:
    return need.share_met.low, need.share_met.high


def test_certainty_and_interval_are_the_posterior_s():
    # By integration of the posterior's density itself, share^(3 - 1/2) (1 - share)^(7 - 1/2).
    need = need_of(attempts(blind_advance_mm=[9] * 7 + [1] * 3), standard(BLIND))
    below, whole = (quad(lambda x: x**2.5 * (1 - x) ** 6.5, 0, to)[0] for to in (0.5, 1))
    assert need.certainty == pytest.approx(below / whole, abs=1e-9)
    tails = [quad(lambda x: x**2.5 * (1 - x) ** 6.5, 0, to)[0] / whole for to in _ends(need)]
    assert tails == pytest.approx([0.025, 0.975], abs=1e-9)
    even = need_of(attempts(blind_advance_mm=[9] * 5 + [1] * 5), standard(BLIND))
    assert even is None  # as likely as not is no need
    assert certainty_below(Share(5, 10, 0, 1, "Jeffreys")) == pytest.approx(0.5)


def test_only_the_last_attempts_count():
    table = attempts(blind_advance_mm=[9] * 30 + [1] * 10)
    assert need_of(table, standard(BLIND)) is None
    assert need_of(table, standard(BLIND), last=25).share_met.trials == 25


def test_attempts_that_could_not_be_scored_are_no_attempts():
    table = attempts(blind_advance_mm=[9] * 4 + [1] * 10)
    table.loc[4:, "success"] = np.nan
    assert need_of(table, standard(BLIND)).share_met.trials == 4


@pytest.mark.parametrize("n", [0, 1, 2])
def test_none_under_three_attempts(n):
    assert need_of(attempts(blind_advance_mm=[9.0] * n), standard(BLIND)) is None


def test_attempts_that_can_t_tell_count_neither_way():
    table = attempts(blind_advance_mm=[9, 9, 9, 1, np.nan, np.nan])
    need = need_of(table, standard(BLIND))
    assert (need.share_met.successes, need.share_met.trials) == (1, 4)
    assert "1 of 4 attempts that can tell, among the last 6, met it" in need.words
    table = attempts(blind_advance_mm=[9, 9, np.nan])
    assert need_of(table, standard(BLIND)) is None


def test_an_uncertainty_in_the_table_leaves_it_open():
    table = attempts(blind_advance_mm=[3.2] * 5)
    assert need_of(table, standard(BLIND)).share_met.trials == 5
    assert need_of(table.assign(blind_advance_mm_sd=0.5), standard(BLIND)) is None


def test_a_borderline_outcome_is_neither():
    table = attempts(outcome=["miss", "miss", "miss", "borderline"], success=[0.0, 0, 0, 0])
    need = need_of(table, standard(HIT))
    assert need.share_met.trials == 3
    assert need.words.startswith("Next: The target was hit; none of 3 attempts")
    assert need.words.endswith("met it yet.")


def test_of_equals_the_first_of_the_standard_is_told():
    table = attempts(blind_advance_mm=[9.0] * 5, passes=[5.0] * 5)
    assert need_of(table, standard(PASSES, BLIND)).column == "passes"


def test_nothing_is_needed_by_one_who_meets_all():
    assert need_of(attempts(blind_advance_mm=[1.0] * 10, passes=[1.0] * 10), standard(HIT, BLIND)) is None


@pytest.mark.parametrize(
    ("criterion", "column", "words"),
    [
        (Criterion("tip_visibility_share", ">=", 0.8), [0.1] * 4, "Tip in sight: at least 80 %"),
        (Criterion("cut_off", "is", False), [True] * 4, "Cut off: no"),
        (Criterion("angle_deg", "<=", 45), [60.0] * 4, "Angle: at most 45°"),
        (
            Criterion("closest_edge_mm", "<", -1),
            [2.0] * 4,
            "Closest to outline: under -1 mm (below 0 is inside)",
        ),
        (Criterion("passes", "is", 1), [3.0] * 4, "Passes: exactly 1"),
    ],
)
def test_criteria_in_words(criterion, column, words):
    assert need_of(attempts(**{criterion.column: column}), standard(criterion)).criterion == words


def test_a_column_that_the_table_lacks_can_t_tell():
    assert need_of(attempts(passes=[1.0] * 5), standard(BLIND)) is None


@pytest.mark.parametrize(
    ("last", "days"),
    [("2026-11-26", None), ("2026-11-12", None), ("2026-11-11", 15), ("2025-11-26", 365), ("", None)],
)
def test_quiet_after_two_weeks(last, days):
    assert quiet_days(last, date(2026, 11, 26)) == days


def test_a_date_that_can_t_be_read_is_told():
    with pytest.raises(CohortError, match=r"26\.11\.2026"):
        quiet_days("26.11.2026", date(2026, 11, 26))


def told(abilities: dict[str, float], targets: dict[str, float]) -> Difficulty:
    return Difficulty(
        {code: Estimate(value, 0.1) for code, value in abilities.items()},
        {name: Estimate(value, 0.1) for name, value in targets.items()},
        None,
        np.empty(0),
    )


def test_the_target_hit_half_of_the_time_teaches_most():
    difficulty = told({"L01": 1.0}, {"easy": -2.0, "even": 1.0, "hard": 3.0})
    shares = teaching(pd.DataFrame({"learner": ["L01", "L01"]}), difficulty)
    # By hand: at a difference of d, p (1 - p) is 1 / (2 + 2 cosh d), against 1/4 at none.
    assert shares == pytest.approx(
        {"even": 1.0, "easy": 4 / (2 + 2 * np.cosh(3)), "hard": 4 / (2 + 2 * np.cosh(2))}
    )


def test_it_is_told_for_the_learners_asked():
    difficulty = told({"L01": -2.0, "L02": 2.0}, {"easy": -2.0, "hard": 2.0})
    one = teaching(pd.DataFrame({"learner": ["L01"]}), difficulty)
    other = teaching(pd.DataFrame({"learner": ["L02", "someone else"]}), difficulty)
    assert max(one, key=one.get) == "easy"
    assert max(other, key=other.get) == "hard"


def test_without_a_fit_nothing_teaches():
    assert teaching(pd.DataFrame({"learner": ["L01"]}), told({}, {})) == {}
    assert teaching(pd.DataFrame({"learner": ["L09"]}), told({"L01": 0.0}, {"easy": 0.0})) == {}
