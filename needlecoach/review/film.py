"""What the page plays: the clip itself, or a copy that is made while the person begins to mark."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Any

from needlecoach.clips.player import COPY_KIND, played_kind, write_copy
from needlecoach.errors import NeedlecoachError, OutputError
from needlecoach.review.jobs import Jobs, Report
from needlecoach.review.refusal import RefusalError


class Film:
    """The video of the open clip.

    A copy lies in a folder for temporary files and goes with the server: one that stayed would be a recording
    that nobody knows of.
    """

    def __init__(self, clip: Path, jobs: Jobs, *, fps: float | None) -> None:
        self._clip, self._jobs, self._fps = clip, jobs, fps
        self._folder: Path | None = None
        self._job, self._file, self._kind = "", clip, ""

    def prepare(self) -> None:
        """Look whether a browser plays the clip; begin a copy when not."""
        self._kind = played_kind(self._clip)
        if not self._kind:
            self._job = self._jobs.start("film", "Making a copy that a browser plays", self._copy)

    def state(self) -> dict[str, Any]:
        """Whether it can be played, as the pages ask for it."""
        if self._kind:
            return {"state": "ready", "share": 1.0, "why": ""}
        job = self._jobs.record(self._job)
        if job is None or job["state"] == "running":
            return {"state": "preparing", "share": 0.0 if job is None else job["share"], "why": ""}
        return {"state": "none", "share": 0.0, "why": job["error"]}

    def file(self) -> tuple[Path, str]:
        """The file to be played and its kind; RefusalError while there is none."""
        state = self.state()
        if state["state"] != "ready":
            why = state["why"] or "the copy that a browser plays is still being made"
            raise RefusalError(404, f"The video can't be played yet: {why}. Frame by frame goes already.")
        if not self._file.is_file():
            raise RefusalError(404, f"{self._file.name} is no longer there; put it back or start again.")
        return self._file, self._kind

    def close(self) -> None:
        """Delete the copy."""
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)

    def _copy(self, report: Report) -> None:
        try:
            self._folder = Path(tempfile.mkdtemp(prefix="needlecoach-"))
            copy = self._folder / "clip.webm"
            write_copy(self._clip, copy, fps=self._fps, progress=report)
        except OSError as problem:
            raise OutputError(
                f"no room for a copy that a browser plays ({problem.strerror or problem})"
            ) from problem
        except NeedlecoachError as problem:
            raise type(problem)(str(problem).rstrip(".")) from problem
        self._file, self._kind = copy, COPY_KIND
