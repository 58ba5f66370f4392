"""The folder of a cohort: its page and both tables, all of them written or none."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from needlecoach.cohort.values import CohortReport
from needlecoach.errors import OutputError
from needlecoach.reporting.cohort_csv import attempts_text, csv_text
from needlecoach.reporting.cohort_page import render_cohort
from needlecoach.reporting.cohort_tables import LEARNER_COLUMNS, learners_table

PAGE, ATTEMPTS, LEARNERS = "cohort.html", "cohort.csv", "learners.csv"
FILES = (PAGE, ATTEMPTS, LEARNERS)
# How a file of ours begins; the page's title stands within its first lines.
_HEADS = {
    ATTEMPTS: b"learner,order,date,at,folder,clip,",
    LEARNERS: ",".join(LEARNER_COLUMNS[:5]).encode(),
}
_TITLE, _WITHIN = b": cohort</title>", 2000


def write_cohort_files(report: CohortReport, out: Path, attempts: Callable[[], str] | None = None) -> Path:
    """Write `cohort.html`, `cohort.csv` and `learners.csv` into a folder; return the page's path.

    Those of a former run are replaced, all three or none; other files are left alone. `attempts` returns the
    text of cohort.csv where that is under way already.

    Raises
    ------
    OutputError
        When they can't be written, or a file of that name is none of ours.
    """
    with _as_output_error(out):
        check_replaceable(out)
        out.mkdir(parents=True, exist_ok=True)
        with _partial_folder(out) as folder:
            _write(folder / PAGE, render_cohort(report))
            _write(folder / LEARNERS, csv_text(learners_table(report)))
            _write(folder / ATTEMPTS, attempts() if attempts else attempts_text(report.table))
            _move_into_place(folder, out)
    return out / PAGE


def check_replaceable(out: Path, inputs: Sequence[Path] = ()) -> None:
    """Refuse, before any work, to write over what is none of ours or is read from.

    Raises
    ------
    OutputError
        One line with the file and what to do.
    """
    with _as_output_error(out):
        if os.path.lexists(out) and not out.is_dir():
            raise OutputError(f"{out} is no folder; choose another --out.")
        read = {path.resolve() for path in inputs}
        for name in FILES:
            path = out / name
            if path.resolve() in read:
                raise OutputError(f"{path} is read from and would be written over; choose another --out.")
            if os.path.lexists(path) and not _is_ours(path):
                raise OutputError(f"{path} exists and is none of ours; move it or choose another --out.")


def _is_ours(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        start = file.read(_WITHIN)
    return _TITLE in start if path.name == PAGE else start.startswith(_HEADS[path.name])


def _move_into_place(folder: Path, out: Path) -> None:
    """Rename the finished files to their places; former ones step aside and come back if that fails."""
    aside = folder / "former"
    aside.mkdir()
    placed: list[str] = []
    try:
        for name in FILES:
            if os.path.lexists(out / name):
                os.replace(out / name, aside / name)
            placed.append(name)
            os.replace(folder / name, out / name)
    except BaseException:
        for name in FILES:
            if (aside / name).exists() or (aside / name).is_symlink():
                os.replace(aside / name, out / name)
            elif name in placed:
                (out / name).unlink(missing_ok=True)
        raise


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")


@contextmanager
def _as_output_error(out: Path) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        reason = (problem.strerror or str(problem)).lower()
        raise OutputError(
            f"The cohort can't be written to {out}: {reason}; make room or choose another folder with --out."
        ) from problem


@contextmanager
def _partial_folder(out: Path) -> Iterator[Path]:
    """Give a folder beside the files that is gone at the end."""
    folder = Path(tempfile.mkdtemp(prefix=".cohort.", suffix=".partial", dir=out))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
