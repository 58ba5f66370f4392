"""All that is known of the one clip that is open: its frames, its marks, its result, the work on it."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from needlecoach import __version__
from needlecoach.blockuse import blocks_beside
from needlecoach.errors import MarksError
from needlecoach.marks import MarkOptions, TargetEntry, checked_box, marks_beside
from needlecoach.model import Block, Marks
from needlecoach.review.correcting import Correcting
from needlecoach.review.film import Film
from needlecoach.review.jobs import Jobs, Report
from needlecoach.review.refusal import RefusalError
from needlecoach.review.results import Results
from needlecoach.review.savedmarks import SavedMarks
from needlecoach.review.shelf import Shelf
from needlecoach.scored import Wish, scorable_marks, score_into


class Desk:
    """One clip, open for marking and reviewing.

    Parameters
    ----------
    clip : a video, a DICOM file or a folder of numbered images
    folder : for the results of this clip; need not be there yet
    wish : how it is scored
    block : that was pricked, besides those whose files lie beside the clip; None where none was given

    Raises
    ------
    ClipError
        When the clip can't be read.
    """

    def __init__(self, clip: Path, folder: Path, wish: Wish, block: Block | None = None) -> None:
        self.path, self.wish, self.block = clip, wish, block
        self.shelf = Shelf(clip, fps=wish.fps)
        self.marks = SavedMarks(clip)
        self.jobs = Jobs()
        self.film = Film(clip, self.jobs, fps=wish.fps)
        self.results = Results(folder)
        self.correcting = Correcting(clip, self.results, self.jobs)
        self._proposals: dict[str, dict[str, Any]] = {}
        self._proposing = threading.Lock()
        self.jobs.start("look", "Looking at the video", lambda _: self._prepare_film())

    def close(self, say: Callable[[str], None] = lambda _: None) -> None:
        """Stop all work, but for corrections on their way to the folder, and let go of the clip."""
        with contextlib.ExitStack() as stack:  # all of them, whatever one of them meets
            for close in (self.shelf.close, self.film.close, self.correcting.close, self.jobs.close):
                stack.callback(close)
            with contextlib.suppress(KeyboardInterrupt):  # asked for twice
                self.correcting.finish(say)

    def about(self) -> dict[str, Any]:
        """What the pages need to know of the clip first."""
        clip, times_s = self.shelf.clip, self.shelf.times_s
        marks = self._raw_marks() or {}
        return {
            "name": clip.name,
            "file": clip.path.name,
            "kind": clip.kind,
            "width_px": clip.width_px,
            "height_px": clip.height_px,
            "n_frames": len(times_s),
            "times_s": [round(time_s, 6) for time_s in times_s],
            "video": self.film.state(),
            "pages": {"mark": True, "review": self.results.are_there()},
            "task": marks.get("task"),
            "learner": marks.get("learner"),
            "version": __version__,
        }

    def blocks(self) -> dict[str, Any]:
        """Blocks that the marks can name, as the page shows them, and what is wrong with files of others."""
        from needlecoach.review.blocks import blocks_view

        beside, faults = blocks_beside(self.path)
        return {**blocks_view(self.block, beside), "faults": faults}

    def held_against_block(self, marks: object, mm_per_px: tuple[float, float] | None) -> dict[str, Any]:
        """What scoring will say of marks that a page holds, and of the outline by its block's true size."""
        from needlecoach.review.blocks import notes_of

        beside, _ = blocks_beside(self.path)
        given = [] if self.block is None else [self.block]
        return {"notes": notes_of(marks, [*given, *beside], mm_per_px)}

    def save_marks(self, marks: object, version: str) -> dict[str, Any]:
        """Save marks that a page sent; see `SavedMarks.save`."""
        return self.marks.save(marks, version, self.shelf.clip)

    def proposal(self, screen: Literal["auto"] | None) -> dict[str, Any]:
        """What the tool proposes; some seconds of work the first time."""
        from needlecoach.review.proposal import propose

        marks = self._saved_marks()
        wanted = screen or marks.screen
        key = repr(wanted)
        with self._proposing:
            if key not in self._proposals:
                self._proposals[key] = propose(self.path, marks, screen=wanted, fps=self.wish.fps)
            return self._proposals[key]

    def follow(self, target: TargetEntry, region_px: tuple[int, int, int, int] | None) -> dict[str, Any]:
        """Follow a target through the clip, in place of one that is being followed; return the job."""
        marks = replace(self._saved_marks(), target=target.to_target())
        if region_px is not None:
            marks = replace(marks, region_box_px=checked_box(region_px))
        work = self.jobs.start("follow", "Following the target", lambda report: self._followed(marks, report))
        return {"job": work}

    def score(self, *, no_target: bool) -> dict[str, Any]:
        """Score the clip with the marks as saved, into the results folder; return the job."""
        marks = self._scorable(no_target=no_target)
        wish = replace(self.wish, no_target=no_target)
        return {"job": self.jobs.start("result", "Scoring", lambda report: self._scored(marks, wish, report))}

    def job(self, key: str) -> dict[str, Any]:
        """State of a piece of work."""
        record = self.jobs.record(key)
        if record is None:
            raise RefusalError(404, "There is no such work any more; ask for it again.")
        return record

    def _scorable(self, *, no_target: bool) -> Marks:
        self.marks.record()  # tells of a file that can't be understood
        marks = self._saved_marks()
        if marks.target is None and not no_target:
            raise RefusalError(422, "No target is marked yet: mark it, or score without a target.")
        return scorable_marks(self.path, self._options(marks), no_target=no_target)

    def _options(self, marks: Marks) -> MarkOptions:
        """The block that was given, where the marks name no other."""
        given = self.block is not None and marks.block in (None, self.block.code)
        return MarkOptions(block=self.block if given else None)

    def _scored(self, marks: Marks, wish: Wish, report: Report) -> dict[str, Any]:
        self.jobs.stop("write", "open")
        folder = self.results.folder
        # Following is the first half of the work, writing the replay the other.
        score_into(
            self.path,
            marks,
            folder.parent,
            folder.name,
            wish,
            scoring=lambda done, total: report(done, 2 * total),
            writing=lambda done, total: report(total + done, 2 * total),
        )
        self.results.written()
        self.correcting.forget()
        return {"folder": str(folder)}

    def _followed(self, marks: Marks, report: Report) -> dict[str, Any]:
        from needlecoach.analyse import follow_target

        path = follow_target(self.path, marks, fps=self.wish.fps, progress=report)
        return {"centre_px": path.centre_px.round(2).tolist(), "found": path.found.tolist()}

    def _prepare_film(self) -> None:
        self.shelf.wait_read_through()
        self.film.prepare()

    def _raw_marks(self) -> dict[str, Any] | None:
        try:
            marks: dict[str, Any] | None = self.marks.record()["marks"]
            return marks
        except RefusalError:
            return None

    def _saved_marks(self) -> Marks:
        """Marks as saved; none where the file can't be understood."""
        try:
            return marks_beside(self.path, MarkOptions())
        except MarksError:
            return Marks()
