"""The page of a cohort: one file for a supervisor that opens anywhere and runs no script."""

from __future__ import annotations

from typing import Any

from needlecoach.cohort.values import CohortReport
from needlecoach.reporting import cohort_views as views
from needlecoach.reporting import cohort_words as words
from needlecoach.reporting.cohort_method import GLOSSARY, methods
from needlecoach.reporting.record import versions
from needlecoach.reporting.templating import template

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def render_cohort(report: CohortReport) -> str:
    """Return the page of a cohort as HTML that needs neither network nor script.

    Codes and names that people typed are escaped; learners stand in the order of the report.
    """
    return template("cohort.html.j2").render(
        policy=_POLICY,
        **_head(report),
        **_next(report),
        **_learning(report),
        difficulty=report.difficulty,
        growth=words.estimate_words(report.difficulty.growth, decimals=2),
        targets=views.target_views(report),
        rows=views.row_views(report),
        methods=methods(report),
        glossary=GLOSSARY,
        versions=versions(),
    )


def _head(report: CohortReport) -> dict[str, Any]:
    """What the page is of."""
    table, learners = report.table, report.learners
    first = min((one.first_date for one in learners if one.first_date), default="")
    last = max((one.last_date for one in learners if one.last_date), default="")
    invented = int(table["invented"].astype(bool).sum())
    return {
        "n_learners": words.count(len(learners), "learner"),
        "n_attempts": words.count(len(table), "attempt"),
        "dates": views.dates(first, last) if first else "not known",
        "scored_by": ", ".join(sorted({str(one) for one in table["version"] if str(one)})) or "not known",
        "invented": invented,
        "all_invented": invented == len(table),
        "notes": report.notes,
    }


def _next(report: CohortReport) -> dict[str, Any]:
    """Who needs what next, who is quiet, what teaches."""
    return {
        "standard": report.standard,
        "needs": views.need_views(report),
        "without_need": views.without_need(report),
        "quiet": views.quiet_views(report),
        "teaching": views.teaching_words(report),
    }


def _learning(report: CohortReport) -> dict[str, Any]:
    """Curves and CUSUMs of every learner, with what they are drawn for."""
    drawn = views.Drawn.of(report)
    rates, calibration = report.rates, report.calibration
    return {
        "frames": drawn.frames(),
        "named": bool(drawn.named),
        "learners": [
            views.learner_view(number, one, report, drawn) for number, one in enumerate(report.learners, 1)
        ],
        "better": words.better_words(report.measures),
        "rates": {
            "acceptable": words.exact_percent(rates.acceptable),
            "unacceptable": words.exact_percent(rates.unacceptable),
            "alpha": words.exact_percent(rates.alpha),
            "beta": words.exact_percent(rates.beta),
        },
        "crossing": words.CROSSINGS[report.crossing],
        "calibration": calibration,
        "false_competence": words.false_competence_words(rates, calibration),
    }
