"""What the review page and the summary draw from: a Scorecard as plain values that JSON can hold."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import Attempt, BoolArray, Correction, Figure, FloatArray, GreyImage, Scorecard, Strip
from needlecoach.reporting import wording
from needlecoach.reporting.coredata import core_data, notch_ends_px
from needlecoach.reporting.record import PAGE_SCHEMA, plain
from needlecoach.reporting.teaching import advice_data, checks_data, earlier_data, standard_data
from needlecoach.scoring.along import target_along_mm, tip_along_mm
from needlecoach.scoring.metrics import LOSS_S

# What is said of an attempt that the result without corrections does not have.
NO_SUCH = "no such attempt"
# A stretch that gains less than this is tremor, too small to be drawn.
BLIND_MM = 0.3
# What a summary shows around an attempt, in time and below its deepest tip.
MARGIN_S, MARGIN_MM = 0.6, 10.0


def page_data(card: Scorecard) -> dict[str, Any]:
    """Everything that the review page shows of a scored clip; unknown is None.

    Returns
    -------
    dict
        Pixels are those of the original frame, also of a camera's; millimetres are the measured ones, but for
        places along the strip, which are as shown. The strip's picture itself is `strip_png`.
    """
    frames = _Frames(card)
    width_px, height_px = (
        (card.clip.width_px, card.clip.height_px) if card.screen is None else card.screen.frame_size_px
    )
    return {
        "schema": PAGE_SCHEMA,
        "title": card.clip.path.name.encode("utf-8", "backslashreplace").decode("utf-8"),
        "learner": card.marks.learner,
        "clip": {
            "name": card.clip.name.encode("utf-8", "backslashreplace").decode("utf-8"),
            "width_px": width_px,
            "height_px": height_px,
            "n_frames": len(card.track),
            "sha256": card.clip_sha256,
        },
        "scale": {
            "x_mm_per_px": card.scale.x_mm_per_px,
            "y_mm_per_px": card.scale.y_mm_per_px,
            "words": wording.scale_words(card),
        },
        "core": None if card.marks.core is None else asdict(card.marks.core),
        "outline_px": _rounded(_in_frame(card, card.region.outline_px), 1),
        "target": _target(card),
        "frames": frames.values(),
        "strip": None if card.strip is None else _strip(card.strip, "strip.png"),
        "attempts": [attempt_data(card, attempt, frames.along_mm) for attempt in card.attempts],
        "corrections": [_correction(one) for one in card.corrections],
        "raw": None if card.raw is None else _raw(card, card.raw),
        "notes": list(card.quality_notes),
        "confidence_words": wording.confidence_words(card.confidence) if card.attempts else "",
        "evidence_words": wording.EVIDENCE_WORDS,
        "unscorable": card.unscorable,
    }


def _raw(card: Scorecard, raw: Scorecard) -> dict[str, Any]:
    """What differs in the result without corrections, its tip told along the same strip."""
    data = page_data(replace(raw, strip=card.strip, raw=None))
    return {name: data[name] for name in ("frames", "attempts", "notes", "confidence_words", "unscorable")}


def strip_png(strip: Strip) -> bytes:
    """Return the strip as a grey PNG file: one column per frame, the entry in the first row."""
    return _png(strip.grey.T)


def summary_views(card: Scorecard) -> list[dict[str, Any]]:
    """Return what the summary draws of each attempt: the attempt and `MARGIN_S` around it, nothing more.

    Each is as `page_data`, cut down to what is drawn; `first` is the frame of the arrays' first item.
    """
    frames = _Frames(card)
    lists = frames.drawn()
    return [_view(card, attempt, frames, lists) for attempt in card.attempts]


def _view(card: Scorecard, attempt: Attempt, frames: _Frames, lists: dict[str, list[Any]]) -> dict[str, Any]:
    times = card.track.time_s
    rows = slice(
        int(np.searchsorted(times, times[attempt.first_frame] - MARGIN_S)),
        int(np.searchsorted(times, times[attempt.last_frame] + MARGIN_S, side="right")),
    )
    drawn = attempt_data(card, attempt, frames.along_mm)
    # The page itself says all of that.
    for name in ("figures", "advice", "checks", "standard", "earlier", "core_words"):
        del drawn[name]
    return {
        "first": rows.start,
        "start_s": float(times[0]),
        "frames": {name: values[rows] for name, values in lists.items()},
        "target": None if (target := _target(card)) is None else {"outline_mm": target["outline_mm"]},
        "strip": _cropped_strip(card.strip, frames.along_mm, rows),
        "attempts": [drawn],
        "corrections": [
            {"kind": one.kind, "frame": one.frame}
            for one in card.corrections
            if rows.start <= one.frame < rows.stop
        ],
    }


class _Frames:
    """Arrays over all frames of a clip."""

    def __init__(self, card: Scorecard) -> None:
        self._card = card
        track, target = card.track, card.marks.target
        # Without a strip, places are told along the line from the entry to the tip.
        line = card.strip or Strip(
            np.zeros((len(track), 2), np.uint8), 1.0, start_px=track.entry_px, end_px=track.tip_px
        )
        self.along_mm = np.full(len(track), np.nan)
        self.band_mm = np.full((len(track), 2), np.nan)
        with np.errstate(invalid="ignore", divide="ignore"):
            if len(track):
                self.along_mm = tip_along_mm(line, track.tip_px, card.scale)
            if len(track) and target is not None:
                outline = target.outline_px - np.asarray(target.centre_px)
                self.band_mm = target_along_mm(line, outline, track.target_px, card.scale)

    def drawn(self) -> dict[str, list[Any]]:
        """What strip and plan need."""
        track = self._card.track
        return {
            "time_s": _rounded(track.time_s, 4),
            "present": track.needle_present.astype(int).tolist(),
            "visible": track.tip_visible.astype(int).tolist(),
            "sd_mm": _rounded(track.tip_sd_mm, 2),
            "tip_mm": _rounded(tip_path_mm(self._card), 2),
            "along_mm": _rounded(self.along_mm, 2),
            "band_mm": _rounded(self.band_mm, 1),
        }

    def values(self) -> dict[str, list[Any]]:
        """What the review page needs besides: places in px of the original frame, distances."""
        card = self._card
        edge = card.distances.get("edge_distance_mm", np.full(len(card.track), np.nan))
        places = {
            "tip_px": card.track.tip_px,
            "entry_px": card.track.entry_px,
            "target_px": card.track.target_px,
        }
        if card.marks.core is not None:
            near_px, far_px = np.moveaxis(notch_ends_px(card), 1, 0)
            places |= {"notch_near_px": near_px, "notch_far_px": far_px}
        if card.screen is not None:
            places = {name: card.screen.to_frame_px(points) for name, points in places.items()}
        return {
            **self.drawn(),
            **{name: _rounded(points, 2) for name, points in places.items()},
            "target_found": card.track.target_found.astype(int).tolist(),
            "edge_mm": _rounded(edge, 2),
        }


def tip_path_mm(card: Scorecard) -> FloatArray:
    """Tip in mm, (n, 2): right of and below the followed target's centre; without one, the first tip."""
    track = card.measured_track
    if card.measured_target is not None:
        return card.scale.to_mm(track.tip_px - track.target_px)
    known = np.isfinite(track.tip_px).all(axis=1)
    return card.scale.to_mm(track.tip_px - (track.tip_px[known][:1] if known.any() else 0.0))


