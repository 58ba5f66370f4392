"""The demonstration's folder: built out of sight, moved into place whole, and no one's work overwritten."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from needlecoach.errors import OutputError
from needlecoach.reporting.results import renamed

LIST_FILE = "demo.json"
ABOUT = "Invented for a demonstration: learners, results and recordings. Made by needlecoach demo."


@contextmanager
def built_whole(final: Path) -> Iterator[Path]:
    """Give a folder beside `final` that takes its name at the end, or is gone when anything goes wrong.

    A former demonstration is replaced, unless something was added to it or changed in it since.

    Raises
    ------
    OutputError
        When `final` holds anything else, or can't be written.
    """
    final = Path(os.path.abspath(final))
    check_replaceable(final)
    try:
        final.parent.mkdir(parents=True, exist_ok=True)
        folder = Path(tempfile.mkdtemp(prefix=f".{final.name[:40]}.", suffix=".partial", dir=final.parent))
    except OSError as problem:
        raise _refused(final, problem) from problem
    try:
        yield folder
        _write_list(folder)
        check_replaceable(final)  # minutes have passed
        if (aside := renamed(folder, final)) is not None:
            shutil.rmtree(aside, ignore_errors=True)
    except OSError as problem:
        raise _refused(final, problem) from problem
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def check_replaceable(final: Path) -> None:
    """Refuse to replace anything but an empty folder, or a demonstration that is as it was written.

    Raises
    ------
    OutputError
        Which names what is in the way.
    """
    if not os.path.lexists(final) or (final.is_dir() and not any(final.iterdir())):
        return
    try:
        written = json.loads((final / LIST_FILE).read_text(encoding="utf-8"))["files"]
    except (OSError, ValueError, KeyError, TypeError):
        raise OutputError(
            f"{final} exists and is no demonstration of ours; move it or choose another --out."
        ) from None
    for name, state in _states(final).items():
        if written.get(name) != state:
            raise OutputError(
                f"{final}: {name} was added or changed since this demonstration was made; move the folder or "
                "choose another --out."
            )


def _states(folder: Path) -> dict[str, list[int]]:
    """Size and time of writing of every file in a folder but the list of them."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path != folder / LIST_FILE:
            told = path.stat()
            found[path.relative_to(folder).as_posix()] = [told.st_size, told.st_mtime_ns]
    return found


def _write_list(folder: Path) -> None:
    mask = os.umask(0)
    os.umask(mask)
    folder.chmod(0o777 & ~mask)
    record = {"about": ABOUT, "invented": True, "files": _states(folder)}
    (folder / LIST_FILE).write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


def _refused(final: Path, problem: OSError) -> OutputError:
    reason = (problem.strerror or str(problem)).lower()
    return OutputError(f"The demonstration can't be written to {final}: {reason}; choose another --out.")
