"""Results of many clips -> a cohort's folder; what the command `cohort` does, once its line is read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from needlecoach.cohort.values import CohortReport, Crossing, Rates
from needlecoach.errors import CohortError
from needlecoach.gather.recordings import no_collection
from needlecoach.gather.together import Gathering
from needlecoach.scoring.standard import Standard

if TYPE_CHECKING:
    import pandas as pd

    from needlecoach.cohort.report import Interval

# What the process that works beside this one needs.
_LOADED = ("needlecoach.cohort.report", "needlecoach.reporting.cohort_csv")


@dataclass(frozen=True)
class Wish:
    """What is asked of a cohort, checked; `key` is the key file of an anonymised one, None for another."""

    rates: Rates = field(default_factory=Rates)
    crossing: Crossing = "restart"
    length: int = 50
    false_competence: float = 0.05
    standard: Standard | None = None
    interval: Interval = "wilson"
    quiet_after: int = 14
    task: Literal["aspirate", "core"] | None = None
    key: Path | None = None


@dataclass(frozen=True)
class Written:
    """What came of it: the page, the report behind it, and what could not be read, one line each."""

    page: Path
    report: CohortReport
    faults: tuple[str, ...]


@no_collection()
def write_cohort(reports: Sequence[Path], out: Path, wish: Wish, *, today: date | None = None) -> Written:
    """Read results, and write `cohort.html`, `cohort.csv` and `learners.csv` into `out`.

    Parameters
    ----------
    reports : results folders, folders of them, or tables of attempts
    today : for who has gone quiet; the day of this machine by default

    Raises
    ------
    NeedlecoachError
        When something is to be mended, in one line; no file is changed then, but the key may have grown.
    """
    with Gathering(reports) as begun:
        # Imported while others read: together these take a second.
        from needlecoach.cohort.anonymise import anonymise
        from needlecoach.cohort.aside import aside
        from needlecoach.cohort.report import DIFFICULTY_COLUMNS, build_report, difficulty_of
        from needlecoach.keyfile import check_apart, read_key, write_key
        from needlecoach.reporting.cohort_csv import attempts_text
        from needlecoach.reporting.cohort_files import check_replaceable, write_cohort_files

        check_replaceable(out, reports)
        key = {}
        if wish.key is not None:
            check_apart(wish.key, out, reports)
            key = read_key(wish.key)
        with aside(begun.read(), *_LOADED, process=begun.another) as elsewhere:
            gathered = begun.result()
            table, notes = _of_task(gathered.table, wish), gathered.named_notes
            if wish.key is not None:
                table, key = anonymise(table, key)
                notes = (*gathered.notes, "Learners have other codes here than where they practise.")
            difficulty = elsewhere(difficulty_of, table.filter(items=DIFFICULTY_COLUMNS))
            attempts = elsewhere(attempts_text, table)
            report = build_report(
                table,
                rates=wish.rates,
                crossing=wish.crossing,
                length=wish.length,
                false_competence=wish.false_competence,
                standard=wish.standard,
                interval=wish.interval,
                today=today or date.today(),
                notes=notes,
                quiet_after=wish.quiet_after,
                difficulty=difficulty,
            )
            if wish.key is not None:  # before anything goes by its codes
                write_key(wish.key, key)
            return Written(write_cohort_files(report, out, attempts), report, gathered.faults)


def _of_task(table: pd.DataFrame, wish: Wish) -> pd.DataFrame:
    if wish.task is None:
        return table
    rows = table[table["task"] == wish.task].reset_index(drop=True)
    if not len(rows):
        raise CohortError(f"--task {wish.task}: no such attempt is among these results; leave --task out.")
    return rows
