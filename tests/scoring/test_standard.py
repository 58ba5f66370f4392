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
    fault_of,
    held_against,
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
    assert (result.figure.name, result.operator, result.limit) == (column, operator, limit)
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
    assert near == ("can't tell", "")
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
    assert check("cut_off", "is", False, attempt(cut_off=True)) == ("not met", "")
    assert check("cut_off", "is", False, attempt(cut_off=False))[0] == "met"


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
        (Criterion("passes", "is", 1.5), "limit"),
        (Criterion("passes", "<=", -1), "limit"),
        (Criterion("passes", "<", 0), "operator"),
        (Criterion("scale_source", "is", "ruler"), "column"),
        (Criterion("scale_source", ">", 3), "column"),
        (Criterion("closest_edge_mm_sd", "<", 0.5), "column"),
        (Criterion("passes_sd", "<", 1), "column"),
        (Criterion("tip_visibility_share", ">", 1), "operator"),
        *((Criterion(name, ">=", limit), "limit") for name in SHARES for limit in (80, -0.1, 1.01)),
    ],
)
def test_what_cannot_be_asked(criterion, key):
    fault = fault_of(criterion)
    assert fault is not None and fault[0] == key


def test_a_share_over_1_is_told_how_to_be_written():
    fault = fault_of(Criterion("confidence", ">=", 80))
    assert fault == ("limit", "shares run from 0 to 1; 80 % is 0.8, got 80.")


@pytest.mark.parametrize("name", sorted(set(COLUMNS) - {"scale_source"}))
def test_every_other_column_can_be_asked_for(name):
    operator, limit = {"words": ("is", "hit"), "yes or no": ("is", True)}.get(kind_of(name), ("<", 1))
    assert fault_of(Criterion(name, operator, limit)) is None


def test_kinds_are_those_of_real_figures(drawing):
    (one,) = drawing().score().attempts
    assert set(COLUMNS) >= WORDS | YES_OR_NO | COUNTS | SHARES
    for name, figure in one.figures.items():
        if figure.value is not None:
            kinds = {str: "words", bool: "yes or no", int: "count", float: "measure"}
            assert kind_of(name) == kinds[type(figure.value)], name