def attempt_data(card: Scorecard, attempt: Attempt, along_mm: FloatArray) -> dict[str, Any]:
    """One attempt as the pages show it."""
    return {
        "number": attempt.number,
        "first": attempt.first_frame,
        "last": attempt.last_frame,
        "cut_off": attempt.cut_off,
        **verdict_data(card, attempt),
        "advice": advice_data(attempt),
        "checks": checks_data(attempt),
        "standard": standard_data(card),
        "earlier": earlier_data(card, attempt),
        "core": core_data(card, attempt),
        "core_words": wording.core_words(card, attempt),
        "closest": attempt.closest_frame,
        "deepest": _deepest(attempt, along_mm),
        "passes": [
            {"first": one.first_frame, "last": one.last_frame, "deepest": one.deepest_frame}
            for one in attempt.passes
        ],
        "losses": _losses(card, attempt),
        "blind": blind_stretches(card, attempt, along_mm),
        "figures": figures_data(card, attempt),
    }


def verdict_data(card: Scorecard, attempt: Attempt) -> dict[str, str]:
    """Outcome and headline of an attempt, and what they were where corrections changed them."""
    with_target = card.marks.target is not None

    def said(one: Attempt) -> tuple[str, str]:
        told = with_target or wording.is_unscorable(one, with_target=False)
        return one.outcome if told else "", wording.headline(one, with_target=with_target)

    outcome, headline = said(attempt)
    outcome_was, headline_was = outcome, headline
    if card.raw is not None:
        former = raw_attempt(card, attempt)
        outcome_was, headline_was = ("", NO_SUCH) if former is None else said(former)
    return {
        "outcome": outcome,
        "headline": headline,
        "outcome_was": outcome_was if outcome_was != outcome else "",
        "headline_was": headline_was if headline_was != headline else "",
    }


