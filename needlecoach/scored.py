"""One clip scored into its results folder, the same way from the command line and from the page."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from needlecoach.blockuse import marks_of_clip
from needlecoach.corrections import corrections_path, read_corrections
from needlecoach.errors import ClipError, MarksError, NeedlecoachError
from needlecoach.marks import MarkOptions, marks_path
from needlecoach.model import Correction, Frame, Marks, Scorecard

if TYPE_CHECKING:
    from needlecoach.scoring.standard import Standard

Progress = Callable[[int, int], None]

HOW_TO_MARK = (
    'write {file} beside it: {{"schema": 1, "target": {{"ellipse": {{"centre_px": [x, y], "semi_axes_px": '
    '[rx, ry]}}}}}}; or give --target "cx,cy,rx,ry" (or --no-target)'
)
PROCESS_ENDED = (
    "the process that follows the needle was ended from outside, perhaps for want of memory; close other "
    "programs and score the clip again."
)


@dataclass(frozen=True)
class Wish:
    """How a clip is to be scored: the options of `needlecoach score`, but for marks and places of files."""

    fps: float | None = None
    no_target: bool = False
    pass_withdrawal_mm: float = 5.0
    replay: bool = True
    keep_screen: bool = False
    standard: Standard | None = None


def scorable_marks(clip: Path, options: MarkOptions, *, no_target: bool) -> Marks:
    """Marks from the clip's file with the options put over them.

    Raises
    ------
    ClipError
        When there is no clip.
    MarksError
        When something that scoring needs is missing, or the task can't be scored.
    BlockError
        When the file of the marked block can't be read.
    """
    if not clip.exists():
        raise ClipError(f"{clip}: there is no such file or folder; check the name.")
    file = marks_path(clip)
    marks = marks_of_clip(clip, options, no_target=no_target)
    if marks.task == "core" and marks.core is None:
        missing = " and ".join(
            words
            for words, value in (
                ("the dead space behind the point (--dead-space-mm)", marks.dead_space_mm),
                ("the length of the notch (--notch-mm)", marks.notch_mm),
            )
            if value is None
        )
        raise MarksError(
            f"{clip.name}: a core needle samples from behind its point, so {missing} must be known; the "
            "needle's packing tells."
        )
    if marks.target is None and not no_target:
        raise MarksError(f"{clip.name}: no target is marked; {HOW_TO_MARK.format(file=file.name)}.")
    return marks


def score_into(
    clip: Path,
    marks: Marks,
    out: Path,
    name: str,
    wish: Wish,
    *,
    scoring: Progress | None = None,
    writing: Progress | None = None,
) -> tuple[Scorecard, Path]:
    """Score a clip, with its corrections, and write its results folder `out/name`; return card and folder.

    Parameters
    ----------
    scoring, writing : called with frames done and in all, while the clip is followed and while the replay is
        written

    Raises
    ------
    NeedlecoachError
        As `score_clip` and `write_results`; when the process that follows the needle was ended.
    """
    # Imported here: reading the command line needs none of it.
    from needlecoach.tracking.beside import another_process

    asked = _asked(wish)
    frames: dict[int, Frame] = {}
    try:
        if corrections := _corrections(clip):
            card = _corrected(clip, marks, wish, corrections, scoring)
        else:
            with another_process() as beside, _Ahead() as ahead:
                _make_ready(beside, clip, wish.fps)
                # The process loads its own meanwhile.
                from needlecoach.analyse import score_clip

                if not wish.replay:  # which reads all frames again
                    asked["foreseen"] = ahead.foreseen
                card = score_clip(clip, marks, **asked, progress=scoring, beside=beside)
            frames = ahead.frames
    except BrokenExecutor:
        raise NeedlecoachError(f"{clip.name}: {PROCESS_ENDED}") from None
    card = completed(card, wish, out)
    from needlecoach.reporting.results import write_results

    return card, write_results(card, out, replay=wish.replay, progress=writing, name=name, ahead=frames)


def scored_card(clip: Path, marks: Marks, wish: Wish, scoring: Progress | None = None) -> Scorecard:
    """Score a clip, with its corrections, in this process alone; for many of them, a clip in each.

    Returns
    -------
    Scorecard
        Without what `completed` adds.

    Raises
    ------
    NeedlecoachError
        As `score_clip`.
    """
    if corrections := _corrections(clip):
        return _corrected(clip, marks, wish, corrections, scoring)
    from needlecoach.analyse import score_clip

    return score_clip(clip, marks, **_asked(wish), progress=scoring)


def _asked(wish: Wish) -> dict[str, Any]:
    """Options of `score_clip` itself."""
    return {"no_target": wish.no_target, "fps": wish.fps, "pass_withdrawal_mm": wish.pass_withdrawal_mm}


def options_of(wish: Wish) -> dict[str, Any]:
    """Options as a scorecard holds them, but for the replay, which is there to be seen."""
    return {**_asked(wish), **_shown(wish)}


def _shown(wish: Wish) -> dict[str, Any]:
    options: dict[str, Any] = {}
    if wish.keep_screen:
        options["keep_screen"] = True
    if wish.standard is not None:
        from needlecoach.standards import standard_record

        options["standard"] = standard_record(wish.standard)
    return options


def _corrections(clip: Path) -> tuple[Correction, ...]:
    from needlecoach.clips import sha256_of

    file = corrections_path(clip)
    return read_corrections(file, sha256_of(clip)) if os.path.lexists(file) else ()


def _corrected(
    clip: Path,
    marks: Marks,
    wish: Wish,
    corrections: Sequence[Correction],
    scoring: Progress | None,
) -> Scorecard:
    from needlecoach.workbench import Workbench

    with Workbench(clip, marks, **_asked(wish)) as bench:
        bench.open(scoring)
        return bench.score(corrections)


def _make_ready(beside: Executor, clip: Path, fps: float | None) -> None:
    """Have the other process started before anything slow, where the clip is long enough to need it."""
    from needlecoach.clips import open_clip
    from needlecoach.tracking.beside import get_ready

    with open_clip(clip, fps=fps) as reader:
        get_ready(beside, reader.clip)


def completed(card: Scorecard, wish: Wish, reports: Path) -> Scorecard:
    """Add to a card what does not come from its recording: what is shown, standard, earlier attempts.

    Parameters
    ----------
    reports : folder with one results folder per clip, in which the learner's earlier attempts are looked up
    """
    # Imported here: reading the command line needs none of it.
    from needlecoach.earlier import earlier_attempts
    from needlecoach.scoring.standard import held_against

    options, attempts = {**card.options, **_shown(wish)}, card.attempts
    if wish.standard is not None:
        attempts = tuple(replace(one, checks=held_against(wish.standard, one)) for one in attempts)
    return replace(card, options=options, attempts=attempts, earlier=earlier_attempts(reports, card))


class _Ahead:
    """Reads frames for the results while the last part of a clip is still followed; a context manager."""

    def __init__(self) -> None:
        self.frames: dict[int, Frame] = {}
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="needlecoach-ahead")

    def __enter__(self) -> _Ahead:
        return self

    def __exit__(self, *problem: object) -> None:
        self._thread.shutdown(cancel_futures=True)

    def foreseen(self, card_of: Callable[[], Scorecard]) -> None:
        """Take in what scores the part that is known; returns at once."""
        self._thread.submit(self._read, card_of)

    def _read(self, card_of: Callable[[], Scorecard]) -> None:
        # Imported here, where the time it takes is not waited for.
        from needlecoach.reporting.results import foresee

        foresee(card_of(), self.frames)
