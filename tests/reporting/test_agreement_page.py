"""The page and table of agreement: words bear what the intervals do, nothing is fetched, nothing typed "
"runs."""

import csv
import html
import io
import math
import re

import numpy as np
import pytest

from needlecoach.cohort.agreement import build_agreement
from needlecoach.cohort.averages import Averages
from needlecoach.cohort.bland_altman import bland_altman
from needlecoach.cohort.coefficient import Coefficient
from needlecoach.cohort.icc import FORMS
from needlecoach.cohort.matching import ToolAttempt
from needlecoach.cohort.ratings import parse_ratings
from needlecoach.reporting import agreement_charts as charts
from needlecoach.reporting import agreement_words as words
from needlecoach.reporting.agreement_page import render_agreement
from needlecoach.reporting.agreement_table import COLUMNS, agreement_csv


def report(recordings=30, raters=3, *, tool=True, extra="overall [1-5]"):
    """Invented ratings: distances with the tool 0.5 mm lower and rougher, outcomes by them, grades without "
    "the tool."""
    random = np.random.default_rng(1)
    lines, attempts = [f"clip,attempt,rater,outcome,closest_edge_mm,{extra}"], []
    for number in range(recordings):
        edge = random.normal(0, 3)
        for rater in range(1, raters + 1):
            said = edge + random.normal(0, 0.4)
            outcome = "hit" if said < -0.3 else "miss" if said > 0.3 else "borderline"
            lines.append(f"L{number},1,S{rater},{outcome},{said:.2f},{1 + number % 5}")
        seen = edge - 0.5 + random.normal(0, 1.5)
        values = {"outcome": "hit" if seen < 0 else "miss", "closest_edge_mm": f"{seen:.3f}"}
        attempts.append(ToolAttempt(f"L{number}", f"L{number}.mp4", f"{number}", 1, "0.6.0", values))
    return build_agreement(parse_ratings("\n".join(lines), "ratings.csv"), attempts if tool else [])


@pytest.fixture(scope="module")
def full():
    return report()


@pytest.fixture(scope="module")
def shown(full):
    return render_agreement(full)


def test_the_page_answers_first_and_for_each_quantity(full, shown):
    head = shown[shown.index("In short") : shown.index("<article")]
    assert head.count("<h3>") == 3
    assert "The tool and a supervisor gave the same answer in" in head
    assert "The tool and a supervisor lie further apart than two supervisors: the difference is +" in head
    assert "The tool has no value of this" in head
    assert "30 attempts of 30 recordings rated by 3 supervisors (S1, S2, S3)" in shown


def test_the_page_names_all_six_forms_and_cautions(shown):
    assert all(form in shown and meaning in shown for form, meaning in FORMS.items())
    for caution in (
        "never patient care",
        "Never for patient care",
        "Needles are sharps",
        "made from food",
        "Visitors may watch",
        "identifying text",
        "infection control",
    ):
        assert caution in shown


def test_the_page_fetches_nothing_and_runs_nothing(shown):
    assert "<script" not in shown and "default-src 'none'" in html.unescape(shown)
    assert not re.search(r"https?:|@import|url\(|src=", shown)


def test_every_picture_has_words_beside_it(shown):
    assert shown.count('class="differences"') == shown.count("<figcaption>") > 0
    assert all(label for label in re.findall(r'class="differences" role="img" aria-label="([^"]*)"', shown))
    assert shown.count('class="interval') == len(re.findall(r'<span class="value">[^<]', shown))


def test_there_are_no_bands_and_the_page_says_why(shown):
    assert "arbitrary" in shown and "Landis and Koch" in shown
    assert not re.search(r"\b(substantial|moderate|excellent|almost perfect) agreement", shown)


def test_what_is_typed_is_shown_and_never_run():
    typed = report(extra="<b>=1+1 [1-5]")
    text, table = render_agreement(typed), agreement_csv(typed)
    assert "<b>=1" not in text and "&lt;b&gt;=1+1" in text
    formula = report(extra="=1+1 [1-5]")
    assert {row["quantity"] for row in csv.DictReader(io.StringIO(agreement_csv(formula)))} >= {"'=1+1"}
    assert table