def figures_data(card: Scorecard, attempt: Attempt) -> list[dict[str, Any]]:
    """Figures of an attempt in words; one that differs from the raw result says what it was."""
    former = raw_attempt(card, attempt)
    keys = wording.key_figures(card, attempt)
    return [
        {
            "name": figure.name,
            "title": figure.title or figure.name.replace("_", " "),
            "text": wording.figure_text(figure),
            "meaning": figure.meaning,
            "unit": figure.unit,
            "sd_text": wording.sd_words(figure),
            "evidence": figure.evidence,
            "grade": wording.grade_words(figure),
            "condition": wording.condition_words(attempt, figure),
            "key": keys.index(figure.name) + 1 if figure.name in keys else 0,
            **_was(card, attempt, figure, former),
        }
        for figure in wording.shown_figures(card, attempt)
    ]


def _was(card: Scorecard, attempt: Attempt, figure: Figure, former: Attempt | None) -> dict[str, Any]:
    """Whether a figure was changed by corrections, and what it was; in which attempt where numbers differ."""
    if card.raw is None:
        return {"corrected": False, "was": ""}
    if former is None:
        return {"corrected": True, "was": NO_SUCH}
    was = former.figures.get(figure.name)
    text = wording.figure_text(was) if was is not None else "–"
    where = "" if former.number == attempt.number else f" in attempt {former.number}"
    known = "not known" if text == "–" else text
    return {"corrected": text != wording.figure_text(figure), "was": known + where}


def raw_attempt(card: Scorecard, attempt: Attempt) -> Attempt | None:
    """Attempt of the raw result that shares most frames with this one; None when none does."""
    if card.raw is None:
        return None

    def shared(other: Attempt) -> int:
        return min(attempt.last_frame, other.last_frame) - max(attempt.first_frame, other.first_frame)

    best = max(card.raw.attempts, key=shared, default=None)
    return best if best is not None and shared(best) >= 0 else None


def blind_stretches(card: Scorecard, attempt: Attempt, along_mm: FloatArray) -> list[dict[str, Any]]:
    """Where the drawing hatches new depth gained unseen: frames and places along the shaft of each stretch.

    The figure itself is scoring's, which takes tremor and flicker out; what is hatched shows where it lies.
    """
    found = []
    for one in attempt.passes:
        rows = np.arange(one.first_frame, one.last_frame + 1)
        depth = np.where(np.isfinite(along_mm[rows]), along_mm[rows], -np.inf)
        reached = np.maximum.accumulate(np.concatenate([depth[:1], depth[:-1]]))
        for first, last in _runs(~card.track.tip_visible[rows]):
            start, end = float(reached[first]), float(depth[first : last + 1].max())
            if np.isfinite([start, end]).all() and end - start >= BLIND_MM:
                until = first + int(np.argmax(depth[first : last + 1]))
                found.append(
                    {
                        "first": int(rows[first]),
                        "last": int(rows[until]),
                        "from_mm": round(start, 2),
                        "to_mm": round(end, 2),
                    }
                )
    return found


