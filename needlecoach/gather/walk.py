"""Where the results of a cohort lie: results folders and tables below what the user named."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from needlecoach.errors import CohortError
from needlecoach.reporting.folders import ATTEMPTS_FILE, RUN_FILE

# How many folders deep results are looked for below a folder that is named.
DEEPEST = 4
# A disk that is asked for one small file after the other answers four to five times as slowly as one that is
# asked for many at once.
_ASKED_AT_ONCE = 8
_MOST_TOGETHER = 50
# A pipe by the name of a result must not hold the search up.
_NO_WAITING = getattr(os, "O_NONBLOCK", 0)
_SMALL_FILE = 65536


@dataclass(frozen=True)
class Places:
    """What there is to be read: results folders and tables, each once; `barred` can't be looked into."""

    folders: tuple[Path, ...]
    tables: tuple[Path, ...]
    barred: tuple[Path, ...]


def find(reports: Sequence[Path], take: Callable[[Path], object] = lambda folder: None) -> Places:
    """Look for results.

    Parameters
    ----------
    reports
        Results folders, folders of them (any depth to `DEEPEST`), or tables of attempts. A table within a
        results folder stands for that folder, which tells more.
    take
        Is given each results folder as it is found; its files are on their way from the disk by then.

    Raises
    ------
    CohortError
        When one of them is not there.

    Notes
    -----
    Links are followed, and a folder that is reached twice is looked into once. Hidden folders are passed
    over: a result that is being written lies in one.
    """
    for path in reports:
        if not os.path.lexists(path):
            raise CohortError(f"{path}: there is no such file or folder; check the name.")
        if path.exists() and not (path.is_dir() or path.is_file()):  # a pipe, a device: reading may never end
            raise CohortError(
                f"{path}: is no file and no folder; give results folders, or tables of attempts."
            )
    threads = ThreadPoolExecutor(_ASKED_AT_ONCE)
    search = _Search(take, threads)
    try:
        for path in reports:
            search.look_at(path)
    finally:
        threads.shutdown(cancel_futures=True)
    return Places(tuple(search.folders), tuple(search.tables), tuple(search.barred))


class _Search:
    """What was found so far, and who is told of it."""

    def __init__(self, take: Callable[[Path], object], threads: Executor) -> None:
        self._take, self._threads = take, threads
        self._seen: set[tuple[int, int]] = set()
        self.folders: list[Path] = []
        self.tables: list[Path] = []
        self.barred: list[Path] = []

    def look_at(self, path: Path) -> None:
        """Look for results in something that was named."""
        if path.is_dir():
            self._look_below(path, 0)
        elif (path.parent / RUN_FILE).is_file():
            self._look_below(path.parent, 0)
        elif self._is_new(path):
            self.tables.append(path)

    def _look_below(self, folder: Path, depth: int) -> None:
        """Take results folders in a folder, itself included, in the order of their names."""
        if not self._is_new(folder):
            return
        record = os.path.join(folder, RUN_FILE)
        if os.path.isfile(record):
            self.folders.append(folder)
            self._take(folder)
            return
        if os.path.lexists(record):  # a pipe, a folder, a link to nothing
            self.barred.append(folder)
            return
        if depth == DEEPEST:
            return
        try:
            with os.scandir(folder) as entries:
                names = sorted(one.name for one in entries if one.name[0] != "." and _is_folder(one))
        except OSError:
            self.barred.append(folder)
            return
        for name in self._asked_for(folder, names):
            self._look_below(folder / name, depth + 1)

    def _asked_for(self, folder: Path, names: Sequence[str]) -> Iterator[str]:
        """Names in a folder, the disk being asked for their results well ahead if there are many."""
        together = min(len(names) // _ASKED_AT_ONCE, _MOST_TOGETHER)
        if together < 2:
            yield from names
            return
        some = [names[first : first + together] for first in range(0, len(names), together)]
        for asked in self._threads.map(partial(_ask_for, os.fspath(folder)), some):
            yield from asked

    def _is_new(self, path: Path) -> bool:
        """Whether a file or folder was not met before, by whatever name."""
        try:
            told = os.stat(path)
        except OSError:
            self.barred.append(path)
            return False
        key = (told.st_dev, told.st_ino)
        new = key not in self._seen
        self._seen.add(key)
        return new


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link that leads in a ring
        return False


def _ask_for(folder: str, names: Sequence[str]) -> Sequence[str]:
    """Have the files of results brought into memory by the system, without waiting where it can do that."""
    # One tells of its neighbours: to ask for what is in memory costs a tenth of reading it.
    if not _is_in_memory(os.path.join(folder, names[-1], RUN_FILE)):
        for name in names:
            for file in (RUN_FILE, ATTEMPTS_FILE):
                with suppress(OSError), _opened(os.path.join(folder, name, file)) as opened:
                    _bring(opened)
    return names


def _is_in_memory(path: str) -> bool:
    """Whether a file can be read without waiting for the disk; no where the system does not tell."""
    if not hasattr(os, "RWF_NOWAIT"):
        return False
    with suppress(OSError), _opened(path) as opened:
        return os.preadv(opened, [bytearray(1)], 0, os.RWF_NOWAIT) == 1
    return False


def _bring(opened: int) -> None:
    if hasattr(os, "posix_fadvise"):
        os.posix_fadvise(opened, 0, 0, os.POSIX_FADV_WILLNEED)
    else:
        os.read(opened, _SMALL_FILE)


@contextmanager
def _opened(path: str) -> Iterator[int]:
    opened = os.open(path, os.O_RDONLY | _NO_WAITING)
    try:
        yield opened
    finally:
        os.close(opened)
