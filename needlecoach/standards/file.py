"""The file of a standard (TOML): read and check; and a standard as it goes into run.json."""

from __future__ import annotations

import stat
import tomllib
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from needlecoach.errors import OutputError, StandardError
from needlecoach.scoring.standard import Criterion, Standard, fault_of

EXAMPLE = Path(__file__).with_name("example.toml")
MOST_BYTES = 100_000

_Line = Annotated[str, Field(max_length=200)]
_OPERATORS = '"<", "<=", ">", ">=", "is"'


class _Entry(BaseModel):
    """Settings of every part: unknown keys, NaN and values of another type are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


class _Head(_Entry):
    name: Annotated[str, Field(min_length=1, max_length=100)]
    source: _Line = ""
    note: Annotated[str, Field(max_length=1000)] = ""


class _Demand(_Entry):
    column: _Line
    operator: Literal["<", "<=", ">", ">=", "is"]
    limit: (
        bool | Annotated[int, Field(ge=-(10**9), le=10**9)] | Annotated[float, Field(ge=-1e9, le=1e9)] | _Line
    )
    words: _Line = ""


class _File(_Entry):
    standard: _Head
    criterion: Annotated[list[_Demand], Field(min_length=1, max_length=50)]


def read_standard(path: Path) -> Standard:
    """Read a standard.

    Raises
    ------
    StandardError
        When the file can't be read, is not TOML, has an unknown key, column or operator, or a value of
        another type: one line with the file, the key and what to do.
    """
    path = Path(path)
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would be waited for without end
            raise StandardError(f"{path}: is not a file that can be read as a standard; give a TOML file.")
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
        if len(content) > MOST_BYTES:
            raise StandardError(f"{path}: is too large for a standard; give the TOML file with the criteria.")
        return parse_standard(content.decode("utf-8-sig"), path.name)
    except OSError as problem:
        raise StandardError(
            f"{path}: can't be read ({problem.strerror or problem}); check the name."
        ) from problem
    except UnicodeDecodeError as problem:
        raise StandardError(f"{path}: is not UTF-8 text; save the standard as UTF-8 TOML.") from problem
    except _FaultError as fault:
        raise StandardError(f"{path}: {fault}") from fault.__cause__


def parse_standard(text: str, file: str = "") -> Standard:
    """Standard from the content of its file; a fault of it is raised as StandardError without the file."""
    try:
        parsed = _parsed(text)
    except RecursionError:
        raise _FaultError("holds values nested too deeply for a standard; mend the file.") from None
    criteria = tuple(Criterion(one.column, one.operator, one.limit, one.words) for one in parsed.criterion)
    for number, criterion in enumerate(criteria, start=1):
        if (fault := fault_of(criterion)) is not None:
            raise _FaultError(f'criterion {number}, key "{fault[0]}": {_short(fault[1], 160)}')
    head = parsed.standard
    for key, line in (("name", head.name), ("source", head.source), *(("words", c.words) for c in criteria)):
        if not line.isprintable():
            raise _FaultError(f'key "{key}" must be one line of text, got {_short(line)}; correct it.')
    return Standard(head.name, criteria, head.source, head.note, file)


def _parsed(text: str) -> _File:
    try:
        return _File.model_validate(tomllib.loads(text))
    except ValidationError as problem:
        raise _FaultError(_first_fault(problem)) from problem
    except ValueError as problem:  # TOML's own faults, and numbers of thousands of digits
        raise _FaultError(f"is not valid TOML ({_short(str(problem), 120)}); mend the file.") from problem


def write_example(path: Path) -> None:
    """Write the example to a new file; OutputError when there is one already or it can't be written."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(EXAMPLE.read_text(encoding="utf-8"))
    except FileExistsError as problem:
        raise OutputError(f"{path}: is there already and is left alone; give another name.") from problem
    except OSError as problem:
        raise OutputError(f"{path}: can't be written ({problem.strerror or problem}).") from problem


def standard_record(standard: Standard) -> dict[str, Any]:
    """Return a standard as values that JSON can hold, enough to hold it against attempts again."""
    return asdict(standard)


def standard_of_record(record: Mapping[str, Any] | None) -> Standard | None:
    """Standard as `standard_record` wrote it, None where none was.

    Raises
    ------
    KeyError, TypeError, ValueError
        When the record is not one of those.
    """
    if record is None:
        return None
    criteria = tuple(Criterion(**one) for one in record["criteria"])
    if any(fault_of(one) is not None for one in criteria):
        raise ValueError("a criterion of another version")
    return Standard(**{**record, "criteria": criteria})


class _FaultError(StandardError):
    """A fault of the content, before the file's name is put in front."""


def _first_fault(problem: ValidationError) -> str:
    """First fault in one line: key, what is wrong, what to do."""
    fault = problem.errors(include_url=False)[0]
    where, key = _place(fault["loc"])
    if fault["type"] == "extra_forbidden":
        return f'{where}unknown key "{_short(key)}"; take it out or correct its spelling.'
    if fault["type"] == "missing":
        return f'{where}key "{key}" is missing; add it (needlecoach standard prints an example).'
    if key == "operator":
        return f'{where}key "operator" must be one of {_OPERATORS}, got {_short(repr(fault["input"]))}.'
    if key == "limit":
        got = _short(repr(fault["input"]))
        return f'{where}key "limit" must be a number, text, true or false, got {got}.'
    return f"{where}{_wrong_form(fault, key)}"


def _wrong_form(fault: ErrorDetails, key: str) -> str:
    """A part or a value of another form than it needs, with the form to write."""
    if key == "standard":
        return 'key "standard" must be a table: write [standard], and below it name = "...".'
    if key == "criterion":
        return (
            'key "criterion" must be a table for each criterion: write [[criterion]], in two brackets, and '
            "below it column, operator and limit; 1 to 50 of them."
        )
    got = _short(repr(fault["input"]))
    if not isinstance(fault["input"], str):
        return f'key "{key}" must be text in quotation marks, got {got}; correct it.'
    if fault["type"] == "string_too_short":
        return f'key "{key}" must not be empty; write it.'
    most = fault.get("ctx", {}).get("max_length")
    return f'key "{key}" must be text of at most {most} letters, got {len(fault["input"])}; shorten it.'


def _place(loc: tuple[int | str, ...]) -> tuple[str, str]:
    """Which criterion, counted from 1 as people do, and the key within it."""
    if loc[0] == "criterion" and len(loc) > 1 and isinstance(loc[1], int):
        return f"criterion {loc[1] + 1}, ", str(loc[2]) if len(loc) > 2 else "criterion"
    return "", ".".join(str(step) for step in loc)


def _short(text: str, most: int = 60) -> str:
    line = "".join(letter if letter.isprintable() else "?" for letter in text)
    return line if len(line) <= most else line[: most - 3] + "..."
