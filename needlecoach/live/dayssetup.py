"""The day's marks in a running session: laid on the picture beside the follower, again when they change."""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from needlecoach.errors import NeedlecoachError
from needlecoach.live.daybook import Book
from needlecoach.live.following import Following
from needlecoach.live.kept import Place
from needlecoach.live.laid import Laid, lay
from needlecoach.live.ports import LiveRecorder, Source
from needlecoach.live.setup import Setup
from needlecoach.live.state import SetupNow
from needlecoach.live.still import STILL_S, prefilled, still_of
from needlecoach.marks import MarksFile
from needlecoach.model import Marks

# Marks files are looked at for changes so often.
LOOK_S = 1.0
# Options in px of the picture that was there when the command was given: new marks go before them.
_IN_PX = {"target": None, "scale": None, "region_box_px": None, "screen": None}


class DaysSetup:
    """Holds the setup, lays it on the picture on a thread of its own, and tells what is wrong with it.

    Attributes
    ----------
    fault : in one line why the marks can't be used, "" where they can or where there are none
    file : content of the marks file that is laid, None without one
    """

    def __init__(
        self, setup: Setup, book: Book, recorder: LiveRecorder, source: Source, changed: Callable[[], None]
    ) -> None:
        self._setup, self._book, self._recorder, self._source = setup, book, recorder, source
        self._changed = changed
        self._hand = ThreadPoolExecutor(max_workers=1, thread_name_prefix="needlecoach-setup")
        self._lock = threading.Lock()
        self.fault, self._lays = "", False
        self.file: MarksFile | None = None
        self._laid: Laid | None = None
        self._version, self._looked_s = "", float("-inf")
        self._wanted = setup.is_marked()

    @property
    def is_laying(self) -> bool:
        """Whether marks are being laid on the picture, or will be as soon as there is one."""
        return self._lays or self._wanted

    @property
    def learner(self) -> str | None:
        """Code of the learner that the command line tells."""
        return self._setup.options.learner

    def look(self) -> None:
        """Lay the marks once there is a picture, and again when their file has changed; returns at once."""
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOK_S or self._lays:
            return
        self._looked_s = now_s
        if self._setup.has_file() and self._setup.version() not in ("", self._version):
            self._wanted = True
        has_picture = self._source.state.kind == "running" and self._source.now_s() > STILL_S
        if self._wanted and (has_picture or self._setup.clip is not None):
            self._begin()

    def take(self, clip: Path) -> None:
        """Take the marks beside a clip from now on."""
        with self._lock:
            options = replace(self._setup.options, **_IN_PX)
            self._setup, self._version = Setup.of_clip(clip, options), ""
            self._wanted, self._looked_s = True, float("-inf")

    def take_laid(self) -> Laid | None:
        """Hand over marks that were laid meanwhile, once."""
        laid, self._laid = self._laid, None
        return laid

    def still(self, laid: Laid | None, place: Place | None) -> Path:
        """Keep the live picture as a clip to mark on, with the marks that hold now beside it."""
        path = still_of(self._recorder, self._book.out, self._book.wall(), self._source.now_s())
        prefilled(path, laid, self.file, place)
        return path

    def size_fault(self, size_px: tuple[int, int], laid: Laid) -> str:
        """Say that the picture has another size than was marked; "" where it has not, or there is none."""
        if min(size_px) <= 0 or size_px == laid.size_px:
            return ""
        was, now = (f"{wide} x {high} px" for wide, high in (laid.size_px, size_px))
        return f"The picture is now {now}, the marks are for {was}: press “Mark on this picture”."

    def now(self, following: Following | None, size_fault: str) -> SetupNow:
        """The setup as a page shows it."""
        file = "" if self._setup.file is None else self._setup.file.name
        if following is None:
            return SetupNow(file=file, fault=self.fault)
        laid = following.laid
        marks, outline = laid.marks, laid.region.outline_px if laid.filmed is None else ()
        return SetupNow(
            file=file,
            ready=not size_fault,
            has_target=marks.target is not None,
            target_name=marks.target_name,
            task=marks.task,
            region_px=tuple((round(float(x), 1), round(float(y), 1)) for x, y in outline),
            mm_per_px=(laid.scale.x_mm_per_px, laid.scale.y_mm_per_px),
            fault=self.fault or size_fault,
        )

    def close(self) -> None:
        """Wait for what is being laid."""
        self._hand.shutdown(wait=True, cancel_futures=True)

    def _begin(self) -> None:
        self._lays, self._wanted = True, False
        self._version = self._setup.version()
        self._hand.submit(self._lay, self._setup)
        self._changed()

    def _lay(self, setup: Setup) -> None:
        try:
            marks, file = setup.marks(), setup.marks_file()
            clip = setup.clip
            if clip is None:
                clip = still_of(self._recorder, self._book.out, self._book.wall(), self._source.now_s())
                marks = _on_first_frame(marks)
            laid = lay(clip, marks, self._book.wish)
            self.file, self._laid, self.fault = file, laid, ""
        except NeedlecoachError as problem:
            self.fault = " ".join(str(problem).split())
        except Exception:  # a defect of ours: its traceback is kept, the session goes on
            traceback.print_exc()
            self.fault = "An error of this program, see the terminal; mark again."
        finally:
            self._lays = False
            self._changed()


def _on_first_frame(marks: Marks) -> Marks:
    """Marks whose own recording is gone, for one that begins now: the target is looked for about there."""
    if marks.target is None:
        return marks
    return replace(marks, target=replace(marks.target, frame=0))