def test_the_table_has_a_row_per_quantity_raters_and_statistic(full):
    rows = list(csv.DictReader(io.StringIO(agreement_csv(full))))
    assert tuple(rows[0]) == COLUMNS
    keys = [(row["quantity"], row["between"], row["raters"], row["statistic"]) for row in rows]
    assert len(set(keys)) == len(keys)
    pairs = {
        row["raters"]
        for row in rows
        if row["quantity"] == "closest_edge_mm" and row["between"] == "two supervisors"
    }
    assert pairs == {"S1 S2", "S1 S3", "S2 S3"}
    numbers = [
        row["statistic"] for row in rows if row["raters"] == "S1 S2" and row["quantity"] == "closest_edge_mm"
    ]
    assert numbers == [
        *FORMS,
        "mean difference",
        "lower limit",
        "upper limit",
        "slope on the mean",
        "SD of differences",
    ]
    assert all(row["value"] or row["remark"] for row in rows)
    assert all(bool(row["low"]) == bool(row["high"]) == bool(row["interval"]) for row in rows)
    assert all(float(row["low"]) <= float(row["value"]) <= float(row["high"]) for row in rows if row["low"])


@pytest.mark.parametrize(
    ("recordings", "raters", "tool"), [(1, 2, False), (2, 1, True), (4, 2, True), (12, 1, True)]
)
def test_few_ratings_make_a_page_that_says_so(recordings, raters, tool):
    small = report(recordings, raters, tool=tool)
    text = render_agreement(small)
    assert not re.search(r"\bnan\b", text)
    if recordings < 3:
        assert text.count("Too few attempts were rated by any two") == 3
    elif raters == 1:
        assert "How well supervisors agree with each other is not known here" in text
    if recordings < 10:
        assert "10 recordings or more" in text
    assert list(words.in_short(small))


def averages(statistic, value, low, high):
    one = Coefficient(statistic, value, low, high, 10)
    return Averages(statistic, one, one, one, 1, 1)


@pytest.mark.parametrize(
    ("low", "high", "more", "further"),
    [
        (-0.2, 0.1, "do not tell", "do not tell"),
        (0.0, 0.3, "do not tell", "do not tell"),
        (0.01, 0.3, "agrees with a supervisor more than", "lie further apart than"),
        (-0.3, -0.01, "agrees with a supervisor less than", "lie closer together than"),
    ],
)
def test_a_verdict_needs_an_interval_off_zero(full, low, high, more, further):
    coefficient = averages("kappa", (low + high) / 2, low, high)
    apart = averages("mean absolute difference", (low + high) / 2, low, high)
    outcome, edge, _ = full.quantities
    assert more in words._difference(outcome, averages("same answer", 0.9, -1, -0.5), coefficient)
    assert further in words._difference(edge, apart, averages("ICC(2,1)", 0.9, -1, -0.5))


def test_a_difference_without_an_interval_concludes_nothing(full):
    one = averages("kappa", 0.5, math.nan, math.nan)
    assert "nothing can be concluded" in words._difference(full.quantities[0], one, one)


@pytest.mark.parametrize(("low", "high"), [(-1.3, 4.2), (0.001, 0.0093), (-250, 1900), (2, 2)])
def test_steps_of_a_scale_are_even_and_hold_all(low, high):
    steps = charts.nice_steps(low, high)
    assert steps[0] <= low and steps[-1] >= high and 2 <= len(steps) <= 8
    assert np.diff(steps) == pytest.approx(np.full(len(steps) - 1, steps[1] - steps[0]))


def test_dots_lie_where_their_values_are():
    first, second = np.array([1.0, 2, 3, 3]), np.array([0.0, 2, 4, 4])
    svg = charts.differences_plot(bland_altman(first, second), "label")
    dots = [
        (float(x), float(y), float(r))
        for x, y, r in re.findall(r'"dot" cx="([\d.]+)%" cy="([\d.]+)%" r="([\d.]+)"', svg)
    ]
    xs, ys, sizes = zip(*sorted(dots), strict=True)
    # means 0.5, 2, 3.5 evenly apart; differences 1, 0, -1: higher is further up, twice the same is larger
    assert np.diff(xs) == pytest.approx([xs[1] - xs[0]] * 2, abs=0.02)
    assert ys[0] < ys[1] < ys[2] and sizes[2] > sizes[1]


def test_many_dots_are_thinned():
    assert [charts.dots_drawn(n) for n in (0, 10, charts.MOST_DOTS)] == [0, 10, charts.MOST_DOTS]
    assert charts.dots_drawn(20_000) <= charts.MOST_DOTS
