"""The text of a cohort's tables; that of a long table of attempts is made beside other work."""

from __future__ import annotations

import csv
import io
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any

import pandas as pd

from needlecoach.reporting.cohort_tables import attempts_of_cohort

# The text of fewer attempts is made before another process has started.
_WORTH_A_PROCESS = 5000


@contextmanager
def attempts_text(table: pd.DataFrame) -> Iterator[Callable[[], str]]:
    """Make the text of cohort.csv while something else is done.

    Parameters
    ----------
    table
        The table of attempts, as `cohort.table.table_of` makes it.

    Yields
    ------
    Callable
        Waits for the text and returns it. A long table is written in a process of its own, if there is a
        core for it; should that one end early, the text is made here.
    """
    if len(table) < _WORTH_A_PROCESS or (os.cpu_count() or 1) < 2:
        yield lambda: _attempts_text(table)
        return
    # Started anew and deaf to Ctrl+C, which this process answers.
    context, deaf = multiprocessing.get_context("spawn"), (signal.SIGINT, signal.SIG_IGN)
    with ProcessPoolExecutor(1, mp_context=context, initializer=signal.signal, initargs=deaf) as pool:
        text = pool.submit(_attempts_text, table)
        yield lambda: _waited_for(text, table)


def csv_text(table: pd.DataFrame) -> str:
    """A table as text; an unknown value is an empty cell. Twice as fast as pandas, same to the byte."""
    columns = [_cells(table[name]) for name in table]
    text = io.StringIO(newline="")
    lines = csv.writer(text, lineterminator="\n")
    lines.writerow(table.columns)
    lines.writerows(zip(*columns, strict=True))
    return text.getvalue()


def _attempts_text(table: pd.DataFrame) -> str:
    return csv_text(attempts_of_cohort(table))


def _waited_for(text: Future[str], table: pd.DataFrame) -> str:
    try:
        return text.result()
    except BrokenExecutor:
        return _attempts_text(table)


def _cells(column: pd.Series) -> list[Any]:
    if column.dtype == float:
        return ["" if value != value else value for value in column.tolist()]
    known = column.notna().tolist()
    return [value if is_known else "" for value, is_known in zip(column.tolist(), known, strict=True)]
