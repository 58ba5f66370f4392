"""The page of a cohort, read as a browser would: all learners, all words, nothing that runs or fetches."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from needlecoach.cohort.values import Calibration, Curve, Difficulty, LcCusum
from needlecoach.reporting import cohort_views
from needlecoach.reporting.cohort_page import render_cohort
from needlecoach.reporting.cohort_views import Drawn
from needlecoach.reporting.cohort_words import number_words
from tests.reporting.invented_cohort import LIMIT, MEASURES, invented_cohort

VOID = {"meta", "link", "br", "img", "input", "hr"}
HOSTILE = '<script>alert("x")</script>&amp;<b>'


class Reader(HTMLParser):
    """The page as a list of elements: name, attributes, all text within; the tree is checked on the way."""

    def __init__(self, text):
        super().__init__()
        self.elements, self._open = [], []
        self.feed(text)
        assert self._open == []

    def handle_starttag(self, tag, attrs):
        one = [tag, dict(attrs), ""]
        self.elements.append(one)
        if tag not in VOID:
            self._open.append(one)
        if tag in {"td", "th"}:
            self.handle_data(" ")

    def handle_startendtag(self, tag, attrs):
        self.elements.append([tag, dict(attrs), ""])

    def handle_endtag(self, tag):
        assert self._open[-1][0] == tag
        self._open.pop()

    def handle_data(self, data):
        for one in self._open:
            one[2] += data

    def all(self, tag, **wanted):
        return [
            one
            for one in self.elements
            if one[0] == tag and all(one[1].get(name.rstrip("_")) == value for name, value in wanted.items())
        ]

    def texts(self, tag, **wanted):
        return [" ".join(one[2].split()) for one in self.all(tag, **wanted)]

    def section(self, name):
        return self.texts("section", aria_labelledby=name)[0]


def read(report):
    return Reader(render_cohort(report).replace("aria-labelledby", "aria_labelledby"))


@pytest.fixture(scope="module")
def report():
    return invented_cohort()


@pytest.fixture(scope="module")
def told(report):
    return read(report)


def of_learner(report, number, **changes):
    """The report with one learner changed."""
    people = list(report.learners)
    people[number] = replace(people[number], **changes)
    return replace(report, learners=tuple(people))


def test_the_head_says_what_it_is(told):
    assert told.texts("h1") == ["12 learners, 300 attempts"]
    assert told.texts("p", class_="span") == ["2026-09-07 to 2026-10-30"]
    assert "for the supervisor" in told.texts("p", class_="kind")[0]
    cautions = told.section("cautions")
    for words in (
        "Never for patient care",
        "sharps",
        "infection control",
        "food",
        "Visitors",
        "identifying text",
    ):
        assert words in cautions
    assert "licensed supervisor have the last word" in cautions
    assert told.section("invented") == "Invented data: no learner on this page is a person"
    assert "Two results of the same recording were found" in told.section("notes")
    assert "needlecoach 0.6.0" in told.section("record")


def test_what_is_invented_in_part_is_counted(report):
    table = report.table.assign(invented=np.arange(300) < 40)
    said = read(replace(report, table=table)).section("invented")
    assert said.startswith("Some data are invented 40 of 300 attempts")
    none = read(replace(report, table=report.table.assign(invented=False), notes=()))
    assert none.all("section", aria_labelledby="invented") == []
    assert none.all("section", aria_labelledby="notes") == []


def test_learners_stand_in_the_order_of_their_codes_with_every_measure(report, told):
    heads = [one[2] for one in told.all("h3") if one[1].get("id", "").startswith("learner-")]
    assert heads == [f"L{n:02d}" for n in range(1, 13)]
    titles = told.texts("p", class_="title")
    curves = [f"{one.title}, {one.unit}".rstrip(", ") for one in MEASURES]
    assert titles == curves * 12 + ["CUSUM", "LC-CUSUM", "Risk-adjusted CUSUM"] * 12
    charts = [one[1]["aria-label"] for one in told.all("svg", role="img")]
    assert "Blind advance, L07" in charts and "Risk-adjusted CUSUM, L12" in charts
    ids = [one[1]["id"] for one in told.elements if "id" in one[1]]
    assert len(ids) == len(set(ids))
    used = {one[1]["href"][1:] for one in told.all("use") + told.all("a")}
    assert used <= set(ids)


@pytest.mark.parametrize("most", [0, 10_000])
def test_every_attempt_is_a_point(report, monkeypatch, most):
    monkeypatch.setattr(cohort_views, "MOST_NAMED", most)
    text = render_cohort(report)
    assert ("<title>L01-1.mp4" in text) is bool(most)
    shown = [re.findall(rf'<(?:g|path) class="{kind}".*?(?:/g>|/>)', text) for kind in ("dots", "beyond")]
    drawn = sum(one.count("h0") for one in shown[0])
    beyond = sum(one.count("M") for one in re.findall(' d="([^"]*)"', "".join(shown[1])))
    known = sum(int(np.isfinite(c.value).sum()) for one in report.learners for c in one.curves)
    assert drawn + beyond == known and beyond > 0


def test_a_dot_says_which_attempt_it_is_and_its_value(report):
    one, value = report.learners[0], report.learners[0].curves[3].value
    (chart,) = re.findall(r'<svg[^>]*aria-label="Time to target, L01".*?</svg>', render_cohort(report))
    known = np.flatnonzero(np.isfinite(value))
    assert 5 < len(known) < one.attempts
    assert sorted(re.findall(r"<title>(.*?)</title>", chart)) == sorted(
        f"L01-{n + 1}.mp4, attempt 1, 2026-09-07: {number_words(value[n], MEASURES[3])}" for n in known
    )
    unnamed = replace(report, table=report.table.assign(clip="", date=""))
    assert "<title>attempt 1: hit</title>" in render_cohort(unnamed)


def test_a_clip_with_a_hostile_name_stays_text(report):
    told = read(replace(report, table=report.table.assign(clip=HOSTILE)))
    assert told.all("script") == [] and f"{HOSTILE}, attempt 1, 2026-09-07: hit" in told.texts("title")


def test_the_largest_page_with_named_dots_is_under_three_megabytes():
    report = invented_cohort(30, cohort_views.MOST_NAMED // 30)
    assert "<title>L01-1.mp4" in (text := render_cohort(report))
    assert len(text.encode()) < 3_000_000


def test_words_beside_a_curve_say_what_it_shows(report):
    order = np.arange(1.0, 6)
    curves = list(report.learners[0].curves)
    curves[1] = Curve("closest_centre_mm", order, np.array([1.0, np.nan, 3, 2, 400]), None)
    captions = read(of_learner(report, 0, curves=tuple(curves))).texts("figcaption")
    assert captions[1] == "points only: too few for a line; 1 not known; 1 beyond the axis, furthest 400 mm"
    assert re.fullmatch(r"now about \d+ % \(\d+ to \d+ %\)", captions[0])
    missing = read(of_learner(report, 0, curves=tuple(curves[:1]))).texts("figcaption")
    assert missing[1:5] == ["not known"] * 4


def test_one_scale_holds_for_all_learners(report):
    worse = of_learner(
        report, 3, curves=tuple(replace(one, value=3 * one.value) for one in report.learners[3].curves)
    )
    assert Drawn.of(worse).axes[0] == Drawn.of(report).axes[0]
    assert Drawn.of(worse).axes[2].high > Drawn.of(report).axes[2].high
    text = render_cohort(worse)
    assert len(re.findall('<g id="frame-2">', text)) == 1 and text.count('href="#frame-2"') == 12


def test_a_crossing_is_said_and_beside_a_declaration_the_rate_of_false_ones(report, told):
    words = told.texts("figcaption")[60:]
    declared = [one for one in report.learners if one.lc_cusum.competent_at is not None]
    false = "Of simulated learners who fail 40 % of the time 4.8 % are declared so within 50 trials."
    for n, one in enumerate(report.learners):
        said = words[3 * n + 1]
        if one in declared:
            assert said == f"Declared competent at trial {one.lc_cusum.competent_at}. {false}"
        else:
            assert said.startswith(f"Not declared competent within {len(one.lc_cusum.value)} trials. Of")
            assert "who fail 20 % of the time 83.0 % are" in said
    assert declared
    fits = {
        "unacceptable": ("upper", "fits a failure rate of 40 % rather than 20 %."),
        "acceptable": ("lower", "fits a failure rate of 20 % rather than 40 %."),
    }
    seen = set()
    for n, one in enumerate(report.learners):
        for side in {signal.side for signal in one.cusum.signals}:
            trial = next(signal.trial for signal in one.cusum.signals if signal.side == side)
            line, meaning = fits[side]
            assert re.search(rf"Crosses the {line} line at trials? {trial}\b[^:]*: {meaning}", words[3 * n])
            seen.add(side)
    assert seen == set(fits)
    late = of_learner(report, 0, lc_cusum=LcCusum(np.arange(60.0), 55))
    assert "after those 50 trials" in read(late).texts("figcaption")[61]


def test_rates_errors_and_crossing_rule_are_stated(report, told):
    said = told.section("cusum")
    assert "Acceptable failure rate 20 %, unacceptable 40 %." in said
    assert "Calling an acceptable rate unacceptable 10 %, the reverse 10 %." in said
    assert "The count goes on after a crossing" in said
    for crossing, words in (
        ("stop", "The first line crossed decides"),
        ("restart", "starts again from zero"),
    ):
        assert words in read(replace(report, crossing=crossing)).section("cusum")
    short = replace(report, calibration=Calibration(LIMIT, 40, 0.0512, 0.7, 5000))
    assert "5.1 % are declared so within 40 trials" in read(short).section("cusum")


def test_needs_say_how_sure_they_are(report, told):
    rows = told.texts("tr")
    need = report.learners[0].need
    row = next(one for one in rows if one.startswith("L01 Blind"))
    assert need.words in row
    assert f"{need.share_met.successes} of 10" in row and f"({100 * need.certainty:.0f} %)" in row
    assert "too few attempts to tell: L05." in told.section("next")
    assert "L03: 19 days since the last attempt (2026-10-12)" in told.section("next")
    assert "Target C2: one more attempt" in told.section("next")


def test_what_is_not_there_is_said_in_words(report):
    nothing = replace(
        report,
        standard="",
        targets=(),
        learners=tuple(
            replace(one, need=None, quiet_days=None, risk_adjusted=None, ability=None, throughput_bits_s=None)
            for one in report.learners
        ),
        difficulty=Difficulty({}, {}, None, np.zeros(0), "Fewer than 3 targets have a name."),
    )
    page = read(nothing)
    assert "Run the command again with --standard FILE" in page.section("next")
    assert "Nobody: everyone has practised of late." in page.section("next")
    assert page.section("targets").count("Fewer than 3 targets have a name.") == 1
    assert "give targets a name when marking" in page.section("targets")
    assert (
        page.texts("figcaption")[62]
        == "Not shown: how hard the targets are is not known. Why stands with the targets."
    )
    empty = read(replace(nothing, learners=(), table=report.table.iloc[:0]))
    assert empty.texts("h1") == ["0 learners, 0 attempts"]
    assert empty.all("section", aria_labelledby="invented") == []
    assert "No learner with a code" in empty.section("numbers")


def test_targets_go_from_the_easiest_to_the_hardest(report):
    turned = read(replace(report, targets=report.targets[::-1]))
    rows = [one for one in turned.texts("tr") if re.match("[ABC][12] ", one)]
    assert [one[:2] for one in rows] == ["A1", "A2", "B1", "B2", "C1", "C2"]
    assert "14.0 mm" in rows[0] and "−1.20 ± 0.25" in rows[0] and "50 %" in rows[0]


def test_foreign_text_is_escaped():
    report = invented_cohort(codes=[HOSTILE, "L02", "L03", "L04", "L05"], names=(HOSTILE, "A1"))
    text = render_cohort(replace(report, standard=HOSTILE, notes=(HOSTILE,)))
    assert "<script" not in text and "<b>" not in text
    page = Reader(text)
    assert HOSTILE in [one[2] for one in page.all("h3")]
    assert any(one[1].get("aria-label") == f"Success, {HOSTILE}" for one in page.all("svg"))


def test_nothing_runs_and_nothing_is_fetched(report):
    text = render_cohort(report)
    page = Reader(text)
    policy = page.all("meta", **{"http-equiv": "Content-Security-Policy"})[0][1]["content"]
    assert policy.startswith("default-src 'none'") and "script" not in policy
    assert not re.search(r"https?:|@import|url\(|<script|style=|\bon\w+=", text)
    assert not any(one[0] in {"img", "link", "iframe", "object"} for one in page.elements)


def test_nobody_is_ranked(told):
    said = told.all("body")[0][2].lower()
    assert not re.search(r"\b(rank(?!ed)|league|top|worst|first place)\b", said)
    assert [row[:3] for row in told.texts("tr") if re.match(r"L\d\d \d", row)] == [
        f"L{n:02d}" for n in range(1, 13)
    ]


def test_methods_name_their_sources(report):
    said = read(report).section("methods")
    for source in ("Kestin", "Biau", "Steiner", "Newcombe", "Rasch", "MacKenzie", "Wahba"):
        assert source in said
    assert "Jeffreys" not in said
    jeffreys = of_learner(report, 0, hits=replace(report.learners[0].hits, method="Jeffreys"))
    assert "Jeffreys’, 95 % (as in Brown" in read(jeffreys).section("methods")


def test_twenty_thousand_attempts_are_a_page_under_three_megabytes():
    report = invented_cohort(300, 67)
    assert len(report.table) >= 20_000
    assert len(render_cohort(report).encode()) < 3_000_000


def test_a_learner_without_a_scorable_attempt_has_a_row_all_the_same(report):
    none, nothing = np.zeros(0), report.learners[0].hits
    nothing = replace(nothing, successes=0, trials=0, low=0.0, high=1.0)
    one = read(
        of_learner(
            report,
            0,
            hits=nothing,
            last_hits=nothing,
            curves=tuple(Curve(one.name, none, none, None) for one in MEASURES),
            cusum=replace(report.learners[0].cusum, value=none, signals=()),
            lc_cusum=LcCusum(none, None),
            risk_adjusted=None,
            first_date="",
            last_date="",
        )
    )
    captions = one.texts("figcaption")
    assert captions[:5] == ["not known"] * 5
    assert captions[62] == "Not shown: no trial yet."
    assert captions[60] == "Crosses neither line: not decided yet."
    assert captions[61].startswith("Not declared competent within 0 trials.")
    assert "hits none that could be scored" in one.texts("div", class_="row-head")[0]
