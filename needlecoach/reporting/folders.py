"""Results folders read back for what several together tell: whose, of what, when, and their attempts."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, TypedDict

import msgspec

from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.reopen import content_of, first_scored, last_scored_s, read_run

RUN_FILE, ATTEMPTS_FILE = "run.json", "attempts.csv"
NEVER = datetime.max.replace(tzinfo=UTC)
_FAULTS = (ValueError, KeyError, TypeError, AttributeError, RecursionError, csv.Error)


class _Marks(TypedDict, total=False):
    """What is needed of the marks in a run.json; the outline, most of the file, is passed over."""

    learner: str | None
    task: str | None
    target_name: str | None
    target_kind: str | None
    phantom: str | None
    block: str | None
    date: str | None


class _Run(TypedDict, total=False):
    """What is needed of a run.json."""

    schema: Any
    invented: Any
    first_scored_at: Any
    scored_at: Any
    versions: Any
    clip: Any
    options: Any
    result: Any
    marks: _Marks


_PARTS = msgspec.json.Decoder(_Run)


@dataclass(frozen=True)
class FolderResult:
    """One results folder as read: what its run.json says of the recording, and the cells of its attempts.csv.

    `folder` is the folder's name. `marks` always has a `date`, None where none was marked. `written_s` is
    when the results were written (seconds since 1970), `run` what run.json says but for most of the marks,
    region and scale. `cells` has a row per attempt, each as long as `header`.
    """

    folder: str
    clip: str
    sha256: str
    marks: Mapping[str, Any]
    first_scored: datetime
    written_s: float
    header: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]
    run: Mapping[str, Any]

    @property
    def rows(self) -> Iterator[Mapping[str, str]]:
        """Attempts, each as cells by column."""
        return (dict(zip(self.header, row, strict=True)) for row in self.cells)


def read_result(folder: Path) -> FolderResult:
    """Read one results folder.

    Raises
    ------
    NeedlecoachError
        When it holds no results, or some that can't be read: a spoilt file, a date that is none, an attempt
        without number or outcome.
    """
    try:
        return _read(folder)
    except FileNotFoundError as problem:
        told = f"{folder}: is spoilt (it lacks {Path(problem.filename).name}); score the clip again."
        raise NeedlecoachError(told) from problem
    except OSError as problem:
        told = f"{problem.filename or folder}: can't be read ({problem.strerror or problem})."
        raise NeedlecoachError(told) from problem
    except _FAULTS as problem:
        raise NeedlecoachError(
            f"{folder}: is spoilt ({type(problem).__name__}: {_line(problem)}); score the clip again."
        ) from problem


def folders_in(reports: Path) -> list[Path]:
    """Results folders right in a folder, by name; none where it can't be read."""
    try:
        return sorted(path for path in reports.iterdir() if (path / RUN_FILE).is_file())
    except OSError:
        return []


def first_times(results: Iterable[FolderResult]) -> dict[str, datetime]:
    """When each recording, by its fingerprint, was first scored into any of its folders."""
    first: dict[str, datetime] = {}
    for one in results:
        first[one.sha256] = min(one.first_scored, first.get(one.sha256, NEVER))
    return first


def is_before(one: tuple[str | None, datetime], other: tuple[str | None, datetime]) -> bool:
    """Whether a recording, by its date (or None) and its first scoring, is truly earlier than another."""
    if one[0] and other[0] and one[0] != other[0]:
        return one[0] < other[0]
    return one[1] < other[1]


def in_order(times: Sequence[tuple[str | None, datetime]]) -> list[int]:
    """Where each recording stands among all, oldest first: by first scoring, the dated ones by date.

    Parameters
    ----------
    times
        Date (or None) and first scoring of each recording; of two that are alike the one given first is
        first.

    Returns
    -------
    list of int
        Places in `times`, in order.

    Notes
    -----
    Dates and times of scoring can contradict each other in a ring; so that there is one order all the same,
    dated ones change places with dated ones only.
    """
    order = sorted(range(len(times)), key=lambda place: times[place][1])
    dated = iter(
        sorted((place for place in order if times[place][0]), key=lambda place: times[place][0] or "")
    )
    return [next(dated) if times[place][0] else place for place in order]


def _read(folder: Path) -> FolderResult:
    run = read_run(folder, _PARTS.decode)
    marks, clip = dict(run["marks"]), run["clip"]
    if marks.setdefault("date", None) is not None:
        date.fromisoformat(marks["date"])
    header, cells = _cells(folder / ATTEMPTS_FILE)
    return FolderResult(
        folder.name,
        str(clip["file"]),
        str(clip["sha256"]),
        marks,
        first_scored(folder, run),
        last_scored_s(folder, run),
        header,
        cells,
        run,
    )


def _cells(path: Path) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Heading and rows of a table of attempts; a row that ends early is filled up with empty cells."""
    first, _, others = content_of(path).partition(b"\n")
    header, number = _heading(first, path.name)
    lines = csv.reader(io.StringIO(others.decode(), newline=""), strict=True)
    cells = tuple((*line, *[""] * (len(header) - len(line))) for line in lines if line)
    if any(len(row) != len(header) for row in cells):
        raise ValueError("a row is longer than the heading")
    for row in cells:
        int(row[number])
    return header, cells


@lru_cache(maxsize=8)
def _heading(line: bytes, file: str) -> tuple[tuple[str, ...], int]:
    """Names of the columns, and which is the attempt's number; thousands of tables share one heading."""
    header = tuple(next(csv.reader([line.decode("utf-8-sig").removesuffix("\r")], strict=True), ()))
    for name in ("attempt", "outcome"):
        if name not in header:
            raise ValueError(f"{file} has no column {name}")
    return header, header.index("attempt")


def _line(problem: BaseException) -> str:
    return " ".join(str(problem).split())[:120]
