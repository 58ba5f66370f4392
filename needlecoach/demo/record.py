"""Recordings of the demonstration written with their marks, and scored as any other is."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

from needlecoach.demo.invent import NOTES
from needlecoach.demo.scenes import Shown
from needlecoach.marks import MarkOptions
from needlecoach.model import Scorecard
from needlecoach.phantoms.simulate import marks_record, write_clip
from needlecoach.scored import Progress, Wish, scorable_marks, score_into


def write_recording(shown: Shown, folder: Path, *, on: date) -> Path:
    """Simulate a recording into `folder`, with its truth and the marks of a careful user; return the video.

    Raises
    ------
    OutputError
        When the video can't be written.
    """
    clip = folder / f"{shown.name}.mp4"
    write_clip(shown.scene, clip, seed=shown.seed)
    marks = marks_record(shown.scene, learner=shown.learner, notes=f"{NOTES}: simulated, {shown.happens}")
    marks["target"] |= {
        "name": shown.target.name,
        "kind": shown.target.kind,
        "true_mm": shown.target.width_mm,
    }
    marks |= {"phantom": "GEL-A", "date": on.isoformat(), "invented": True}
    clip.with_name(f"{clip.stem}.marks.json").write_text(json.dumps(marks, indent=2) + "\n", encoding="utf-8")
    return clip


def score_recording(
    clip: Path,
    results: Path,
    wish: Wish,
    *,
    scoring: Progress | None = None,
    writing: Progress | None = None,
) -> tuple[Scorecard, Path]:
    """Score a simulated recording into a folder of results; return card and folder.

    Its marks say that it is invented, and so do the results, however often it is scored again.

    Raises
    ------
    NeedlecoachError
        As `scored.score_into`.
    """
    marks = scorable_marks(clip, MarkOptions(), no_target=False)
    return score_into(clip, marks, results, clip.stem, wish, scoring=scoring, writing=writing)
