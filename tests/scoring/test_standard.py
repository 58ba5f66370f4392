"""A programme's criteria held against attempts. Figures are invented."""

import pytest

from needlecoach.model import Attempt, Figure
from needlecoach.scoring import COLUMNS
from needlecoach.scoring.standard import (
    COUNTS,
    SHARES,
    WORDS,
    YES_OR_NO,
    Criterion,
    Standard,
    column_of,
    fault_of,
    held_against,
    in_words,
    kind_of,
)


def attempt(outcome="hit", reason="", **figures):
    """An attempt with figures given as a value or (value, sd)."""
    told = {"outcome": Figure("outcome", outcome)}
    for name, value in figures.items():
        told[name] = COLUMNS[name].figure(*value if isinstance(value, tuple) else (value,))
    return Attempt(1, 0, 10, False, (), 5, outcome, told, reason)


def check(column, operator, limit, one):
    (result,) = held_against(Standard("Ours", (Criterion(column, operator, limit),)), one)
    return result.result, result.reason


@pytest.mark.parametrize(
    ("operator", "at_limit"),
    [("<", "not met"), ("<=", "met"), (">", "not met"), (">=", "met"), ("is", "met")],
)
def test_operators_at_on_and_beside_the_limit(operator, at_limit):
    results = [check("passes", operator, 2, attempt(passes=n))[0] for n in (1, 2, 3)]
    beside = {"<": ["met", "not met"], ">": ["not met", "met"], "is": ["not met"] * 2}[operator.rstrip("=")]
    assert results == [beside[0], at_limit, beside[1]]


@pytest.mark.parametrize(
    ("value", "sd", "result"),
    [(2.0, 0.5, "met"), (2.6, 0.5, "can't tell"), (3.4, 0.5, "can't tell"), (3.6, 0.5, "not met"),
     (2.99, None, "met")],
)  # fmt: skip
def test_within_its_uncertainty_of_the_limit_it_cannot_tell(value, sd, result):
    assert check("blind_advance_mm", "<", 3, attempt(blind_advance_mm=(value, sd)))[0] == result


def test_what_cannot_be_told_has_its_reason():
    near = check("blind_advance_mm", "<", 3, attempt(blind_advance_mm=(2.62, 0.51)))
    assert near == ("can't tell", "it was 2.6 give or take 0.5 mm, too near to the limit to tell")
    assert check("overshoot_mm", "<", 3, attempt(overshoot_mm=None)) == (
        "can't tell", "this figure is not known for this attempt",
    )  # fmt: skip
    lost = attempt("unscorable", "the tip was never found", passes=None)
    assert check("passes", "<=", 2, lost) == ("can't tell", "the tip was never found")


@pytest.mark.parametrize(
    ("outcome", "limit", "result"),
    [
        ("hit", "hit", "met"), ("miss", "hit", "not met"), ("borderline", "hit", "can't tell"),
        ("unscorable", "hit", "can't tell"), ("borderline", "borderline", "met"),
        ("hit", "borderline", "not met"),
    ],
)  # fmt: skip
def test_a_borderline_is_neither_hit_nor_miss(outcome, limit, result):
    assert check("outcome", "is", limit, attempt(outcome, "within its uncertainty"))[0] == result


def test_yes_and_no():
    assert check("cut_off", "is", False, attempt(cut_off=True)) == ("not met", "it is yes")
    assert check("cut_off", "is", False, attempt(cut_off=False))[0] == "met"


def test_a_column_of_uncertainty_is_that_of_its_figure():
    one = attempt(closest_edge_mm=(1.0, 0.4))
    assert check("closest_edge_mm_sd", "<", 0.5, one)[0] == "met"
    assert check("overshoot_mm_sd", "<", 0.5, attempt(overshoot_mm=0.0))[0] == "can't tell"
    assert column_of("passes_sd") is None and column_of("outcome_sd") is None


def test_shares_are_said_in_per_cent_and_never_as_the_limit_they_miss():
    assert in_words(Criterion("tip_visibility_share", ">=", 0.8)) == "Tip in sight: at least 80 %"
    assert check("tip_visibility_share", ">=", 0.8, attempt(tip_visibility_share=0.91)) == (
        "met",
        "it was 91 %",
    )
    assert check("tip_visibility_share", ">=", 0.8, attempt(tip_visibility_share=0.7996)) == (
        "not met", "it was 79.96 %",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("criterion", "words"),
    [
        (Criterion("blind_advance_mm", "<", 3), "Blind advance: under 3 mm"),
        (Criterion("blind_advance_mm", "<", 2.55), "Blind advance: under 2.55 mm"),
        (Criterion("passes", "<=", 2), "Passes: at most 2"),
        (Criterion("passes", "is", 1), "Passes: exactly 1"),
        (Criterion("outcome", "is", "hit"), "Outcome: hit"),
        (Criterion("angle_deg", "<", 40), "Angle: under 40°"),
        (Criterion("duration_s", "<", 60, "Within a minute"), "Within a minute"),
    ],
)
def test_criteria_in_words(criterion, words):
    assert in_words(criterion) == words


@pytest.mark.parametrize(
    ("criterion", "key"),
    [
        (Criterion("skill", "<", 3), "column"),
        (Criterion("learner", "is", "L01"), "column"),
        (Criterion("outcome", "<", "hit"), "operator"),
        (Criterion("cut_off", ">=", True), "operator"),
        (Criterion("angle_deg", "is", 30), "operator"),
        (Criterion("outcome", "is", "Hit"), "limit"),
        (Criterion("outcome", "is", 1), "limit"),
        (Criterion("cut_off", "is", 0), "limit"),
        (Criterion("passes", "<", "2"), "limit"),
        (Criterion("passes", "<", True), "limit"),
    ],
)
def test_what_cannot_be_asked(criterion, key):
    fault = fault_of(criterion)
    assert fault is not None and fault[0] == key


@pytest.mark.parametrize("name", COLUMNS)
def test_every_column_can_be_asked_for(name):
    operator, limit = {"words": ("is", "hit"), "yes or no": ("is", True)}.get(kind_of(name), ("<", 3))
    assert fault_of(Criterion(name, operator, limit)) is None


def test_kinds_are_those_of_real_figures(drawing):
    (one,) = drawing().score().attempts
    assert set(COLUMNS) >= WORDS | YES_OR_NO | COUNTS | SHARES
    for name, figure in one.figures.items():
        if figure.value is not None:
            kinds = {str: "words", bool: "yes or no", int: "count", float: "measure"}
            assert kind_of(name) == kinds[type(figure.value)], name
