"""A core needle's notch as the pages draw it: in every frame, and on the plan before and after firing."""

from __future__ import annotations

from typing import Any

import numpy as np

from needlecoach.model import Attempt, CoreSample, FloatArray, Point, Scorecard


def notch_ends_px(card: Scorecard) -> FloatArray:
    """Near and far end of the notch in every frame by the needle's own measures, px of the followed picture.

    The near end is the one nearer to the point. Each frame's millimetres are measured along the line from the
    entry to the tip, as they are and not as shown.

    Returns
    -------
    (n, 2, 2) float
        NaN where the tip is not known, or no core needle is; the far end is the entry where the notch is not
        wholly in the picture, both are NaN while none of it is.
    """
    track, core = card.track, card.marks.core
    ends = np.full((len(track), 2, 2), np.nan)
    if core is None or not len(track):
        return ends
    measured = card.measured_track
    with np.errstate(invalid="ignore", divide="ignore"):
        length_mm = np.hypot(*card.scale.to_mm(measured.tip_px - measured.entry_px).T)
        behind = np.array([core.dead_space_mm, core.dead_space_mm + core.notch_mm])
        shares = behind[None, :] / length_mm[:, None]
        inside = shares[:, 0] < 1
        way = track.entry_px - track.tip_px
        places = track.tip_px[:, None, :] + np.minimum(shares, 1.0)[..., None] * way[:, None, :]
    return np.where(inside[:, None, None], places, ends)


def core_data(card: Scorecard, attempt: Attempt) -> dict[str, Any] | None:
    """What strip and plan draw of a core sample; None for another task.

    Returns
    -------
    dict
        `boxes` are stretches of the shaft in mm as the plan has them, each with its words and its form:
        "full" where it sampled, "hollow" where it was seen before, "expected" where firing would put it.
        `spots` are single places along the shaft.
    """
    core = attempt.core
    if core is None:
        return None
    return {
        "frame": core.frame,
        "fired_frame": core.fired_frame,
        "boxes": _boxes(card, core),
        "spots": _spots(card, core),
    }


def _boxes(card: Scorecard, core: CoreSample) -> list[dict[str, Any]]:
    """Where the notch lay, and where it lay before or would lie after firing."""
    if core.fired_frame is None:
        boxes = [("full", "notch as held", _on_plan(card, core.frame, *core.notch_px))]
        if core.fired_notch_px is not None:
            boxes.append(("expected", "notch, if fired", _on_plan(card, core.frame, *core.fired_notch_px)))
    elif core.fired_part == "sheath":
        boxes = [("full", "notch, before and after firing", _on_plan(card, core.frame, *core.notch_px))]
    else:
        boxes = [("full", "notch after firing", _on_plan(card, core.frame, *core.notch_px))]
        if core.before_frame is not None:
            ends = notch_ends_px(card)[core.before_frame]
            if np.isfinite(ends).all():
                before = _on_plan(card, core.before_frame, *ends)
                boxes.insert(0, ("hollow", "notch before firing", before))
    return [
        {"form": form, "words": words, "ends_mm": ends} for form, words, ends in boxes if None not in ends
    ]


def _spots(card: Scorecard, core: CoreSample) -> list[dict[str, Any]]:
    """The point after firing, and the best place to fire from."""
    found = []
    if core.fired_tip_px is not None:
        form, words = (
            ("expected", "point, if fired") if core.fired_frame is None else ("full", "point after firing")
        )
        found.append((form, words, core.fired_tip_px))
    if core.best_tip_px is not None:
        found.append(("best", "best to fire with the point here", core.best_tip_px))
    placed = [(form, words, _on_plan(card, core.frame, spot)[0]) for form, words, spot in found]
    return [{"form": form, "words": words, "at_mm": at} for form, words, at in placed if at is not None]


def _on_plan(card: Scorecard, frame: int, *points_px: Point | FloatArray) -> list[list[float] | None]:
    """Points of one frame's shaft as the plan has them: mm right of and below the target, or the first tip.

    Depths that the scanner shows wrongly are put right as the track's own are, by the share of the way from
    the entry to the tip.
    """
    points = np.array(points_px, dtype=float)
    track, true = card.track, card.measured_track
    way = track.tip_px[frame] - track.entry_px[frame]
    if card.true_track is not None and np.isfinite(way).all() and way.any():
        shares = (points - track.entry_px[frame]) @ way / (way @ way)
        points = true.entry_px[frame] + shares[:, None] * (true.tip_px[frame] - true.entry_px[frame])
    known = np.isfinite(true.tip_px).all(axis=1)
    start = true.tip_px[known][0] if known.any() else np.zeros(2)
    origin = start if card.measured_target is None else true.target_px[frame]
    rows = card.scale.to_mm(points - origin).round(2)
    return [row.tolist() if np.isfinite(row).all() else None for row in rows]
