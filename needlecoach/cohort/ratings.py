"""The file of supervisors' own ratings (CSV): read and checked, each fault with its row and column."""

from __future__ import annotations

import csv
import io
import re
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from needlecoach.cohort.quantities import (
    FaultError,
    Quantity,
    Value,
    by_cells,
    kind_is_told,
    quantity_of,
    rating_of,
    with_words,
)
from needlecoach.errors import CohortError, OutputError

EXAMPLE = Path(__file__).with_name("example_ratings.csv")
MOST_BYTES = 20_000_000
# The tool takes part as a rater of this name.
TOOL = "needlecoach"
# Columns that say which attempt; and such as are left alone.
KEYS = ("folder", "clip", "attempt", "rater")
LEFT_ALONE = frozenset({"learner", "date", "note", "notes", "comment", "comments", "remark", "remarks"})

_CODE = re.compile(r"(?=.*\d)\w[\w.-]{0,15}")


@dataclass(frozen=True)
class Subject:
    """An attempt as a row names it: by results folder, by clip, or both ("" where not said)."""

    folder: str
    clip: str
    attempt: int


@dataclass(frozen=True, eq=False)
class Rating:
    """One row: which attempt, whose rating, and its values by name of quantity (blanks left out)."""

    row: int
    subject: Subject
    rater: str
    values: Mapping[str, Value]


@dataclass(frozen=True, eq=False)
class Ratings:
    """All of a file; `cant_tell` counts cells such as an outcome "unscorable", which are no rating."""

    file: str
    quantities: tuple[Quantity, ...]
    rows: tuple[Rating, ...]
    cant_tell: int = 0


def read_ratings(path: Path) -> Ratings:
    """Read a file of ratings.

    Parameters
    ----------
    path : CSV in UTF-8 with or without a byte-order mark; comma, semicolon or tab between cells

    Raises
    ------
    CohortError
        One line, with row (the header is row 1, as spreadsheets count) and column.
    """
    path = Path(path)
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would be waited for without end
            raise CohortError(f"{path}: is not a file of ratings; give a CSV file.")
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as problem:
        raise CohortError(
            f"{path}: can't be read ({problem.strerror or problem}); check the name."
        ) from problem
    if len(content) > MOST_BYTES:
        raise CohortError(f"{path}: is too large for ratings (over {MOST_BYTES // 10**6} MB).")
    try:
        return parse_ratings(_text(content), path.name)
    except FaultError as fault:
        raise CohortError(f"{path}: {fault}.") from None


def write_example(path: Path) -> None:
    """Write the invented example to a new file; OutputError when there is one already or it can't be
    written."""
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(EXAMPLE.read_text(encoding="utf-8"))
    except FileExistsError as problem:
        raise OutputError(f"{path}: is there already and is left alone; give another name.") from problem
    except OSError as problem:
        raise OutputError(f"{path}: can't be written ({problem.strerror or problem}).") from problem


def _text(content: bytes) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in content:
        raise FaultError('is not UTF-8 text (perhaps a workbook or UTF-16); save it as "CSV UTF-8"')
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FaultError('is not UTF-8 text; save it as "CSV UTF-8"') from None


def parse_ratings(text: str, file: str = "") -> Ratings:
    """Ratings from the content of their file; a fault is raised as FaultError, without the file's name."""
    rows = _rows(text)
    if not rows:
        raise FaultError("is empty; the first row names the columns: clip, attempt, rater and what was rated")
    (top, header), rows = rows[0], rows[1:]
    columns = _columns(header, top, rows)
    quantities = tuple(
        _quantity(name, place, rows, top) for name, place in columns.items() if _is_rated(name)
    )
    if not quantities:
        raise FaultError(
            f"row {top}: names no column that was rated, such as outcome, closest_edge_mm or overall [1-5]"
        )
    _no_twins(quantities, top)
    if not rows:
        raise FaultError("holds no ratings below the row of names")
    reader = _Reader(columns, quantities)
    ratings = tuple(reader.rating(row, cells) for row, cells in rows)
    _not_twice(ratings)
    return Ratings(file, quantities, ratings, reader.cant_tell)


def _rows(text: str) -> list[tuple[int, list[str]]]:
    """Rows that hold anything, with their numbers; the separator is the one that the row of names has most
    of."""
    lines = text.splitlines(keepends=True)
    told = re.match(r"sep=(.)\s*$", lines[0].strip('"\r\n')) if lines else None
    first = next((line for line in lines[1 if told else 0 :] if line.strip()), "")
    mark = told[1] if told else max(";,\t", key=lambda one: (first.count(one), one == ","))
    try:
        read = csv.reader(io.StringIO("".join(lines), newline=""), delimiter=mark, strict=True)
        numbered = [(row, [cell.strip() for cell in cells]) for row, cells in enumerate(read, start=1)]
    except csv.Error as problem:
        raise FaultError(f"is not a table of cells ({problem}); save it as CSV again") from None
    return [(row, cells) for row, cells in numbered[1 if told else 0 :] if any(cells)]


