"""Visitors' tries in files beside the page, which asks for them again and again; the newest are kept."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from needlecoach.errors import OutputError
from needlecoach.reporting.bigscreen.page import list_script, try_script

KEEP = 4
# What the page asks for: NAME.js lists the tries, NAME/TRY.js holds one.
NAME = "replay-more"
_TRY = re.compile(r"try-[0-9a-f]{12}\.js")


class MoreTries:
    """The newest visitors' tries beside the page in `folder`; what a former run left there is taken away.

    Raises
    ------
    OutputError
        When a file can't be written.
    """

    def __init__(self, folder: Path) -> None:
        self._list = folder / f"{NAME}.js"
        self._folder = folder / NAME
        self._names: list[str] = []
        with _told(self._folder):
            self._folder.mkdir(parents=True, exist_ok=True)
            write_whole(self._list, list_script([]))
        self._tidy()

    def add(self, data: dict[str, Any]) -> None:
        """Add a try, and let go of the oldest one when there are more than `KEEP`."""
        name = f"try-{secrets.token_hex(6)}"
        names = [*self._names, name][-KEEP:]
        with _told(self._folder):
            write_whole(self._folder / f"{name}.js", try_script(name, data))
            write_whole(self._list, list_script(names))
        self._names = names
        self._tidy()

    def _tidy(self) -> None:
        """Delete tries that are no longer listed."""
        kept = {f"{name}.js" for name in self._names}
        with contextlib.suppress(OSError):  # may be held open by a browser; the next time then
            for path in self._folder.iterdir():
                if _TRY.fullmatch(path.name) and path.name not in kept:
                    path.unlink()


def write_whole(path: Path, text: str) -> None:
    """Write a file under another name and move it into place, so that none is ever seen half-written."""
    waiting = path.with_name(f".{path.name}.partial")
    try:
        waiting.write_text(text, encoding="utf-8")
        os.replace(waiting, path)
    finally:
        waiting.unlink(missing_ok=True)


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        raise OutputError(
            f"{path} can't be written ({problem.strerror or problem}); choose another --out."
        ) from problem
