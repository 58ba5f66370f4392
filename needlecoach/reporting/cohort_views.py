"""What the template of a cohort's page shows, ready to be filled in: drawings and words, no new figure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from needlecoach.cohort.values import CohortReport, Curve, LearnerReport, Measure, TargetReport
from needlecoach.reporting import charts
from needlecoach.reporting import cohort_words as words
from needlecoach.reporting.rounding import in_words

# With more attempts than this, dots don't tell which attempt they are: each dot named takes some 100 bytes in
# five charts, 1 MB for so many, and a page of 20,000 attempts has to stay under 3 MB.
MOST_NAMED = 2000


@dataclass(frozen=True, eq=False)
class Drawn:
    """Axes that all learners share, and what stands once in the page for all their charts."""

    axes: tuple[charts.Axis, ...]
    last: int
    cusums: charts.CusumAxes
    named: Mapping[tuple[str, int], str]

    @classmethod
    def of(cls, report: CohortReport) -> Drawn:
        last = max(
            (int(c.order.max()) for one in report.learners for c in one.curves if len(c.order)), default=1
        )
        axes = tuple(_axis(report, measure) for measure in report.measures)
        cusums = charts.cusum_axes(report.learners, report.calibration.limit)
        return cls(axes, last, cusums, _names(report.table))

    def frames(self) -> Markup:
        curves = (charts.curve_frame(axis, self.last, f"frame-{n}") for n, axis in enumerate(self.axes))
        return Markup("".join(curves) + self.cusums.frames() + charts.bar_frame())


def _names(table: pd.DataFrame) -> dict[tuple[str, int], str]:
    """Which attempt is which, by learner and place in order; none of it in large cohorts."""
    if len(table) > MOST_NAMED:
        return {}
    told = table[["learner", "order", "clip", "attempt", "date"]].itertuples(index=False, name=None)
    return {
        (learner, order): ", ".join(filter(None, (clip, f"attempt {attempt}", date)))
        for learner, order, clip, attempt, date in told
        if learner
    }


def _titles(curve: Curve | None, code: str, measure: Measure, drawn: Drawn) -> list[str] | None:
    """What each point of a curve says under the pointer; None where points are too many to be named."""
    if curve is None or not drawn.named:
        return None
    return [
        f"{drawn.named[code, int(order)]}: {_value_words(value, measure)}"
        for order, value in zip(curve.order.tolist(), curve.value.tolist(), strict=True)
    ]


def _value_words(value: float, measure: Measure) -> str:
    if not math.isfinite(value):
        return words.UNKNOWN
    if measure.share:
        return "hit" if value else "no hit"
    return words.number_words(value, measure)


def _axis(report: CohortReport, measure: Measure) -> charts.Axis:
    if measure.share:
        return charts.share_axis("hit", "no hit")
    curves = [curve for one in report.learners if (curve := curve_of(one, measure)) is not None]
    smooths = [curve.smooth.middle for curve in curves if curve.smooth is not None]
    return charts.number_axis([curve.value for curve in curves], smooths)


def curve_of(learner: LearnerReport, measure: Measure) -> Curve | None:
    """A learner's curve of a measure."""
    return next((one for one in learner.curves if one.measure == measure.name), None)


def learner_view(number: int, one: LearnerReport, report: CohortReport, drawn: Drawn) -> dict[str, Any]:
    """Everything the page shows of one learner."""
    return {
        "number": number,
        "code": one.code,
        "attempts": words.count(one.attempts, "attempt"),
        "dates": dates(one.first_date, one.last_date),
        "hits": words.share_words(one.hits),
        "hits_bar": Markup(charts.interval_bar(one.hits, f"Hits of {one.code} with their interval")),
        "last_hits": f"{one.last_hits.successes} of the last {one.last_hits.trials}"
        if one.last_hits.trials
        else "",
        "curves": [_curve_view(n, one, measure, drawn) for n, measure in enumerate(report.measures)],
        "cusums": _cusum_views(one, report, drawn),
    }


def _curve_view(n: int, one: LearnerReport, measure: Measure, drawn: Drawn) -> dict[str, Any]:
    curve, axis = curve_of(one, measure), drawn.axes[n]
    beyond = np.zeros(0) if curve is None else curve.value[np.logical_or(*axis.beyond(curve.value))]
    label = f"{measure.title}, {one.code}"
    titles = _titles(curve, one.code, measure, drawn)
    return {
        "title": measure.title,
        "unit": measure.unit,
        "words": "; ".join(words.curve_words(curve, measure, beyond.tolist())),
        "chart": Markup(charts.curve_chart(curve, axis, drawn.last, f"frame-{n}", label, titles)),
    }


