"""A results folder read back, so that a result can be looked at again without scoring the clip."""

from __future__ import annotations

import csv
import io
import os
from codecs import BOM_UTF8
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.record import PAGE_SCHEMA, SCHEMA

# How a small file is opened, and how much of it is taken at a time.
_READING = os.O_RDONLY | sum(getattr(os, name, 0) for name in ("O_BINARY", "O_CLOEXEC", "O_NONBLOCK"))
_A_PART = 1 << 17
# What the review page draws from; `results.py` writes both.
PAGE_FILE, STRIP_FILE = "page.json", "strip.png"
# Without these a page can't show a result.
PAGE_KEYS = frozenset(
    {
        "schema",
        "title",
        "learner",
        "clip",
        "scale",
        "core",
        "outline_px",
        "target",
        "frames",
        "strip",
        "attempts",
        "corrections",
        "notes",
        "unscorable",
    }
)


def read_run(folder: Path, parsed: Callable[[bytes], Any] = msgspec.json.decode) -> dict[str, Any]:
    """Return the record of the run (run.json) of a results folder, or what `parsed` takes from its bytes.

    Raises
    ------
    NeedlecoachError
        When the folder holds no results, or none that this version reads.
    """
    path = folder / "run.json"
    try:
        run = _parsed(path, content_of(path), parsed)
    except OSError as problem:
        raise _unread(folder, path, problem) from problem
    if run.get("schema") != SCHEMA or not {"clip", "marks", "options"} <= run.keys():
        raise NeedlecoachError(f"{folder}: was written by another version; score the clip again.")
    return run


def content_of(path: Path) -> bytes:
    """Content of a small file, in a third of the time of `read_bytes`; OSError as that. Waits for no pipe."""
    file = os.open(path, _READING)
    try:
        parts = [os.read(file, _A_PART)]
        while parts[-1]:
            parts.append(os.read(file, _A_PART))
        return b"".join(parts)
    finally:
        os.close(file)


def read_attempts(folder: Path) -> list[dict[str, str]]:
    """Return the rows of a results folder's attempts.csv, cells as they are written, by column.

    Raises
    ------
    OSError, ValueError, csv.Error
        When the table is not there or can't be read.
    """
    return rows_of(folder / "attempts.csv")


def rows_of(path: Path) -> list[dict[str, str]]:
    """Return the rows of a table, cells as they are written, by column; raises as `read_attempts`."""
    return list(csv.DictReader(io.StringIO(content_of(path).decode("utf-8-sig"), newline="")))


def first_scored(folder: Path, run: dict[str, Any]) -> datetime:
    """Return when the recording was first scored into a results folder, in UTC.

    Older results don't say: of those it is the time of their record's file, which `OSError` may bar.
    """
    try:
        said = datetime.fromisoformat(run["first_scored_at"])
        return (said if said.tzinfo is not None else said.replace(tzinfo=UTC)).astimezone(UTC)
    except (KeyError, TypeError, ValueError, OverflowError):
        return datetime.fromtimestamp((folder / "run.json").stat().st_mtime, UTC)


def last_scored_s(folder: Path, run: dict[str, Any]) -> float:
    """Return when a result was written, in seconds since 1970.

    Older results don't say: of those it is the time of their record's file, which a copy may have changed.
    """
    try:
        return datetime.fromisoformat(run["scored_at"]).timestamp()
    except (KeyError, TypeError, ValueError, OverflowError):
        return (folder / "run.json").stat().st_mtime


def read_page(folder: Path) -> bytes:
    """Return what the review page draws from (page.json), as it was written.

    Raises
    ------
    NeedlecoachError
        When an older version wrote the results, or the file is spoilt.
    """
    return _checked_page(folder)[0]


def parsed_page(folder: Path) -> dict[str, Any]:
    """Return the values of page.json; NeedlecoachError as `read_page`."""
    return _checked_page(folder)[1]


def _checked_page(folder: Path) -> tuple[bytes, dict[str, Any]]:
    path = folder / PAGE_FILE
    if not path.is_file():
        raise NeedlecoachError(
            f"{folder}: was written by an older version; score the clip again to review it."
        )
    content = _read(path)
    page = _parsed(path, content)
    if page.keys() >= {"schema"} and page["schema"] != PAGE_SCHEMA:
        raise NeedlecoachError(
            f"{folder}: was written by another version (its page data are schema "
            f"{str(page['schema'])[:20]}, this "
            f"version shows {PAGE_SCHEMA}); score the clip again to review it."
        )
    if not page.keys() >= PAGE_KEYS or not {"n_frames", "width_px", "height_px"} <= _keys(page["clip"]):
        raise NeedlecoachError(f"{path}: is spoilt; score the clip again.")
    return content, page


def read_strip(folder: Path) -> bytes | None:
    """Return the picture of the strip along the shaft, a PNG file; None where nothing was followed."""
    path = folder / STRIP_FILE
    return _read(path) if path.is_file() else None


def clip_place(folder: Path, run: dict[str, Any]) -> Path | None:
    """Where the clip lay beside its results, None when the record does not tell."""
    place = run["clip"].get("place")
    return (folder.resolve() / place).resolve() if isinstance(place, str) and place else None


def _keys(value: object) -> set[str]:
    return set(value) if isinstance(value, dict) else set()


def _unread(folder: Path, path: Path, problem: OSError) -> NeedlecoachError:
    """Why the record of a run could not be read."""
    if path.is_file():
        return NeedlecoachError(f"{path}: can't be read ({problem.strerror or problem}).")
    if not folder.is_dir():
        return NeedlecoachError(f"{folder}: there is no such folder; give a clip's results folder.")
    return NeedlecoachError(
        f"{folder}: holds no results (no run.json); give the folder of one clip, such as reports/L01."
    )


def _parsed(
    path: Path, content: bytes, parsed: Callable[[bytes], Any] = msgspec.json.decode
) -> dict[str, Any]:
    try:
        value = parsed(content.removeprefix(BOM_UTF8))  # an editor may have put it there
    except (ValueError, RecursionError) as problem:
        raise NeedlecoachError(f"{path}: is spoilt ({problem}); score the clip again.") from problem
    if not isinstance(value, dict):
        raise NeedlecoachError(f"{path}: is spoilt; score the clip again.")
    return value


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as problem:
        raise NeedlecoachError(f"{path}: can't be read ({problem.strerror or problem}).") from problem
