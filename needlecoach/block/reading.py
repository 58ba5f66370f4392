"""JSON files about blocks: read into checked entries with faults in one line, written whole or not at all."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from needlecoach.errors import BlockError, OutputError

SCHEMA = 1
MOST_BYTES = 1_000_000


class Entry(BaseModel):
    """Settings of every part of a file: unknown keys, NaN and values of another type are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


Content = TypeVar("Content", bound=Entry)


def read_entries(path: Path, form: type[Content], others: Mapping[str, str]) -> Content:
    """Content of a JSON file of ours; `others` says by a key that it lacks which of our files it is instead.

    Raises
    ------
    BlockError
        When it can't be read, is not JSON, has an unknown key or schema, or a value of another kind: the key
        and what to do, in one line that begins with the file.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would be waited for without end
            raise BlockError(f"{path}: is not a file; give a JSON file (phantom example writes one).")
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            raise BlockError(f"{path}: is too large for a file about one block; give another.")
        return form.model_validate_json(raw.decode("utf-8-sig"))
    except OSError as problem:
        raise BlockError(
            f"{path}: can't be read ({problem.strerror or problem}); check the name."
        ) from problem
    except UnicodeDecodeError as problem:
        raise BlockError(f"{path}: is not UTF-8 text; save it as UTF-8 JSON.") from problem
    except ValidationError as problem:
        foreign = {one["loc"][-1] for one in problem.errors() if one["type"] == "extra_forbidden"}
        other = next((words for key, words in others.items() if key in foreign), None)
        raise BlockError(f"{path}: {other or first_fault(problem)}") from problem


def entries_text(content: BaseModel) -> str:
    """The text of such a file."""
    return content.model_dump_json(by_alias=True, indent=2, exclude_none=True) + "\n"


def write_whole(path: Path, text: str) -> None:
    """Write a text file, whole or not at all; OutputError when it can't be written."""
    waiting = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        waiting.write_text(text, encoding="utf-8")
        os.replace(waiting, path)
    except OSError as problem:
        if waiting.is_file():
            waiting.unlink(missing_ok=True)
        raise OutputError(f"{path}: can't be written ({problem.strerror or problem}).") from problem


def first_fault(problem: ValidationError) -> str:
    """First fault of a file in one line: key, what is wrong, what to do."""
    fault = problem.errors(include_url=False)[0]
    key = _key(fault["loc"])
    message = fault["msg"].removeprefix("Value error, ")
    if fault["type"] == "json_invalid":
        return f"is not valid JSON ({message.removeprefix('Invalid JSON: ')}); mend the file."
    if fault["type"] == "extra_forbidden":
        return f'unknown key "{_short(key)}"; take it out or correct its spelling.'
    if fault["type"] == "missing":
        return f'key "{key}" is missing; add it' + (f", as {SCHEMA}." if key == "schema" else ".")
    got = _short(repr(fault["input"]))
    if key == "schema":
        return f'key "schema" is {got}; this version reads schema {SCHEMA}.'
    where = f'key "{key}": ' if key else ""
    return f"{where}{message[0].lower()}{message[1:]}, got {got}; correct it."


def _key(loc: tuple[int | str, ...]) -> str:
    """Where a fault lies, with parts of a list counted from 1 as people do."""
    return ".".join(str(step + 1) if isinstance(step, int) else step for step in loc)


def _short(text: str) -> str:
    line = "".join(letter if letter.isprintable() else "?" for letter in text)
    return line if len(line) <= 60 else line[:57] + "..."
