"""A folder of this run's own for temporary files, which hold a copy of the recording: gone at its end."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

try:
    import fcntl
except ImportError:  # such a system has no locks that end with their process: nothing is cleared there
    fcntl = None  # type: ignore[assignment]

PREFIX, LOCK = "needlecoach-run-", "lock"
# A folder so new may be one whose run is just about to lock it.
_NEW_S = 60.0


@contextlib.contextmanager
def own_folder() -> Iterator[None]:
    """Let all temporary files of this process lie in one folder, which is removed at the end.

    What runs left that were killed is removed first: a run holds a lock in its folder as long as it lives.
    """
    _clear_dead()
    before = tempfile.tempdir
    try:
        folder = Path(tempfile.mkdtemp(prefix=PREFIX))
    except OSError:  # without room whoever needs a file says so
        yield
        return
    with (folder / LOCK).open("w") as lock:
        _is_free(lock)
        tempfile.tempdir = str(folder)
        try:
            yield
        finally:
            tempfile.tempdir = before
            shutil.rmtree(folder, ignore_errors=True)


def _clear_dead() -> None:
    for lock in Path(tempfile.gettempdir()).glob(f"{PREFIX}*/{LOCK}"):
        with contextlib.suppress(OSError):  # another user's
            if time.time() - lock.stat().st_mtime > _NEW_S:
                with lock.open("r+") as file:
                    if _is_free(file):
                        shutil.rmtree(lock.parent, ignore_errors=True)


def _is_free(file: IO[str]) -> bool:
    """Take the lock if no living run has it."""
    if fcntl is None:
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
