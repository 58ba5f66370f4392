"""The table of agreement: agreement.csv, one row per quantity, raters and statistic."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator

from needlecoach.cohort.agreement import AgreementReport, Comparison, QuantityReport
from needlecoach.cohort.coefficient import Coefficient
from needlecoach.reporting.agreement_words import INTERVALS, JACKKNIFE, MEANINGS
from needlecoach.reporting.cells import plain_text
from needlecoach.reporting.rounding import in_table

COLUMNS = (
    "quantity",
    "unit",
    "between",
    "raters",
    "statistic",
    "value",
    "low",
    "high",
    "n",
    "interval",
    "meaning",
    "remark",
)

Row = tuple[str | float | int | None, ...]


def agreement_csv(report: AgreementReport) -> str:
    """Return the table as CSV text: `low` and `high` bound the 95 % interval, blank where there is none."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in report.quantities:
        writer.writerows(_rows(one))
    return text.getvalue()


def _rows(report: QuantityReport) -> Iterator[Row]:
    for one in report.averages:
        sides = (
            ("tool with supervisors", one.tool, one.tool_pairs),
            ("supervisors with each other", one.supervisors, one.supervisor_pairs),
            ("first less second", one.difference, min(one.tool_pairs, one.supervisor_pairs)),
        )
        for between, coefficient, pairs in sides:
            if pairs:
                counted = (
                    ""
                    if between == "first less second"
                    else f"mean of {pairs} pair{'s' if pairs > 1 else ''}"
                )
                yield _row(report, between, counted, coefficient, JACKKNIFE)
    for pair in report.pairs:
        yield from _compared(report, "tool and supervisor" if pair.with_tool else "two supervisors", pair)
    if report.against_mean is not None:
        yield from _compared(report, "tool and supervisors’ mean", report.against_mean)
    if report.group is not None:
        yield from _compared(report, "supervisors together", report.group)


def _compared(report: QuantityReport, between: str, one: Comparison) -> Iterator[Row]:
    for coefficient in one.coefficients:
        yield _row(report, between, " ".join(one.raters), coefficient, INTERVALS[coefficient.statistic])
    if one.numbers is not None and not one.numbers.reason:
        spread = Coefficient("SD of differences", one.numbers.sd, math.nan, math.nan, one.numbers.mean.n)
        yield _row(report, between, " ".join(one.raters), spread, "")


def _row(report: QuantityReport, between: str, raters: str, one: Coefficient, interval: str) -> Row:
    bounded = math.isfinite(one.low) and math.isfinite(one.high)
    return (
        plain_text(report.quantity.name),
        report.quantity.unit,
        between,
        raters,
        one.statistic,
        _cell(one.value),
        _cell(one.low) if bounded else None,
        _cell(one.high) if bounded else None,
        one.n,
        interval if bounded else "",
        MEANINGS.get(one.statistic, ""),
        one.reason,
    )


def _cell(value: float) -> float | None:
    return in_table(value, "") if math.isfinite(value) else None