def _columns(header: Sequence[str], top: int, rows: Sequence[tuple[int, list[str]]]) -> dict[str, int]:
    """Names of the columns and their places; names of keys and of what is left alone in small letters."""
    places: dict[str, int] = {}
    for place, name in enumerate(header):
        if not name:
            for row, cells in rows:
                if place < len(cells) and cells[place]:
                    raise FaultError(
                        f"row {row}, column {place + 1}: holds something, but row {top} gives it no name"
                    )
            continue
        name = name.casefold() if name.casefold() in {*KEYS, *LEFT_ALONE} else name
        if name in places:
            raise FaultError(f'row {top}: has two columns named "{_short(name)}"')
        places[name] = place
    for row, cells in rows:
        if any(cells[len(header) :]):
            raise FaultError(
                f"row {row}: has more cells than row {top} has names; a comma within a cell must stand in "
                "quotation marks"
            )
    _with_keys(places, top)
    return places


def _with_keys(places: Mapping[str, int], top: int) -> None:
    missing = [name for name in ("attempt", "rater") if name not in places]
    if "clip" not in places and "folder" not in places:
        missing.insert(0, "clip (or folder)")
    if missing:
        found = ", ".join(_short(name, 20) for name in list(places)[:6]) or "none"
        raise FaultError(f"row {top}: lacks the column {missing[0]}; found: {found}")


def _is_rated(name: str) -> bool:
    return name not in KEYS and name not in LEFT_ALONE


def _quantity(header: str, place: int, rows: Sequence[tuple[int, list[str]]], top: int) -> Quantity:
    cells = [_cell(cells, place) for _, cells in rows]
    try:
        quantity = quantity_of(header)
        if not kind_is_told(header):
            return by_cells(quantity, cells)
        return (
            with_words(quantity, cells) if quantity.kind == "words" and not quantity.categories else quantity
        )
    except FaultError as fault:
        raise FaultError(f'row {top}, column "{_short(header)}": {fault}') from None


def _no_twins(quantities: Sequence[Quantity], top: int) -> None:
    seen: dict[str, str] = {}
    for one in quantities:
        if one.name.casefold() in seen:
            raise FaultError(f'row {top}: has two columns named "{_short(one.name)}"')
        seen[one.name.casefold()] = one.name


class _Reader:
    """Reads rows; keeps the raters' codes as first written and what could not be told."""

    def __init__(self, columns: Mapping[str, int], quantities: Sequence[Quantity]) -> None:
        self._columns, self._quantities = columns, quantities
        by_name = {one.name: one for one in quantities}
        self._places = {quantity_of(name).name: place for name, place in columns.items() if _is_rated(name)}
        assert by_name.keys() == self._places.keys()
        self._codes: dict[str, tuple[str, int]] = {}
        self.cant_tell = 0

    def rating(self, row: int, cells: list[str]) -> Rating:
        folder, clip, attempt, rater = (_cell(cells, self._columns.get(name)) for name in KEYS)
        if not folder and not clip:
            raise FaultError(f"row {row}: says neither clip nor folder; name the recording in every row")
        subject = Subject(_unquoted(folder), _unquoted(clip), _attempt(attempt, row))
        values = {}
        for one in self._quantities:
            value = self._value(one, _cell(cells, self._places[one.name]), row)
            if value is not None:
                values[one.name] = value
        return Rating(row, subject, self._code(rater, row), MappingProxyType(values))

    def _value(self, quantity: Quantity, cell: str, row: int) -> Value | None:
        if not cell:
            return None
        try:
            value = rating_of(quantity, cell)
        except FaultError as fault:
            raise FaultError(f'row {row}, column "{quantity.name}": {fault}') from None
        self.cant_tell += value is None
        return value

    def _code(self, code: str, row: int) -> str:
        where = f'row {row}, column "rater": '
        if code.casefold() == TOOL:
            raise FaultError(f"{where}{TOOL} is the tool itself, whose values come from the results folders")
        if not _CODE.fullmatch(code):
            raise FaultError(
                f"{where}a rater is called by a code, not by name: up to 16 letters, digits, - _ or ., a "
                "digit among "
                "them, such as S1; keep the list of names elsewhere"  # not repeated: a name ends up in no log
            )
        kept, first = self._codes.setdefault(code.casefold(), (code, row))
        if kept != code:
            raise FaultError(
                f'{where}"{code}" and "{kept}" (row {first}) differ in capitals only; write one of them'
            )
        return code


def _attempt(cell: str, row: int) -> int:
    if not re.fullmatch(r"\d{1,6}(\.0+)?", cell) or int(float(cell)) < 1:
        raise FaultError(f'row {row}, column "attempt": must be a whole number from 1, got "{_short(cell)}"')
    return int(float(cell))


def _not_twice(ratings: Sequence[Rating]) -> None:
    seen: dict[tuple[Subject, str], int] = {}
    for one in ratings:
        first = seen.setdefault((one.subject, one.rater), one.row)
        if first != one.row:
            name = _short(one.subject.clip or one.subject.folder)
            raise FaultError(
                f"rows {first} and {one.row}: {one.rater} rates attempt {one.subject.attempt} of {name} "
                "twice; keep one, "
                f'or give a second reading a code of its own, such as "{one.rater}-2"'
            )


def _cell(cells: Sequence[str], place: int | None) -> str:
    return cells[place] if place is not None and place < len(cells) else ""


def _unquoted(text: str) -> str:
    """A name as in the tables, where an apostrophe keeps a spreadsheet from running it."""
    return text[1:] if re.match(r"'[=+\-@]", text) else text


def _short(text: str, most: int = 40) -> str:
    line = "".join(letter if letter.isprintable() else "?" for letter in text)
    return line if len(line) <= most else line[: most - 3] + "..."
