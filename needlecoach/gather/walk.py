"""Where the results of a cohort lie: results folders and tables below what the user named."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from needlecoach.errors import CohortError
from needlecoach.reporting.folders import RUN_FILE

# How many folders deep results are looked for below a folder that is named.
DEEPEST = 4


@dataclass(frozen=True)
class Places:
    """What there is to be read: results folders and tables, each once; `barred` can't be looked into."""

    folders: tuple[Path, ...]
    tables: tuple[Path, ...]
    barred: tuple[Path, ...]


def find(reports: Sequence[Path]) -> Places:
    """Look for results.

    Parameters
    ----------
    reports
        Results folders, folders of them (any depth to `DEEPEST`), or tables of attempts. A table within a
        results folder stands for that folder, which tells more.

    Raises
    ------
    CohortError
        When one of them is not there.

    Notes
    -----
    Links are followed, and a folder that is reached twice is looked into once. Hidden folders are passed
    over: a result that is being written lies in one.
    """
    seen: set[tuple[int, int]] = set()
    folders: list[Path] = []
    tables: list[Path] = []
    barred: list[Path] = []
    for path in reports:
        if not os.path.lexists(path):
            raise CohortError(f"{path}: there is no such file or folder; check the name.")
        if path.is_dir():
            folders += _below(path, 0, seen, barred)
        elif (path.parent / RUN_FILE).is_file():
            folders += _below(path.parent, 0, seen, barred)
        elif _is_new(path, seen, barred):
            tables.append(path)
    return Places(tuple(folders), tuple(tables), tuple(barred))


def _below(folder: Path, depth: int, seen: set[tuple[int, int]], barred: list[Path]) -> Iterator[Path]:
    """Results folders in a folder, itself included, in the order of their names."""
    if not _is_new(folder, seen, barred):
        return
    if os.path.isfile(os.path.join(folder, RUN_FILE)):
        yield folder
        return
    if depth == DEEPEST:
        return
    try:
        with os.scandir(folder) as entries:
            names = sorted(one.name for one in entries if one.name[0] != "." and _is_folder(one))
    except OSError:
        barred.append(folder)
        return
    for name in names:
        yield from _below(folder / name, depth + 1, seen, barred)


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link that leads in a ring
        return False


def _is_new(path: Path, seen: set[tuple[int, int]], barred: list[Path]) -> bool:
    """Whether a file or folder was not met before, by whatever name."""
    try:
        told = os.stat(path)
    except OSError:
        barred.append(path)
        return False
    key = (told.st_dev, told.st_ino)
    new = key not in seen
    seen.add(key)
    return new
