"""The page of agreement: one file that opens anywhere, with every word a user typed escaped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import chain
from typing import Any

from needlecoach.cohort.agreement import AgreementReport, Comparison, QuantityReport
from needlecoach.cohort.averages import LEAST_RECORDINGS, SAME, Averages
from needlecoach.cohort.coefficient import Coefficient
from needlecoach.reporting.agreement_charts import differences_plot, dots_drawn, interval_bar, scale_row
from needlecoach.reporting.agreement_words import (
    MEANINGS,
    NO_BANDS,
    bias_of,
    counted,
    interval,
    leading,
    raters_words,
    sentences,
    valued,
)
from needlecoach.reporting.record import versions
from needlecoach.reporting.templating import template

# Rows of pairs in the picture of a quantity; more stand in its table.
MOST_PAIRS = 12
# Pairs of supervisors that get a picture of their differences.
MOST_PLOTS = 3

_UNSTEADY = (
    "The difference changes with what is measured: one mean difference and one pair of limits do not hold "
    "over "
    "the whole range."
)
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def render_agreement(report: AgreementReport) -> str:
    """Return the page of agreement as HTML that needs no network and runs no script."""
    return template("agreement.html.j2").render(
        policy=_POLICY,
        counted=counted(report),
        quantities=[_view(one, place) for place, one in enumerate(report.quantities, start=1)],
        notes=report.notes,
        no_bands=NO_BANDS,
        glossary=_glossary(report),
        least_recordings=LEAST_RECORDINGS,
        file=report.file,
        tool_versions=", ".join(report.tool_versions),
        versions={
            name: number for name, number in versions().items() if name in {"needlecoach", "python", "numpy"}
        },
    )


def _view(report: QuantityReport, place: int) -> dict[str, Any]:
    unit = report.quantity.unit
    return {
        "id": f"quantity-{place}",
        "title": report.quantity.title,
        "kind": _kind_words(report),
        "sentences": [one for one in sentences(report) if one],
        "averages": [_average_view(one, unit) for one in report.averages],
        "has_tool": any(one.tool_pairs for one in report.averages),
        "has_supervisors": any(one.supervisor_pairs for one in report.averages),
        "chart": _chart(report),
        "table": _table(report),
        "plots": [_plot(one, unit) for one in _plotted(report)],
        "peers": [_plot(one, unit) for one in _peers(report)],
        "comparisons": _comparisons(report),
    }


def _kind_words(report: QuantityReport) -> str:
    quantity = report.quantity
    kinds = {
        "words": f"answers without order: {', '.join(quantity.categories)}",
        "order": f"answers in this order: {', '.join(quantity.categories)}",
        "grades": f"grades {quantity.categories[0] if quantity.categories else ''} to "
        f"{quantity.categories[-1] if quantity.categories else ''}",
        "numbers": f"numbers{f' in {_unit(quantity.unit)}' if quantity.unit else ''}",
    }
    column = f"Column {quantity.name}. " if quantity.known else ""
    rated = f"{report.attempts} attempts of {report.recordings} recordings"
    return f"{column}Rated in {kinds[quantity.kind]}; {rated}."


def _unit(unit: str) -> str:
    return {"deg": "degrees", "s": "seconds"}.get(unit, unit)


def _average_view(one: Averages, unit: str) -> dict[str, Any]:
    cells = [_cell(side, unit) for side in (one.tool, one.supervisors, one.difference)]
    if one.statistic == SAME:  # shares differ by points, not by per cent of each other
        cells[2] = {name: words.replace(" %", " points") for name, words in cells[2].items()}
    return {"name": one.statistic, "cells": cells}


def _cell(one: Coefficient, unit: str) -> dict[str, str]:
    return {
        "value": valued(one, unit) if math.isfinite(one.value) else "–",
        "interval": interval(one, unit),
        "reason": one.reason,
    }


def _chart(report: QuantityReport) -> dict[str, Any]:
    """Rows of the leading coefficient: both averages, then pair by pair."""
    main = leading(report)
    rows = [
        (f"Tool with supervisors, mean of {_pairs(main.tool_pairs)}", main.tool, "tool mean"),
        (
            f"Supervisors with each other, mean of {_pairs(main.supervisor_pairs)}",
            main.supervisors,
            "peers mean",
        ),
    ]
    pairs = [
        (_pair_title(one), _named(one, main.statistic), "tool" if one.with_tool else "peers")
        for one in report.pairs
    ]
    shown = [row for row in chain(rows, pairs[:MOST_PAIRS]) if math.isfinite(row[1].value)]
    bounds = [bound for row in shown for bound in (row[1].value, row[1].low) if math.isfinite(bound)]
    low = -1.0 if min(bounds, default=0) < -0.5 else -0.5 if min(bounds, default=0) < 0 else 0.0
    return {
        "statistic": main.statistic,
        "meaning": MEANINGS[main.statistic],
        "rows": [
            (title, _cell(one, ""), interval_bar(one, low, 1.0, kind), one.n) for title, one, kind in shown
        ],
        "scale": scale_row(low, 1.0),
        "left_out": max(0, len(pairs) - MOST_PAIRS),
    }


def _pairs(n: int) -> str:
    return "1 pair" if n == 1 else f"{n} pairs"


def _pair_title(one: Comparison) -> str:
    words = raters_words(one.raters)
    return words[0].upper() + words[1:]


def _named(one: Comparison, statistic: str) -> Coefficient:
    return next(part for part in one.coefficients if part.statistic == statistic)


def _table(report: QuantityReport) -> dict[str, Any] | None:
    """The tool's answers by the supervisors', in counts, with how dark each cell is."""
    if report.table is None or not report.table.sum():
        return None
    most = report.table.max()
    return {
        "columns": report.quantity.categories,
        "rows": [
            (name, [(int(count), f"{100 * count / most:.0f}", i == j) for j, count in enumerate(counts)])
            for i, (name, counts) in enumerate(zip(report.quantity.categories, report.table, strict=True))
        ],
        "total": int(report.table.sum()),
        "same": int(report.table.trace()),
    }


def _plotted(report: QuantityReport) -> list[Comparison]:
    """The tool beside all supervisors, of which the differences are drawn."""
    main = bias_of(report)
    return [main] if main is not None and main.numbers is not None and not main.numbers.reason else []


def _peers(report: QuantityReport) -> list[Comparison]:
    """Pairs of supervisors of which they are drawn too, where these are few."""
    others = [
        one
        for one in report.pairs
        if not one.with_tool and one.numbers is not None and not one.numbers.reason
    ]
    return others if len(others) <= MOST_PLOTS else []


def _plot(one: Comparison, unit: str) -> dict[str, Any]:
    found = one.numbers
    assert found is not None
    by = {part.statistic: part for part in one.coefficients}
    first, second = (raters_words((rater,)) for rater in one.raters)
    title = f"{_pair_title(one)}: difference by mean"
    slope = by["slope on the mean"]
    steady = not math.isfinite(slope.low) or slope.low <= 0 <= slope.high
    drawn = dots_drawn(mean_n := found.mean.n)
    return {
        "title": title,
        "picture": differences_plot(found, f"{title}; the words beside it say what it shows"),
        "axes": f"Across: mean of both{_in(unit)}; up: {first} less {second}{_in(unit)}. "
        + (
            f"{mean_n} attempts."
            if drawn == mean_n
            else f"{drawn} of {mean_n} attempts drawn, evenly chosen."
        )
        + " A larger dot is several attempts.",
        "levels": [
            ("Mean difference", _cell(by["mean difference"], unit)),
            ("Lower limit of agreement", _cell(by["lower limit"], unit)),
            ("Upper limit of agreement", _cell(by["upper limit"], unit)),
            ("Change per unit of the mean", _cell(slope, unit)),
        ],
        "slope_words": "" if steady else _UNSTEADY,
    }


def _in(unit: str) -> str:
    return f" in {_unit(unit)}" if unit else ""


def _all(report: QuantityReport) -> Sequence[Comparison]:
    extra = (report.against_mean, report.group)
    return (*report.pairs, *(one for one in extra if one is not None))


def _comparisons(report: QuantityReport) -> list[dict[str, Any]]:
    """Every statistic of every comparison; what one means stands where it comes first."""
    told: set[str] = set()
    found = []
    for one in _all(report):
        rows = []
        for part in one.coefficients:
            meaning = "" if part.statistic in told else MEANINGS.get(part.statistic, "")
            told.add(part.statistic)
            rows.append((part.statistic, _cell(part, report.quantity.unit), part.n, meaning))
        found.append({"title": _pair_title(one), "rows": rows})
    return found


def _glossary(report: AgreementReport) -> list[tuple[str, str]]:
    used = {part.statistic for one in report.quantities for each in _all(one) for part in each.coefficients}
    used |= {each.statistic for one in report.quantities for each in one.averages}
    return [(name, meaning) for name, meaning in MEANINGS.items() if name in used]
