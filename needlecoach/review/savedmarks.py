"""The marks of the open clip: read for the page, saved without losing what was there."""

from __future__ import annotations

import hashlib
import json
import os
import threading
from datetime import datetime
from pathlib import Path
from typing import Any

from needlecoach.errors import MarksError, OutputError
from needlecoach.marks import MarksFile, check_marks, marks_from_json, marks_path, write_marks
from needlecoach.model import Clip
from needlecoach.review.refusal import RefusalError


class SavedMarks:
    """The file of marks beside a clip.

    What was there when the page was opened, and whatever else was not saved from here, is copied to
    `NAME.marks.before-DATE-TIME.json` before it is overwritten. A page that has not seen the latest version
    is refused.
    """

    def __init__(self, clip: Path) -> None:
        self.path = marks_path(clip)
        self._lock = threading.Lock()
        try:
            self._at_first = _read(self.path)
        except RefusalError:  # told when the page asks; nothing is saved over what can't be read
            self._at_first = None
        # Versions that need no copy: they have one, or were saved from here.
        self._known = {_version(None)}

    def record(self) -> dict[str, Any]:
        """Marks as the file has them, its version and its name; RefusalError when it can't be understood."""
        content = _read(self.path)
        about = {"version": _version(content), "file": self.path.name}
        if content is None:
            return {"marks": None, **about}
        try:
            return {"marks": _plain(content), **about}
        except MarksError as problem:
            raise RefusalError(422, f"{self.path.name}: {problem}", **about) from problem

    def save(self, marks: object, version: str, clip: Clip) -> dict[str, Any]:
        """Write marks that a page sent, and return the new version.

        Raises
        ------
        RefusalError
            409 when the file has changed since `version`; 422 when the marks are impossible; 507 when it
            can't be written: the file is then as it was.
        """
        try:
            checked = marks_from_json(json.dumps(marks))
            check_marks(checked.to_marks(), clip)
        except MarksError as problem:
            raise RefusalError(422, f"Not saved: {problem}") from problem
        with self._lock:
            now = _read(self.path)
            if _version(now) != version:
                raise RefusalError(
                    409,
                    f"Not saved: {self.path.name} was changed meanwhile by another page or program; look at "
                    "what is there now, then mark again.",
                    marks=self._readable(now),
                    version=_version(now),
                )
            self._write(checked, now)
            saved = _version(_read(self.path))
            self._known.add(saved)
            return {"version": saved}

    def _readable(self, content: bytes | None) -> dict[str, Any] | None:
        try:
            return None if content is None else _plain(content)
        except MarksError:
            return None

    def _write(self, marks: MarksFile, now: bytes | None) -> None:
        try:
            for content in (self._at_first, now):
                self._keep(content)
            write_marks(self.path, marks)
        except (OSError, OutputError) as problem:
            why = (getattr(problem, "strerror", None) or str(problem)).rstrip(".")
            raise RefusalError(
                507, f"Not saved: {why}. What was saved before is still there; make room and save again."
            ) from problem

    def _keep(self, content: bytes | None) -> None:
        """Copy a version that would be lost, once, letter by letter."""
        if content is None or _version(content) in self._known:
            return
        copy = self._unused_name()
        waiting = copy.with_name(copy.name + ".part")
        try:
            waiting.write_bytes(content)
            os.replace(waiting, copy)
        finally:
            waiting.unlink(missing_ok=True)
        self._known.add(_version(content))

    def _unused_name(self) -> Path:
        stem = self.path.name.removesuffix(".json")
        stamp, number = datetime.now().strftime("%Y%m%d-%H%M%S"), 1
        copy = self.path.with_name(f"{stem}.before-{stamp}.json")
        while os.path.lexists(copy):
            number += 1
            copy = self.path.with_name(f"{stem}.before-{stamp}-{number}.json")
        return copy


def _plain(content: bytes) -> dict[str, Any]:
    """Marks of a file as values that JSON can hold; MarksError when it can't be understood."""
    try:
        marks = marks_from_json(content.decode("utf-8-sig"))
    except UnicodeDecodeError as problem:
        raise MarksError("is not UTF-8 text; save the marks as UTF-8 JSON.") from problem
    return marks.model_dump(mode="json", by_alias=True, exclude_none=True)


def _read(path: Path) -> bytes | None:
    """Content of a file, None where there is none; RefusalError when it can't be read."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise RefusalError(422, f"{path.name}: can't be read ({problem.strerror or problem}).") from problem


def _version(content: bytes | None) -> str:
    """What tells one content of the file from another; of no file too."""
    return "none" if content is None else hashlib.sha256(content).hexdigest()[:20]
