"""Which attempts can be compared: small tables whose answer is plain. All of them are invented."""

import numpy as np
import pandas as pd
import pytest

from needlecoach.cohort.enough import comparable, left_out


def table(*groups: tuple[str, str, int]) -> pd.DataFrame:
    """Attempts of (learner, target, how many), of which every other one is a hit."""
    rows = [
        (learner, target, float(number % 2)) for learner, target, many in groups for number in range(many)
    ]
    return pd.DataFrame(rows, columns=["learner", "target", "success"])


PLENTY = tuple((learner, target, 8) for learner in "ABC" for target in ("near", "deep"))


def test_enough_is_used_whole():
    used, reason = comparable(table(*PLENTY))
    assert used.all()
    assert reason == ""


@pytest.mark.parametrize(
    ("groups", "says"),
    [
        (tuple((one, target, 12) for one in "AB" for target in ("near", "deep")), "3 or more learners"),
        (tuple((one, "near", 20) for one in "ABC"), "2 or more targets"),
        (tuple((one, target, 6) for one in "ABC" for target in ("near", "deep")), "40 or more attempts"),
        (tuple((one, target, 30) for one, target in zip("ABC", "xyz", strict=True)), "2 or more targets"),
        (tuple((one, "", 30) for one in "ABC"), "code and a named target"),
        (tuple(("", target, 30) for target in ("near", "deep")), "code and a named target"),
    ],
    ids=["two learners", "one target", "36 attempts", "each their own", "no names", "no codes"],
)
def test_too_few_are_refused_in_words(groups, says):
    used, reason = comparable(table(*groups))
    assert not used.any()
    assert says in reason
    assert reason.endswith(".")


@pytest.mark.parametrize(("success", "says"), [(1.0, "5 or more misses"), (0.0, "5 or more hits")])
def test_without_a_difference_there_is_nothing_to_tell(success, says):
    same = table(*PLENTY).assign(success=success)
    assert says in comparable(same)[1]


def test_an_empty_table_is_told():
    assert comparable(table())[1]


def test_a_target_of_one_learner_or_a_few_attempts_is_left_out():
    groups = (*PLENTY, ("A", "own", 20), ("A", "rare", 3), ("B", "rare", 4))
    used, reason = comparable(table(*groups))
    assert reason == ""
    assert set(table(*groups)["target"][used]) == {"near", "deep"}


def test_of_two_parts_the_larger_is_used():
    apart = tuple((learner, target, 6) for learner in "DE" for target in ("wide", "thin"))
    used, reason = comparable(table(*PLENTY, *apart))
    assert reason == ""
    assert set(table(*PLENTY, *apart)["learner"][used]) == {"A", "B", "C"}
    bridged, _ = comparable(table(*PLENTY, *apart, ("D", "near", 1)))
    assert bridged.all()


def test_what_could_not_be_scored_is_left_out():
    some = table(*PLENTY)
    some.loc[3, "success"] = np.nan
    used, _ = comparable(some)
    assert not used[3]
    assert used.sum() == len(some) - 1


def test_what_is_left_out_is_said():
    groups = (*PLENTY, ("A", "own", 20), ("", "near", 1), ("B", "", 2))
    some = table(*groups)
    used, _ = comparable(some)
    assert left_out(some, used) == (
        "Left out of telling targets from learners: 3 attempts without a learner's code or a named target, "
        "and 20 attempts at 1 target that too few tried, or that no learner links with the others."
    )
    whole = table(*PLENTY)
    assert left_out(whole, comparable(whole)[0]) == ""
