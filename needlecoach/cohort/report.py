"""A table of attempts -> all that the cohort's page and tables show; composes the steps of this room."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd

from needlecoach.cohort.cusum import two_boundary
from needlecoach.cohort.difficulty import fit_difficulty
from needlecoach.cohort.intervals import jeffreys, wilson
from needlecoach.cohort.lc_cusum import calibrate, lc_cusum
from needlecoach.cohort.needs import need_of, quiet_days, teaching
from needlecoach.cohort.risk_adjusted import risk_adjusted
from needlecoach.cohort.smooth import smooth_numbers, smooth_shares
from needlecoach.cohort.table import check_table, targets_by_block
from needlecoach.cohort.throughput import throughput
from needlecoach.cohort.values import (
    Calibration,
    CohortReport,
    Crossing,
    Curve,
    Difficulty,
    LearnerReport,
    Measure,
    Rates,
    Share,
    Smooth,
    TargetReport,
)
from needlecoach.errors import CohortError
from needlecoach.model import FloatArray
from needlecoach.scoring.columns import COLUMNS
from needlecoach.scoring.standard import Standard

Interval = Literal["wilson", "jeffreys"]

LAST = 10
# With fewer learners a code is soon guessed from dates and numbers of attempts (common practice, no source).
FEWEST = 5
_INTERVALS = {"wilson": wilson, "jeffreys": jeffreys}
_SUCCESS = Measure("success", "Success", "", share=True, lower_is_better=False)
# Distance, then what is drawn for every task.
_DISTANCE = {"aspirate": ("closest_centre_mm", True), "core": ("notch_in_target_mm", False)}
_OTHERS = ("blind_advance_mm", "time_to_target_s", "passes")
DIFFICULTY_COLUMNS = ("learner", "order", "target", "block", "success")
# Counts that are no lower, unless a learner's own are: an attempt without a pass has only short pushes.
_LEAST = {"passes": 1.0}


@dataclass(frozen=True)
class _Asked:
    """What was asked for, and what holds for all learners alike."""

    rates: Rates
    crossing: Crossing
    calibration: Calibration
    standard: Standard | None
    interval: Interval
    today: date
    quiet_after: int
    measures: tuple[Measure, ...]

    def share(self, success: FloatArray) -> Share:
        return _INTERVALS[self.interval](int(success.sum()), len(success))


def build_report(
    table: pd.DataFrame,
    *,
    rates: Rates,
    crossing: Crossing,
    length: int,
    false_competence: float,
    standard: Standard | None,
    interval: Interval,
    today: date,
    notes: Sequence[str] = (),
    quiet_after: int = 14,
    difficulty: Callable[[], Difficulty] | None = None,
) -> CohortReport:
    """Calculate everything that a cohort's page shows.

    Parameters
    ----------
    table : the table of attempts, as `cohort.table.table_of` makes it
    rates, crossing : for the CUSUMs; see `cohort.cusum.two_boundary`
    length, false_competence : the LC-CUSUM's limit is calibrated for so many trials and this share
    standard : a programme's criteria, None without one; then nobody has a need
    interval : of shares
    today : by which learners have gone quiet, with more than `quiet_after` days since their last attempt
    notes : warnings that the report begins with, in whole sentences
    difficulty : waits for `difficulty_of` this table, where it is under way already

    Raises
    ------
    CohortError
        When the table holds no attempt or is none, or no limit fits what is asked.

    Notes
    -----
    Curves, hits and CUSUMs are over a learner's scorable attempts, in order. Attempts without a learner's
    code are in none of it. Difficulty is fitted to all coded attempts at once. Targets of one name in two
    blocks are two targets.
    """
    check_table(table)
    if not len(table):
        raise CohortError("No attempt was found in these results; there is nothing to show.")
    coded = _coded(table)
    calibration = calibrate(rates, length, false_competence)
    asked = _Asked(
        rates, crossing, calibration, standard, interval, today, quiet_after, measures_of(coded["task"])
    )
    curves = _curves(coded, asked)
    told = fit_difficulty(coded) if difficulty is None else difficulty()
    return CohortReport(
        table=table,
        measures=asked.measures,
        learners=_learners(coded, curves, told, asked),
        targets=_targets(coded, told, asked),
        difficulty=told,
        rates=rates,
        crossing=crossing,
        calibration=calibration,
        standard="" if standard is None else standard.name,
        notes=(*notes, *_notes(coded)),
    )


def difficulty_of(table: pd.DataFrame) -> Difficulty:
    """Learners told from targets, as `build_report` shows it; `table` needs `DIFFICULTY_COLUMNS` only."""
    return fit_difficulty(_coded(table))


def _coded(table: pd.DataFrame) -> pd.DataFrame:
    """Attempts with a learner's code."""
    return targets_by_block(table[table["learner"] != ""].reset_index(drop=True))


def measures_of(tasks: pd.Series) -> tuple[Measure, ...]:
    """Measures that are drawn: success, how near (by the tasks there are), blind advance, time, passes."""
    present = [task for task in _DISTANCE if (tasks == task).any()] or ["aspirate"]
    distance = [_measure(*_DISTANCE[task]) for task in present]
    return (_SUCCESS, *distance, *(_measure(name, True) for name in _OTHERS))


def _measure(name: str, lower_is_better: bool) -> Measure:
    column = COLUMNS[name]
    return Measure(name, column.title, column.unit, lower_is_better=lower_is_better)


