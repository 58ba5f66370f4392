"""Supervisors' ratings held against the tool and against each other: every statistic, pair by pair and "
"together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from needlecoach.cohort.averages import LEAST_RECORDINGS, SAME, Averages, averages
from needlecoach.cohort.bland_altman import BlandAltman, bland_altman
from needlecoach.cohort.coefficient import Coefficient, IntArray, share
from needlecoach.cohort.icc import icc
from needlecoach.cohort.kappa import ac1, counts, disagreement, fleiss, kappa
from needlecoach.cohort.matching import Panel, ToolAttempt, match
from needlecoach.cohort.quantities import Quantity
from needlecoach.cohort.ratings import TOOL, Ratings
from needlecoach.errors import CohortError
from needlecoach.model import FloatArray

# Of the tool beside all supervisors together.
THEIR_MEAN = "supervisors’ mean"


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two raters, or a group of them, in one quantity.

    `table` is the cross table of a pair in categories, `numbers` Bland and Altman's comparison of a pair in
    numbers.
    """

    raters: tuple[str, ...]
    coefficients: tuple[Coefficient, ...]
    table: FloatArray | None = None
    numbers: BlandAltman | None = None

    @property
    def with_tool(self) -> bool:
        return TOOL in self.raters


@dataclass(frozen=True, eq=False)
class QuantityReport:
    """One quantity: how much was rated, averages over pairs, each pair, the supervisors as a group.

    `against_mean` is the tool beside the mean of the supervisors who rated an attempt, for numbers; `table`
    the tool (rows) by all supervisors (columns), summed over them, for categories.
    """

    quantity: Quantity
    raters: tuple[str, ...]
    attempts: int
    recordings: int
    averages: tuple[Averages, ...]
    pairs: tuple[Comparison, ...]
    group: Comparison | None
    against_mean: Comparison | None
    table: FloatArray | None


@dataclass(frozen=True, eq=False)
class AgreementReport:
    """All that the page of agreement shows; `notes` are whole sentences on what was left out or to be
    known."""

    file: str
    quantities: tuple[QuantityReport, ...]
    supervisors: tuple[str, ...]
    attempts: int
    recordings: int
    with_tool: bool
    tool_versions: tuple[str, ...]
    notes: tuple[str, ...]


def build_agreement(ratings: Ratings, tool: Sequence[ToolAttempt] = ()) -> AgreementReport:
    """Compare supervisors with the tool, where it has results, and with each other.

    Raises
    ------
    CohortError
        When ratings and results can't be laid together, or there are no two raters to compare.
    """
    matched = match(ratings, tool)
    supervisors = tuple(sorted({one.rater for one in ratings.rows}))
    with_tool = any(panel.has_tool for panel in matched.panels)
    if len(supervisors) < 2 and not with_tool:
        raise CohortError(
            f"{ratings.file}: holds ratings by {supervisors[0]} alone, and no results of the tool in the "
            "same columns; "
            "give folders of results, or a second rater."
        )
    found = tuple(_quantity(panel) for panel in matched.panels)
    subjects = {place for place in matched.places.values()}
    return AgreementReport(
        ratings.file,
        found,
        supervisors,
        len(subjects),
        len({recording for recording, _ in subjects}),
        with_tool,
        tuple(sorted({one.version for one in tool if one.version})),
        (*matched.notes, *_notes(ratings, found, with_tool)),
    )


def _notes(ratings: Ratings, found: Sequence[QuantityReport], with_tool: bool) -> list[str]:
    notes = []
    if ratings.cant_tell:
        cells = "One outcome was" if ratings.cant_tell == 1 else f"{ratings.cant_tell} outcomes were"
        notes.append(f'{cells} rated "unscorable": taken for not rated.')
    if few := [one.quantity.title for one in found if one.recordings < LEAST_RECORDINGS]:
        notes.append(
            f"Averages over pairs have no interval in {', '.join(few)}: that takes ratings of "
            f"{LEAST_RECORDINGS} "
            "recordings or more. Without it, values say little."
        )
    own = [one.quantity.title for one in found if not one.quantity.known]
    if own and with_tool:
        notes.append(
            f"The tool has no value of {', '.join(own)}: there the supervisors are compared with each other "
            "only."
        )
    return notes