def _cusum_views(one: LearnerReport, report: CohortReport, drawn: Drawn) -> list[dict[str, Any]]:
    axes, limit = drawn.cusums, report.calibration.limit
    adjusted, rates = one.risk_adjusted, report.rates
    lines = (
        f"fails {words.exact_percent(rates.unacceptable)}",
        f"fails {words.exact_percent(rates.acceptable)}",
    )
    return [
        {
            "title": "CUSUM",
            "words": words.cusum_words(one.cusum, report.rates),
            "chart": Markup(charts.cusum_chart(one.cusum, axes, lines, f"CUSUM, {one.code}")),
        },
        {
            "title": "LC-CUSUM",
            "words": words.lc_words(one.lc_cusum, report.rates, report.calibration),
            "chart": Markup(charts.lc_chart(one.lc_cusum, limit, axes, f"LC-CUSUM, {one.code}")),
        },
        {
            "title": "Risk-adjusted CUSUM",
            "words": words.risk_words(adjusted, known=not report.difficulty.reason),
            "chart": Markup(charts.risk_chart(adjusted, axes, f"Risk-adjusted CUSUM, {one.code}"))
            if adjusted is not None
            else "",
        },
    ]


def need_views(report: CohortReport) -> list[dict[str, str]]:
    """Who needs what next, in the order of the report."""
    return [
        {
            "code": one.code,
            "words": one.need.words,
            "certainty": words.certainty_words(one.need.certainty),
            "met": words.share_words(one.need.share_met),
            "bar": Markup(
                charts.interval_bar(
                    one.need.share_met, f"Share of {one.code} that meets it, with its interval"
                )
            ),
        }
        for one in report.learners
        if one.need is not None
    ]


def without_need(report: CohortReport) -> str:
    """Codes of those of whom no criterion can be said to need work."""
    codes = [one.code for one in report.learners if one.need is None]
    return words.listed(codes) if codes else ""


def quiet_views(report: CohortReport) -> list[dict[str, str]]:
    """Who has not practised for long."""
    return [
        {"code": one.code, "days": words.count(one.quiet_days, "day"), "last": one.last_date}
        for one in report.learners
        if one.quiet_days is not None
    ]


def teaching_words(report: CohortReport) -> str:
    """Which target teaches most, or why that can't be said."""
    known = [one for one in report.targets if one.teaches is not None]
    if not known:
        return report.difficulty.reason or "It can’t be said yet which target teaches most."
    best = max(known, key=lambda one: one.teaches or 0.0)
    return f"Target {best.name}: one more attempt at it tells most of the learners as they are now."


def target_views(report: CohortReport) -> list[dict[str, Any]]:
    """Targets from the easiest to the hardest where that is known, else in the order of the report."""
    estimates = [one.difficulty for one in report.targets if one.difficulty is not None]
    span = charts.span_of(estimates)
    ordered = sorted(
        report.targets, key=lambda one: math.inf if one.difficulty is None else one.difficulty.value
    )
    return [_target_view(one, span) for one in ordered]


def _target_view(one: TargetReport, span: tuple[float, float]) -> dict[str, Any]:
    return {
        "name": one.name,
        "kind": one.kind or words.UNKNOWN,
        "attempts": one.attempts,
        "learners": one.learners,
        "hits": words.share_words(one.hits),
        "hits_bar": Markup(charts.interval_bar(one.hits, f"Hits at {one.name} with their interval")),
        "size": _known(one.width_mm, "mm"),
        "depth": _known(one.depth_mm, "mm"),
        "index": _known(one.index_of_difficulty, "bits"),
        "difficulty": words.estimate_words(one.difficulty, decimals=2),
        "difficulty_bar": Markup(
            charts.dot_and_bar(one.difficulty, span, f"Difficulty of {one.name}, 95 % range")
        )
        if one.difficulty is not None
        else "",
        "teaches": words.UNKNOWN if one.teaches is None else words.percent(one.teaches),
    }


def _known(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return words.UNKNOWN
    return f"{in_words(value, unit, decimals=1)}{words.NO_BREAK}{unit}"


def row_views(report: CohortReport) -> list[list[tuple[str, str]]]:
    """All numbers of each learner: pairs of a column's title and its words."""
    return [_row(one) for one in report.learners]


def _row(one: LearnerReport) -> list[tuple[str, str]]:
    sides = {
        side: [s.trial for s in one.cusum.signals if s.side == side]
        for side in ("acceptable", "unacceptable")
    }
    lower, upper = (
        ", ".join(map(str, sides[side])) or words.UNKNOWN for side in ("acceptable", "unacceptable")
    )
    adjusted = one.risk_adjusted
    return [
        ("Learner", one.code),
        ("Attempts", str(one.attempts)),
        ("First", one.first_date),
        ("Last", one.last_date),
        ("Hits", words.share_words(one.hits)),
        ("Of the last", words.share_words(one.last_hits)),
        ("Lower line crossed", lower),
        ("Upper line crossed", upper),
        (
            "Declared competent",
            words.UNKNOWN if one.lc_cusum.competent_at is None else str(one.lc_cusum.competent_at),
        ),
        (
            "Worse than the targets explain",
            (adjusted and ", ".join(map(str, adjusted.signals))) or words.UNKNOWN,
        ),
        ("Ability, logits", words.estimate_words(one.ability, decimals=2)),
        ("Throughput", words.estimate_words(one.throughput_bits_s, decimals=2, unit="bits/s")),
        ("Days quiet", words.UNKNOWN if one.quiet_days is None else str(one.quiet_days)),
    ]


def dates(first: str, last: str) -> str:
    """One day or a span of days."""
    return first if first == last else f"{first} to {last}"
