"""The result of the open clip: read from its folder, or just worked out and not yet written there."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from needlecoach.blockuse import marks_of_clip
from needlecoach.errors import BlockError, MarksError, NeedlecoachError
from needlecoach.marks import MarkOptions
from needlecoach.model import Marks, Scorecard
from needlecoach.reporting.record import marks_of_record, marks_record
from needlecoach.reporting.reopen import read_page, read_run, read_strip
from needlecoach.review.refusal import RefusalError
from needlecoach.scored import Wish
from needlecoach.standards import standard_of_record

_SWAP_S = 0.1


class Results:
    """A results folder, whose content may be behind what was worked out last.

    Parameters
    ----------
    folder : of this one clip; need not be there yet
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.Lock()
        self._newer: tuple[bytes, bytes | None] | None = None
        self._held = 0

    def are_there(self) -> bool:
        """Tell whether there is a result that a page can show."""
        try:
            return self._newer is not None or bool(read_page(self.folder))
        except NeedlecoachError:
            return False

    def page(self) -> bytes:
        """Page data as JSON; RefusalError 404 when the clip was not scored yet."""
        with self._lock:
            if self._newer is not None:
                return self._newer[0]
        if not (self.folder / "run.json").is_file():
            raise RefusalError(404, "The clip was not scored yet; mark it, then score it.")
        try:
            return read_page(self.folder)
        except NeedlecoachError as problem:
            raise RefusalError(404, str(problem)) from problem

    def strip(self) -> bytes:
        """The strip along the shaft as PNG; RefusalError 404 when there is none."""
        with self._lock:
            strip = read_strip(self.folder) if self._newer is None else self._newer[1]
        if strip is None:
            raise RefusalError(404, "Nothing was followed in this clip, so there is no strip.")
        return strip

    def hold(self, card: Scorecard) -> int:
        """Show this result from now on; its folder is written later. Returns its number."""
        from needlecoach.reporting.pagedata import page_data, strip_png

        page = json.dumps(page_data(card), ensure_ascii=False, allow_nan=False).encode("utf-8", "replace")
        with self._lock:
            self._newer = page, None if card.strip is None else strip_png(card.strip)
            self._held += 1
            return self._held

    def written(self, number: int | None = None) -> None:
        """The folder holds the result of this number now, or one that goes before all that were held."""
        with self._lock:
            if number is None or number == self._held:
                self._newer = None

    def is_held(self) -> bool:
        """Tell whether what is shown is not in the folder yet."""
        return self._newer is not None

    def basis(self) -> str:
        """What the result in the folder was made from: recording, marks, options; "" where none is known."""
        if not (self.folder / "run.json").is_file():
            time.sleep(_SWAP_S)  # a folder is gone for a moment while a new one takes its place
        try:
            run = read_run(self.folder)
        except NeedlecoachError:
            return ""
        return json.dumps([run["clip"].get("sha256"), run["marks"], run["options"]], sort_keys=True)

    def clip_sha256(self) -> str:
        """Fingerprint of the recording that the result in the folder is of; "" where none is known."""
        try:
            return str(read_run(self.folder)["clip"].get("sha256") or "")
        except NeedlecoachError:
            return ""

    def changed_since(self, basis: str) -> bool:
        """Tell whether another program has put a result there that was made from something else."""
        return self.basis() not in ("", basis)

    def limits(self) -> tuple[int, tuple[int, int]] | None:
        """How many frames the scored clip has, and their size in px; None where the record does not tell."""
        try:
            run = read_run(self.folder)
            clip = run["clip"]
            return int(run["timing"]["frames"]), (int(clip["width_px"]), int(clip["height_px"]))
        except (NeedlecoachError, KeyError, TypeError, ValueError):
            return None

    def corrections(self) -> list[Any]:
        """Corrections that the result shown holds."""
        found = json.loads(self.page()).get("corrections", [])
        return list(found)

    def marks(self, clip: Path) -> Marks:
        """Marks that the result in the folder was scored with.

        Raises
        ------
        NeedlecoachError
            When the folder's record can't be read.
        """
        try:
            return _marks(read_run(self.folder)["marks"], clip)
        except (KeyError, TypeError, ValueError, MarksError, BlockError) as problem:
            raise NeedlecoachError(
                f"{self.folder}: its run.json is spoilt; score the clip again."
            ) from problem

    def wish(self) -> Wish:
        """Options that the result in the folder was scored with; NeedlecoachError as `marks`."""
        options = read_run(self.folder)["options"]
        try:
            return Wish(
                fps=options["fps"],
                no_target=options["no_target"],
                pass_withdrawal_mm=options["pass_withdrawal_mm"],
                replay=(self.folder / "replay.webm").is_file(),
                keep_screen=bool(options.get("keep_screen")),
                standard=standard_of_record(options.get("standard")),
            )
        except (KeyError, TypeError, ValueError) as problem:
            raise NeedlecoachError(
                f"{self.folder}: its run.json is spoilt; score the clip again."
            ) from problem


def _marks(record: Mapping[str, Any], clip: Path) -> Marks:
    """Marks of a record; those of the file beside the clip, which are exact, where they are the same."""
    try:
        beside = marks_of_clip(clip, MarkOptions())
        if marks_record(beside) == record:
            return beside
    except (MarksError, BlockError):
        pass  # the file was spoilt since; the record stands
    return marks_of_record(record)
