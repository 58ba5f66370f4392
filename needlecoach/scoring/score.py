"""From a track to scored attempts: splits, measures every column, and says what limits the result."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from needlecoach.model import Attempt, Core, FloatArray, Region, Scale, Strip, Target, Track
from needlecoach.scoring import approach, metrics
from needlecoach.scoring.advice import advise
from needlecoach.scoring.approach import Judgement, judge
from needlecoach.scoring.biopsy import CORE_MEASURES, core_sample
from needlecoach.scoring.bounds import Bounds
from needlecoach.scoring.columns import COLUMNS
from needlecoach.scoring.facts import FACTS, Case, confidence_over, followed, mean_share, rows_of
from needlecoach.scoring.geometry import signed_distance_mm
from needlecoach.scoring.kinematics import MIN_RATE_HZ, ROUNDING_S
from needlecoach.scoring.metrics import BLANK, Reading
from needlecoach.scoring.motion import Motion, Scene, advance_mm, prepare, shaft_direction
from needlecoach.scoring.passes import GAP_S, PASS_MM, Span
from needlecoach.scoring.sampling import Biopsy, follow_biopsy, judge_core
from needlecoach.scoring.spring import without_throw
from needlecoach.scoring.trail_check import trail_note

Value = float | int | str | bool | None

# Below this share of its time an attempt gets no figures.
LEAST_FOLLOWED_SHARE = 0.2
# All that is told of an attempt that can't be measured.
TIMES = ("attempt", "start_s", "end_s", "duration_s", "cut_off")

MEASURES: Mapping[str, Callable[[Motion], Reading]] = MappingProxyType(
    {
        measure.__name__: measure
        for measure in (
            metrics.passes,
            metrics.strokes,
            metrics.redirections,
            approach.time_to_target_s,
            approach.dwell_in_target_s,
            approach.closest_edge_mm,
            approach.closest_centre_mm,
            approach.offset_along_mm,
            approach.offset_across_mm,
            approach.overshoot_mm,
            metrics.tip_visibility_share,
            metrics.tip_visibility_advancing,
            metrics.blind_advance_mm,
            metrics.longest_blind_mm,
            metrics.plane_losses,
            metrics.mean_recovery_s,
            metrics.angle_deg,
            metrics.angle_iqr_deg,
            metrics.path_mm,
            metrics.path_efficiency,
            metrics.mean_advance_mm_s,
            metrics.peak_advance_mm_s,
            metrics.smoothness_sparc,
            metrics.smoothness_ldlj,
            approach.index_of_difficulty,
        )
    }
)


@dataclass(frozen=True, eq=False)
class Scoring:
    """What a track gave.

    Attributes
    ----------
    attempts : tuple of Attempt
        In order of time, empty when no needle was there.
    distances : mapping
        Per frame and without smoothing: centre_distance_mm, edge_distance_mm, advance_mm, each (n_frames,),
        NaN where unknown.
    confidence : float
        0-1 over all frames with a needle; 0 without one.
    notes : tuple of str
        Sentences for the reader on what limits the result.
    """

    attempts: tuple[Attempt, ...]
    distances: Mapping[str, FloatArray]
    confidence: float
    notes: tuple[str, ...]


def score_track(
    track: Track,
    *,
    scale: Scale,
    target: Target | None,
    region: Region,
    pass_withdrawal_mm: float = 5.0,
    bounds: Bounds | None = None,
    core: Core | None = None,
    strip: Strip | None = None,
) -> Scoring:
    """Score every attempt of a track.

    Parameters
    ----------
    track : Track
        May be empty or without any needle; then there are no attempts.
    scale : Scale
    target : Target or None
        Without one the figures that need it are blank and attempts are unscorable.
    region : Region
        The B-mode area, for what "deeper" means.
    pass_withdrawal_mm : float
        How far the tip must be withdrawn before a new pass can begin.
    bounds : Bounds, optional
        Where a person said that attempts and passes begin.
    core : Core, optional
        The needle of a core biopsy; its notch then decides the outcome, not its tip.
    strip : Strip, optional
        Recorded greys along the shaft, in which a firing can show.

    Returns
    -------
    Scoring
        Figures that are unknown have the value None, never 0.
    """
    scene = Scene.of(
        track,
        scale=scale,
        target=target,
        region=region,
        pass_withdrawal_mm=pass_withdrawal_mm,
        bounds=bounds or Bounds(),
        core=core,
        strip=strip,
    )
    notes: list[str] = []
    kept: list[tuple[Span, Motion | None]] = []
    for span in scene.spans():
        motion = prepare(scene, span)
        if _is_ghost(track, span, motion):
            notes.append(
                f"Something like a needle at {track.time_s[span.first_frame]:.2f} s was gone within 0.3 s."
            )
        else:
            kept.append((span, None if motion is None else without_throw(motion)))
    ends = [span.first_frame for span, _ in kept[1:]] + [len(track)]
    attempts = tuple(
        _score_attempt(scene, span, motion, number=i + 1, until_frame=ends[i])
        for i, (span, motion) in enumerate(kept)
    )
    attempts = tuple(
        replace(attempt, advice=advise(motion, attempt))
        for attempt, (_, motion) in zip(attempts, kept, strict=True)
    )
    for attempt, (_, motion), end in zip(attempts, kept, ends[: len(kept)], strict=True):
        notes += _notes(track, attempt, motion, has_target=target is not None)
        if motion is not None and (said := trail_note(motion, end)):
            notes.append(f"Attempt {attempt.number}: {said}")
    sure = confidence_over(scene, track.needle_present)
    return Scoring(attempts, frame_distances(scene), sure, tuple(notes))


def frame_distances(scene: Scene) -> Mapping[str, FloatArray]:
    """Distances of every frame as in track.csv, without smoothing; NaN where unknown."""
    track, scale, n = scene.track, scene.scale, len(scene.track)
    relative = scale.to_mm(track.tip_px - track.target_px)
    centre, edge = np.full(n, np.nan), np.full(n, np.nan)
    if scene.outline_mm is not None:
        centre, edge = (
            np.hypot(relative[:, 0], relative[:, 1]),
            signed_distance_mm(relative, scene.outline_mm),
        )
    advance = np.full(n, np.nan)
    for span in scene.spans():
        frames = slice(span.first_frame, span.last_frame + 1)
        advance[frames] = advance_mm(scale.to_mm(track.tip_px[frames]), shaft_direction(track, scale, frames))
    columns = {"centre_distance_mm": centre, "edge_distance_mm": edge, "advance_mm": advance}
    for column in columns.values():
        column.setflags(write=False)
    return MappingProxyType(columns)


def _is_ghost(track: Track, span: Span, motion: Motion | None) -> bool:
    """Tell whether a run is too short to be an attempt: under 0.3 s and without an advance of 3 mm.

    The closing of gaps treats 0.3 s of absence as a flicker; the same is held for presence.
    """
    lasted = float(track.frame_durations_s[span.first_frame : span.last_frame + 1].sum())
    if lasted >= GAP_S - ROUNDING_S:
        return False
    return motion is None or float(np.ptp(motion.depth_mm)) < PASS_MM


def _score_attempt(
    scene: Scene, span: Span, motion: Motion | None, *, number: int, until_frame: int
) -> Attempt:
    facts = {name: fact(Case(scene, span, number)) for name, fact in FACTS.items()}
    refusal = _refusal(scene, span, motion)
    scored = motion if not refusal else None
    biopsy = None if scored is None or scene.core is None else follow_biopsy(scored, scene.core)
    values: dict[str, tuple[Value, float | None]] = {
        name: (value, None) for name, value in facts.items() if scored is not None or name in TIMES
    }
    if scored is not None:
        values |= _measured(scored, biopsy, until_frame)
    verdict = _verdict(scored, biopsy) if scored is not None else Judgement("unscorable", reason=refusal)
    values["outcome"] = verdict.outcome, None
    closest = None if scored is None else scored.closest
    return Attempt(
        number=number,
        first_frame=span.first_frame,
        last_frame=span.last_frame,
        cut_off=span.cut_off,
        passes=() if scored is None else scored.passes,
        closest_frame=None if closest is None else span.first_frame + closest,
        outcome=verdict.outcome,
        figures={
            name: column.figure(*values.get(name, (None, None)), core=scene.core is not None)
            for name, column in COLUMNS.items()
        },
        reason=verdict.reason,
        core=None if biopsy is None else core_sample(biopsy),
    )


def _verdict(motion: Motion, biopsy: Biopsy | None) -> Judgement:
    """Outcome by the notch of a core needle, by the tip of any other."""
    return judge(motion) if motion.scene.core is None else judge_core(biopsy)


def _refusal(scene: Scene, span: Span, motion: Motion | None) -> str:
    """Reason why nothing but times can be told of an attempt; empty for one that can be measured."""
    if motion is None:
        return "the tip was never found"
    share = mean_share(scene.track, followed(scene.track), rows_of(scene.track, span))
    if share < LEAST_FOLLOWED_SHARE:
        return f"the needle could be followed in only {100 * share:.0f}\u00a0% of its time"
    return ""


def _measured(
    motion: Motion, biopsy: Biopsy | None, until_frame: int
) -> dict[str, tuple[Value, float | None]]:
    """Value and uncertainty of every column beyond the times and the outcome."""
    readings = {name: measure(motion) for name, measure in MEASURES.items()}
    if motion.scene.core is not None:
        core_readings = {
            name: BLANK if biopsy is None else measure(biopsy) for name, measure in CORE_MEASURES.items()
        }
        readings |= core_readings
    readings["trail_end_edge_mm"] = approach.trail_end_edge_mm(motion, until_frame)
    return {name: (r.value, r.sd) for name, r in readings.items()}


def _notes(track: Track, attempt: Attempt, motion: Motion | None, *, has_target: bool) -> list[str]:
    """Sentences on what limits one attempt."""
    which, notes = f"Attempt {attempt.number}", []
    if motion is not None and motion.began_deep:
        when = "the clip began" if motion.span.first_frame == 0 else "it was first made out"
        notes.append(f"{which}: the needle was already well in when {when}; its entry is not known.")
    if attempt.cut_off:
        notes.append(f"{which}: the clip ends with the needle still in; what came later is not known.")
    if attempt.outcome == "unscorable" and not has_target and attempt.figures["passes"].value is not None:
        notes.append(f"{which}: neither hit nor miss, as it was scored without a target.")
    elif attempt.outcome == "unscorable":
        notes.append(f"{which}: not scored, {attempt.reason}.")
    frames = slice(attempt.first_frame, attempt.last_frame + 1)
    weights = track.frame_durations_s[frames]
    held = float(weights[~track.target_found[frames]].sum())
    if has_target and held > 0.1 * weights.sum():
        notes.append(f"{which}: the target could not be followed for {held:.1f} s; its last place was held.")
    if len(weights) > 1 and 1 / float(np.median(weights)) < MIN_RATE_HZ:
        notes.append(f"{which}: under {MIN_RATE_HZ:.0f} frames/s, smoothness is left blank.")
    return notes