def _quantity(panel: Panel) -> QuantityReport:
    pairs = tuple(
        compare(panel, first, second) for first, second in combinations(range(len(panel.raters)), 2)
    )
    return QuantityReport(
        panel.quantity,
        panel.raters,
        len(panel.recording),
        len(np.unique(panel.recording)),
        averages(panel),
        pairs,
        _group(panel),
        _against_mean(panel),
        _pooled(panel, pairs),
    )


def compare(panel: Panel, first: int, second: int) -> Comparison:
    """Compare two raters of a panel, by their places in it."""
    raters = (panel.raters[first], panel.raters[second])
    if panel.quantity.kind == "numbers":
        return _in_numbers(raters, panel.values[:, first], panel.values[:, second])
    said = panel.said[:, [first, second]]
    said = said[(said >= 0).all(axis=1)]
    found, table = _in_categories(panel.quantity, said)
    if panel.quantity.kind == "grades":
        found = (*found, *icc(panel.values[:, [first, second]]))
    return Comparison(raters, found, table)


def _in_categories(quantity: Quantity, said: IntArray) -> tuple[tuple[Coefficient, ...], FloatArray]:
    q = len(quantity.categories)
    table = counts(said[:, 0], said[:, 1], q)
    found = [share(SAME, int(np.trace(table)), int(table.sum())), kappa(table)]
    if quantity.kind != "words":
        found += [
            kappa(table, disagreement(q, "linear"), statistic="kappa, linear weights"),
            kappa(table, disagreement(q, "quadratic"), statistic="kappa, quadratic weights"),
        ]
    return (*found, ac1(said, q)), table


def _in_numbers(raters: tuple[str, str], first: FloatArray, second: FloatArray) -> Comparison:
    forms = icc(np.stack([first, second], axis=1))
    found = bland_altman(first, second)
    named = ("mean difference", "lower limit", "upper limit", "slope on the mean")
    parts = (found.mean, found.lower, found.upper, found.slope)
    differences = tuple(replace(part, statistic=name) for part, name in zip(parts, named, strict=True))
    return Comparison(raters, (*forms, *differences), numbers=found)


def _group(panel: Panel) -> Comparison | None:
    """Supervisors together, where they are three or more."""
    own = [place for place, rater in enumerate(panel.raters) if rater != TOOL]
    if len(own) < 3:
        return None
    found: tuple[Coefficient, ...] = ()
    if panel.quantity.kind != "numbers":
        said, q = panel.said[:, own], len(panel.quantity.categories)
        found = (fleiss(said, q), ac1(said, q))
    if panel.quantity.kind in {"numbers", "grades"}:
        found = (*found, *icc(panel.values[:, own]))
    return Comparison(tuple(panel.raters[place] for place in own), found)


def _against_mean(panel: Panel) -> Comparison | None:
    """The tool beside the mean of the supervisors who rated an attempt; of a single one there is no mean."""
    if panel.quantity.kind != "numbers" or not panel.has_tool or len(panel.raters) < 3:
        return None
    rated = panel.values[:, 1:]
    known = np.isfinite(rated)
    total = np.where(known, rated, 0.0).sum(axis=1)
    mean = np.where(known.any(axis=1), total / np.maximum(known.sum(axis=1), 1), np.nan)
    return _in_numbers((TOOL, THEIR_MEAN), panel.values[:, 0], mean)


def _pooled(panel: Panel, pairs: Sequence[Comparison]) -> FloatArray | None:
    tables = [one.table for one in pairs if one.with_tool and one.table is not None]
    return np.sum(tables, axis=0) if tables else None