def _curves(coded: pd.DataFrame, asked: _Asked) -> dict[str, tuple[Curve, ...]]:
    """Curves of each learner's scorable attempts, by code."""
    scorable = coded[np.isfinite(coded["success"].to_numpy(dtype=float))]
    columns = {name: scorable[name].to_numpy(dtype=float) for name in ("order", *_names(asked.measures))}
    return {
        str(code): tuple(
            _curve(columns["order"][rows], columns[one.name][rows], one) for one in asked.measures
        )
        for code, rows in scorable.groupby("learner").indices.items()
    }


def _names(measures: Sequence[Measure]) -> list[str]:
    return [one.name for one in measures]


def _learners(
    coded: pd.DataFrame, curves: Mapping[str, tuple[Curve, ...]], difficulty: Difficulty, asked: _Asked
) -> tuple[LearnerReport, ...]:
    """Reports in the order of the codes."""
    expected = None if difficulty.reason else pd.Series(difficulty.expected_failure, index=coded.index)
    # Taking rows of all hundred columns, learner by learner, would take longer than the rest.
    narrow = coded[[name for name in _used(asked) if name in coded]]
    none = tuple(_curve(np.empty(0), np.empty(0), one) for one in asked.measures)
    return tuple(
        _learner(
            str(code),
            own,
            curves.get(str(code), none),
            None if expected is None else expected[own.index],
            difficulty,
            asked,
        )
        for code, own in narrow.groupby("learner", sort=True)
    )


def _used(asked: _Asked) -> dict[str, None]:
    """Columns that a learner's report is made from, but for the curves."""
    names = ["learner", "date", "order", "success", "index_of_difficulty", "time_to_target_s"]
    for criterion in () if asked.standard is None else asked.standard.criteria:
        names += [criterion.column, f"{criterion.column}_sd"]
    return dict.fromkeys(names)


def _learner(
    code: str,
    own: pd.DataFrame,
    curves: tuple[Curve, ...],
    expected: pd.Series | None,
    difficulty: Difficulty,
    asked: _Asked,
) -> LearnerReport:
    known = np.isfinite(own["success"].to_numpy(dtype=float))
    success = own["success"].to_numpy(dtype=float)[known]
    days = [day for day in own["date"] if day]
    first, last = (min(days), max(days)) if days else ("", "")
    return LearnerReport(
        code=code,
        attempts=len(own),
        first_date=first,
        last_date=last,
        hits=asked.share(success),
        last_hits=asked.share(success[-LAST:]),
        curves=curves,
        cusum=two_boundary(success, asked.rates, asked.crossing),
        lc_cusum=lc_cusum(success, asked.rates, asked.calibration.limit),
        risk_adjusted=None
        if expected is None or not len(success)
        else risk_adjusted(success, expected.to_numpy(dtype=float)[known]),
        ability=difficulty.abilities.get(code),
        throughput_bits_s=throughput(own),
        need=None if asked.standard is None else need_of(own, asked.standard, LAST),
        quiet_days=quiet_days(last, asked.today, asked.quiet_after),
    )


def _curve(order: FloatArray, value: FloatArray, measure: Measure) -> Curve:
    smooth = (smooth_shares if measure.share else smooth_numbers)(order, value)
    if smooth is not None and measure.name in _LEAST:
        smooth = _held(smooth, min(_LEAST[measure.name], float(np.nanmin(value))))
    return Curve(measure.name, order, value, smooth)


def _held(smooth: Smooth, least: float) -> Smooth:
    """A smooth, its middle and band held at the least that there can be."""
    lines = (smooth.middle, smooth.low, smooth.high)
    return Smooth(smooth.at, *(np.maximum(line, least) for line in lines))


def _targets(coded: pd.DataFrame, difficulty: Difficulty, asked: _Asked) -> tuple[TargetReport, ...]:
    """Reports of all named targets, in the order of their names."""
    teaches = teaching(coded, difficulty)
    named = coded[coded["target"] != ""]
    return tuple(
        _target(str(name), rows, difficulty, teaches.get(str(name)), asked)
        for name, rows in named.groupby("target", sort=True)
    )


def _target(
    name: str, rows: pd.DataFrame, difficulty: Difficulty, teaches: float | None, asked: _Asked
) -> TargetReport:
    success = rows["success"].to_numpy(dtype=float)
    kinds = set(rows["target_kind"]) - {""}
    return TargetReport(
        name=name,
        kind=kinds.pop() if len(kinds) == 1 else "",
        attempts=len(rows),
        learners=rows["learner"].nunique(),
        hits=asked.share(success[np.isfinite(success)]),
        width_mm=_middle(rows["target_width_mm"]),
        depth_mm=_middle(rows["target_depth_mm"]),
        index_of_difficulty=_middle(rows["index_of_difficulty"]),
        difficulty=difficulty.targets.get(name),
        teaches=teaches,
    )


def _middle(values: pd.Series) -> float:
    """Median of what is known, NaN where nothing is."""
    known = values.to_numpy(dtype=float)
    known = known[np.isfinite(known)]
    return float(np.median(known)) if len(known) else float("nan")


def _notes(coded: pd.DataFrame) -> list[str]:
    """What is to be kept in mind of a cohort of this kind."""
    notes = []
    learners = coded["learner"].nunique()
    if 0 < learners < FEWEST:
        notes.append(
            f"There {'is one learner' if learners == 1 else f'are {learners} learners'}: with fewer than "
            f"{FEWEST} a code does not hide who somebody is."
        )
    if coded["task"].nunique() > 1:
        notes.append(
            "Aspirations and core samples are counted together; --task aspirate or --task core takes one of "
            "them."
        )
    return notes