def _losses(card: Scorecard, attempt: Attempt) -> list[list[int]]:
    """First and last frame of each stretch of over 0.3 s without sight of the tip, once it was seen."""
    rows = np.arange(attempt.first_frame, attempt.last_frame + 1)
    visible, spans_s = card.track.tip_visible[rows], card.track.frame_durations_s[rows]
    if not visible.any():
        return []
    lost = ~visible
    lost[: int(np.argmax(visible))] = False
    return [[int(rows[a]), int(rows[b])] for a, b in _runs(lost) if spans_s[a : b + 1].sum() > LOSS_S]


def _deepest(attempt: Attempt, along_mm: FloatArray) -> int | None:
    """Frame in which the tip lay furthest along the shaft."""
    depth = along_mm[attempt.first_frame : attempt.last_frame + 1]
    return attempt.first_frame + int(np.nanargmax(depth)) if np.isfinite(depth).any() else None


def _target(card: Scorecard) -> dict[str, Any] | None:
    """The marked outline: in px of the original frame as the user marked it, and in mm about its centre."""
    measured = card.measured_target
    shown = card.marks.target if card.screen is None else card.screen.given.target
    if measured is None or shown is None:
        return None
    outline_mm = card.scale.to_mm(measured.outline_px - np.asarray(measured.centre_px))
    return {
        "outline_px": _rounded(_fewer(shown.outline_px), 2),
        "frame": shown.frame,
        "centre_px": _rounded(np.asarray(shown.centre_px), 2),
        "outline_mm": _rounded(_fewer(outline_mm), 2),
    }


def _fewer(outline: FloatArray) -> FloatArray:
    """Every fourth corner of an ellipse's 360, which no eye tells from all; a polygon as it is."""
    return outline[::4] if len(outline) >= 360 else outline


def _strip(strip: Strip, image: str) -> dict[str, Any]:
    return {"step_mm": strip.step_mm, "samples": int(strip.grey.shape[1]), "image": image, "first": 0}


def _cropped_strip(strip: Strip | None, along_mm: FloatArray, rows: slice) -> dict[str, Any] | None:
    """The part of the strip that a summary shows, its picture within the page."""
    deepest = along_mm[rows][np.isfinite(along_mm[rows])].max(initial=0.0)
    if strip is None or not len(strip.grey[rows]):
        return None
    grey = strip.grey[rows, : int((deepest + MARGIN_MM) / strip.step_mm) + 1]
    image = "data:image/png;base64," + base64.b64encode(_png(grey.T)).decode("ascii")
    return {"step_mm": strip.step_mm, "samples": int(grey.shape[1]), "image": image, "first": rows.start}


def _png(grey: GreyImage) -> bytes:
    done, data = cv2.imencode(".png", np.ascontiguousarray(grey))
    if not done:
        raise RuntimeError(f"OpenCV could not encode a strip of {grey.shape} as PNG.")
    return data.tobytes()


def _correction(one: Correction) -> dict[str, Any]:
    return {name: plain(value) for name, value in asdict(one).items()}


def _in_frame(card: Scorecard, points_px: FloatArray) -> FloatArray:
    """Points of the picture, (m, 2), on the original frame 0."""
    if card.screen is None or not len(card.screen.homographies):
        return points_px
    moved = cv2.perspectiveTransform(points_px[None], np.array(card.screen.homographies[0]))
    return np.asarray(moved[0], dtype=float)


def _rounded(values: npt.ArrayLike, decimals: int) -> list[Any]:
    """Values as lists; a point of which a part is unknown is None."""
    array = np.asarray(values, dtype=float)
    known = np.isfinite(array) if array.ndim == 1 else np.isfinite(array).all(axis=1)
    return [row if good else None for row, good in zip(array.round(decimals).tolist(), known, strict=True)]


def _runs(mask: BoolArray) -> Sequence[tuple[int, int]]:
    """First and last index of each run of True."""
    steps = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(int(start), int(end) - 1) for start, end in zip(steps[::2], steps[1::2], strict=True)]
