"""The figures of an attempt that are read off its span and the clip: number, times, scale, confidence.

One function per column of attempts.csv, as in `metrics` and `approach`, from a `Case` to a value.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from needlecoach.model import BoolArray, FloatArray, Track
from needlecoach.scoring import uncertainty
from needlecoach.scoring.kinematics import weighted_quantile
from needlecoach.scoring.motion import Scene
from needlecoach.scoring.passes import Span

# The shaft counts as followed in a frame when the tip or this share of the shaft can be seen.
SHAFT_SHARE = 0.25


@dataclass(frozen=True, eq=False)
class Case:
    """One attempt of a clip, its number from 1."""

    scene: Scene
    span: Span
    number: int


def attempt(case: Case) -> int:
    """Number of the attempt within the clip, from 1.

    Unit: none. Evidence: plain reading. Source: none.
    """
    return case.number


def start_s(case: Case) -> float:
    """Time of the first frame with the needle in the picture.

    Unit: s. Evidence: plain reading. Source: none.
    """
    return float(case.scene.track.time_s[case.span.first_frame])


def end_s(case: Case) -> float:
    """Time of the last frame with the needle in the picture.

    Unit: s. Evidence: plain reading. Source: none.
    """
    return float(case.scene.track.time_s[case.span.last_frame])


def duration_s(case: Case) -> float:
    """Time from the needle's first entry until it has left, gaps under 0.3 s closed; `end_s` - `start_s`.

    Unit: s. Evidence: common practice. Source: none for this definition.
    """
    return end_s(case) - start_s(case)


def cut_off(case: Case) -> bool:
    """Whether the clip ends while the needle is still in.

    Unit: none. Evidence: plain reading. Source: none.
    """
    return case.span.cut_off


def scale_source(case: Case) -> str:
    """Where the millimetres come from, in words.

    Unit: none. Evidence: plain reading. Source: none.
    """
    return case.scene.scale.source


def scale_sd_share(case: Case) -> float:
    """Relative standard uncertainty of the scale, 0-1.

    Unit: none. Evidence: plain reading. Source: none.
    """
    return case.scene.scale.sd_share


def confidence(case: Case) -> float:
    """How far the figures can be trusted, 0-1; see `uncertainty.confidence`.

    Unit: none. Evidence: ours, untested. Source: none.
    """
    return confidence_over(case.scene, rows_of(case.scene.track, case.span))


FACTS: Mapping[str, Callable[[Case], float | int | str | bool]] = MappingProxyType(
    {
        fact.__name__: fact
        for fact in (attempt, start_s, end_s, duration_s, cut_off, scale_source, scale_sd_share, confidence)
    }
)


def rows_of(track: Track, span: Span) -> BoolArray:
    """True in the frames of an attempt, shape (n,)."""
    frames = np.arange(len(track))
    return np.asarray((frames >= span.first_frame) & (frames <= span.last_frame), dtype=np.bool_)


def followed(track: Track) -> FloatArray:
    """1 where the tip or a quarter of the shaft can be seen, else 0, shape (n,)."""
    return (track.tip_visible | (np.nan_to_num(track.shaft_visible_share) >= SHAFT_SHARE)).astype(float)


def mean_share(track: Track, part: FloatArray, rows: BoolArray) -> float:
    """Time-weighted share of `part` over the chosen rows; plain when those rows stand for no time."""
    weights = track.frame_durations_s[rows]
    if not weights.any():
        return float(part[rows].mean()) if rows.any() else 0.0
    return float((part[rows] * weights).sum() / weights.sum())


def confidence_over(scene: Scene, rows: BoolArray) -> float:
    """Confidence in what was found in the chosen frames, (n,) bool; 0 when they are none."""
    track, target_share = scene.track, 1.0
    weights = track.frame_durations_s[rows]
    if scene.target is not None:
        target_share = mean_share(track, track.target_found.astype(float), rows)
    return uncertainty.confidence(
        tip_sd_mm=weighted_quantile(track.tip_sd_mm[rows], weights if weights.any() else weights + 1, 0.5),
        rough_mm=uncertainty.roughness_mm(scene.scale.to_mm(track.tip_px), track.tip_visible & rows),
        followed_share=mean_share(track, followed(track), rows),
        target_share=target_share,
    )
