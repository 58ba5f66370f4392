"""Visitors' tries in files beside the page, which asks for them again and again; the newest are kept, and a
former run's put aside."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any

from needlecoach.errors import OutputError
from needlecoach.reporting.bigscreen.page import list_script, try_script

KEEP = 4
# What the page asks for: NAME.js lists the tries, NAME/TRY.js holds one.
NAME = "replay-more"
# What a page holds that still asks for them.
_WAITS = f'"more":"{NAME}"'.encode()
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
        self._newest: list[dict[str, Any]] = []
        with _told(self._folder):
            self._folder.mkdir(parents=True, exist_ok=True)
            write_whole(self._list, list_script([]))
        self._tidy()

    @property
    def newest(self) -> tuple[dict[str, Any], ...]:
        """The tries that are shown, the oldest first; for the page itself, once no more can come."""
        return tuple(self._newest)

    def add(self, data: dict[str, Any]) -> None:
        """Add a try, and let go of the oldest one when there are more than `KEEP`."""
        name = f"try-{secrets.token_hex(6)}"
        names = [*self._names, name][-KEEP:]
        with _told(self._folder):
            write_whole(self._folder / f"{name}.js", try_script(name, data))
            write_whole(self._list, list_script(names))
        self._names, self._newest = names, [*self._newest, data][-KEEP:]
        self._tidy()

    def _tidy(self) -> None:
        """Delete tries that are no longer listed."""
        kept = {f"{name}.js" for name in self._names}
        with contextlib.suppress(OSError):  # may be held open by a browser; the next time then
            for path in self._folder.iterdir():
                if _TRY.fullmatch(path.name) and path.name not in kept:
                    path.unlink()


def put_aside(page: Path) -> str | None:
    """Put a former run's page aside when visitors' tries are in it, as they come only once.

    Returns
    -------
    str | None
        What happened to those tries, in a sentence; None where there were none.

    Raises
    ------
    OutputError
        When it can't be put aside.
    """
    n_left = _left_from_before(page.parent)
    if not n_left or not page.is_file():
        return None
    tries = f"{n_left} {'try' if n_left == 1 else 'tries'} of visitors"
    with _told(page):
        # Only a run that was ended by Ctrl-C has them in its page; one that was cut off has them beside it.
        if _WAITS in page.read_bytes():
            told = f"{page}: now without {tries} of a former run, which was cut off."
        else:
            former = _unused(page)
            os.replace(page, former)
            told = f"The former page, with {tries}, is now {former}; this one starts anew."
    MoreTries(page.parent)
    return told


def _left_from_before(folder: Path) -> int:
    """How many visitors' tries a former run left beside the page in `folder`."""
    try:
        return sum(bool(_TRY.fullmatch(path.name)) for path in (folder / NAME).iterdir())
    except OSError:
        return 0


def _unused(page: Path) -> Path:
    """A name beside a page for what it was before."""
    names = (page.with_name(f"{page.stem}-before-{number}{page.suffix}") for number in count(1))
    return next(name for name in names if not os.path.lexists(name))


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
