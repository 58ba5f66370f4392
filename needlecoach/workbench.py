"""A clip held open for correcting: read through once, then scored again in seconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from needlecoach.analyse import Progress, Study
from needlecoach.clips import open_clip
from needlecoach.corrections import fault_in
from needlecoach.errors import MarksError
from needlecoach.model import Correction, Marks, Scorecard
from needlecoach.tracking.kept import KeptPictures
from needlecoach.tracking.known import said_of
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.throw import farthest_throw_mm


class Workbench:
    """One clip and its marks, to be scored with one set of corrections after another.

    Parameters
    ----------
    path, marks, no_target, fps, pass_withdrawal_mm : as for `score_clip`

    Notes
    -----
    `open` reads the clip through and keeps its working pictures in temporary files until `close`; use it as a
    context manager. Not safe for two threads at once.
    """

    def __init__(
        self,
        path: Path,
        marks: Marks,
        *,
        no_target: bool = False,
        fps: float | None = None,
        pass_withdrawal_mm: float = 5.0,
    ) -> None:
        self._path, self._marks, self._no_target = path, marks, no_target
        self._fps, self._pass_withdrawal_mm = fps, pass_withdrawal_mm
        self._kept: KeptPictures | None = None
        self._study: Study | None = None
        self._raw: Scorecard | None = None

    def __enter__(self) -> Workbench:
        return self

    def __exit__(self, *problem: object) -> None:
        self.close()

    def open(self, progress: Progress | None = None) -> Scorecard:
        """Read the clip through and return its scorecard without corrections.

        Raises
        ------
        ClipError, MarksError
            As `score_clip`.
        OutputError
            When the disk of temporary files is full.
        """
        with open_clip(self._path, fps=self._fps) as reader:
            self._study = Study(
                reader,
                self._marks,
                no_target=self._no_target,
                fps=self._fps,
                pass_withdrawal_mm=self._pass_withdrawal_mm,
            )
            self._raw = self._study.scored(progress, keeper_of=self._keeper)
        return self._raw

    def score(self, corrections: Sequence[Correction]) -> Scorecard:
        """Score again with corrections; `raw` of the result is that without any.

        Raises
        ------
        MarksError
            When a correction is about a frame that the clip does not have, or puts the tip far outside it.
        """
        if self._raw is None or self._study is None:
            raise RuntimeError("open the workbench first")
        if not corrections or self._kept is None or self._raw.unscorable:
            return self._raw
        raw = self._raw
        size_px = (raw.clip.width_px, raw.clip.height_px) if raw.screen is None else raw.screen.frame_size_px
        if fault := fault_in(corrections, len(raw.track), size_px):
            raise MarksError(f"{self._path.name}: {fault}")
        straight = [
            replace(one, tip_px=self._study.straight_px(one.frame, one.tip_px)) if one.tip_px else one
            for one in corrections
        ]
        tracking = self._kept.track(said_of(straight))
        return replace(self._study.card(tracking, corrections), raw=self._raw)

    def close(self) -> None:
        """Let go of the pictures; safe to call twice."""
        if self._kept is not None:
            self._kept.close()
            self._kept = None

    def _keeper(self, plane: Plane) -> KeptPictures:
        self._kept = KeptPictures(plane, farthest_throw_mm(self._marks.core))
        return self._kept
