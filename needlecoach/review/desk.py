"""All that is known of the one clip that is open: its frames, its marks, its result, the work on it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from needlecoach import __version__
from needlecoach.review.jobs import Jobs
from needlecoach.review.refusal import RefusalError
from needlecoach.review.savedmarks import SavedMarks
from needlecoach.review.shelf import Shelf


class Desk:
    """One clip, open for marking and reviewing.

    Parameters
    ----------
    clip : a video, a DICOM file or a folder of numbered images
    out : folder into which results go, one folder per clip in it
    fps : frames per second, for what carries no times

    Raises
    ------
    ClipError
        When the clip can't be read.
    """

    def __init__(self, clip: Path, out: Path, *, fps: float | None = None) -> None:
        self.path, self.out, self.fps = clip, out, fps
        self.shelf = Shelf(clip, fps=fps)
        self.marks = SavedMarks(clip)
        self.jobs = Jobs()

    def close(self) -> None:
        """Stop all work and let go of the clip."""
        self.jobs.close()
        self.shelf.close()

    def about(self) -> dict[str, Any]:
        """What the pages need to know of the clip first."""
        clip, times_s = self.shelf.clip, self.shelf.times_s
        marks = self._marks_or_none() or {}
        return {
            "name": clip.name,
            "file": clip.path.name,
            "kind": clip.kind,
            "width_px": clip.width_px,
            "height_px": clip.height_px,
            "n_frames": len(times_s),
            "times_s": [round(time_s, 6) for time_s in times_s],
            "video": {"state": "none", "share": 0.0, "why": ""},
            "pages": {"mark": True, "review": False},
            "task": marks.get("task"),
            "learner": marks.get("learner"),
            "version": __version__,
        }

    def save_marks(self, marks: object, version: str) -> dict[str, Any]:
        """Save marks that a page sent; see `SavedMarks.save`."""
        return self.marks.save(marks, version, self.shelf.clip)

    def job(self, key: str) -> dict[str, Any]:
        """State of a piece of work."""
        record = self.jobs.record(key)
        if record is None:
            raise RefusalError(404, "There is no such work any more; ask for it again.")
        return record

    def _marks_or_none(self) -> dict[str, Any] | None:
        try:
            marks: dict[str, Any] | None = self.marks.record()["marks"]
            return marks
        except RefusalError:
            return None
