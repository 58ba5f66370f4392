"""One attempt made ready for measuring: millimetres, smoothed positions, insertion depth, target geometry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecoach.model import BoolArray, Core, FloatArray, Pass, Region, Scale, Strip, Target, Track
from needlecoach.scoring.bounds import Bounds
from needlecoach.scoring.geometry import signed_distance_mm
from needlecoach.scoring.kinematics import (
    POSITION_SIGMA_S,
    ROUNDING_S,
    SPEED_SIGMA_S,
    despike,
    local_line,
    true_runs,
)
from needlecoach.scoring.passes import Span, split_attempts, split_passes
from needlecoach.scoring.uncertainty import distance_sd_mm

# A tip gone (or back) for less than this is flicker of the picture: one or two frames of a usual recording.
FLICKER_S = 0.1

# An attempt whose first tip already lies deeper than this began before the clip did.
BEGUN_MM = 5.0


@dataclass(frozen=True, eq=False)
class Scene:
    """What a clip's attempts share; `outline_mm` (m, 2) is relative to the target's centre, or None.

    `core` is None for an aspirate; `strip` holds the recorded greys, None when there are none.
    """

    track: Track
    scale: Scale
    region: Region
    target: Target | None
    outline_mm: FloatArray | None
    marking_sd_mm: float
    pass_withdrawal_mm: float
    bounds: Bounds
    core: Core | None = None
    strip: Strip | None = None

    @classmethod
    def of(
        cls,
        track: Track,
        *,
        scale: Scale,
        target: Target | None,
        region: Region,
        pass_withdrawal_mm: float,
        bounds: Bounds,
        core: Core | None = None,
        strip: Strip | None = None,
    ) -> Scene:
        """Gather what the attempts share."""
        outline = None if target is None else scale.to_mm(target.outline_px - np.asarray(target.centre_px))
        marking = 0.0 if target is None else target.marking_sd_px * scale.mean_mm_per_px
        return cls(track, scale, region, target, outline, marking, pass_withdrawal_mm, bounds, core, strip)

    def spans(self) -> tuple[Span, ...]:
        """Frames of every attempt."""
        return self.bounds.spans(split_attempts(self.track), self.track.time_s)


@dataclass(frozen=True, eq=False)
class Motion:
    """The needle of one attempt, one row per frame from `first_frame` to `last_frame`.

    Attributes
    ----------
    time_s, weight_s : (n,) float
        Presentation times and the time each frame stands for.
    known, visible, sighted : (n,) bool
        A tip position was estimated; the tip itself was seen; the same without flicker of under 0.1 s.
    tip_sd_mm : (n,) float
        Error of the tip, NaN where unknown.
    raw_tip_mm, tip_mm : (n, 2) float
        Tip with wild positions put back, and the same smoothed; straight lines across unknown stretches.
    direction : (n, 2) float
        Unit vector along the shaft, pointing inwards.
    depth_mm : (n,) float
        Smoothed position along the shaft, 0 at the region's edge at the attempt's start.
    advance_mm_s : (n,) float
        Smoothed speed along the shaft, positive inwards.
    sighted_depth_mm : (n,) float
        As `depth_mm`, but never smoothed across the moment the tip goes out of or comes into sight.
    relative_mm : (n, 2) float
        Smoothed tip minus the target's centre; NaN where either is unknown.
    target_sd_mm : (n,) float
        Uncertainty of following the target, along one direction.
    edge_mm, edge_sd_mm : (n,) float
        Signed distance to the outline and its uncertainty; NaN where unknown.
    raw_depth_mm : (n,) float
        As `depth_mm`, not smoothed.
    passes : tuple of Pass
    thrown : (int, int) or None
        Last row before and first row after a spring threw the point; see `spring.without_throw`.
    """

    scene: Scene
    span: Span
    time_s: FloatArray
    weight_s: FloatArray
    known: BoolArray
    visible: BoolArray
    sighted: BoolArray
    tip_sd_mm: FloatArray
    raw_tip_mm: FloatArray
    tip_mm: FloatArray
    direction: FloatArray
    depth_mm: FloatArray
    advance_mm_s: FloatArray
    sighted_depth_mm: FloatArray
    relative_mm: FloatArray
    target_sd_mm: FloatArray
    edge_mm: FloatArray
    edge_sd_mm: FloatArray
    raw_depth_mm: FloatArray
    passes: tuple[Pass, ...]
    thrown: tuple[int, int] | None = None

    @property
    def frames(self) -> slice:
        """Rows of the clip's arrays that belong to this attempt."""
        return slice(self.span.first_frame, self.span.last_frame + 1)

    @property
    def began_deep(self) -> bool:
        """Whether the needle was well in when it was first followed, so that its entry is not known."""
        return bool(self.depth_mm[0] > BEGUN_MM)

    @property
    def closest(self) -> int | None:
        """Row of the closest approach, None without a target or a tip.

        The frame with the lowest distance plus its own uncertainty: a guessed tip does not outdo a seen one.
        """
        cautious = self.edge_mm + np.nan_to_num(self.edge_sd_mm)
        return int(np.nanargmin(cautious)) if np.isfinite(cautious).any() else None


def _whole(points: FloatArray) -> BoolArray:
    """Rows of an (n, 2) array of which both values are known."""
    return np.asarray(np.isfinite(points).all(axis=1), dtype=np.bool_)


def shaft_direction(track: Track, scale: Scale, frames: slice) -> FloatArray:
    """Unit vector along the shaft in millimetres, pointing from the entry to the tip, shape (n, 2).

    The angle comes from the track; which way it points is read from the tip's place beside the entry over the
    whole attempt, since near the edge the two lie too close to tell. NaN angles are bridged; without any
    angle the line from entry to tip is taken, and straight down when that is unknown too.
    """
    reach = scale.to_mm(track.tip_px[frames] - track.entry_px[frames])
    far = _whole(reach)
    overall = np.median(reach[far], axis=0) if far.any() else np.array([0.0, 1.0])
    side = np.where(far & (np.hypot(reach[:, 0], reach[:, 1]) > 5.0), reach[:, 0], overall[0])
    side = np.where(np.sign(overall[0]) * side < -2.0, side, overall[0])
    angle = track.angle_deg[frames]
    seen = np.isfinite(angle)
    rows = np.arange(len(angle), dtype=float)
    if seen.any():
        turned = np.radians(np.interp(rows, rows[seen], angle[seen]))
    else:
        turned = np.full(len(angle), np.arctan2(abs(overall[1]), abs(overall[0])))
    # "Downwards" unless the whole attempt shows the tip nearer to the probe than the entry.
    down = -1.0 if overall[1] < -1.0 else 1.0
    return np.stack([np.where(side < 0, -1.0, 1.0) * np.cos(turned), down * np.sin(turned)], axis=-1)


def advance_mm(tip_mm: FloatArray, direction: FloatArray) -> FloatArray:
    """Signed travel along the shaft since the previous frame, shape (n,); NaN first and next to unknown tips.

    The tip's step is laid on the shaft's direction, so a sideways sweep of the whole needle counts nothing.
    """
    if len(tip_mm) == 0:
        return np.zeros(0)
    along = (direction[1:] + direction[:-1]) / 2
    return np.concatenate([[np.nan], (np.diff(tip_mm, axis=0) * along).sum(axis=1)])


def _bridged(time_s: FloatArray, values: FloatArray, known: BoolArray) -> FloatArray:
    """Values with unknown rows filled by straight lines in time, the ends held."""
    return np.stack([np.interp(time_s, time_s[known], column[known]) for column in values.T], axis=-1)


def steady_sight(weight_s: FloatArray, visible: BoolArray) -> BoolArray:
    """Sight of the tip without flicker, shape (n,): a short spell between two of the other kind joins."""
    steady = visible.copy()
    for spells, value in ((~visible, True), (visible, False)):
        for first, last in true_runs(spells):
            if (
                weight_s[first : last + 1].sum() < FLICKER_S - ROUNDING_S
                and first > 0
                and last < len(visible) - 1
            ):
                steady[first : last + 1] = value
    return steady


def prepare(scene: Scene, span: Span) -> Motion | None:
    """Make one attempt ready for measuring; None when no frame of it has a tip."""
    track, scale = scene.track, scene.scale
    frames = slice(span.first_frame, span.last_frame + 1)
    time_s, weight_s = track.time_s[frames], track.frame_durations_s[frames]
    tip_px = track.tip_px[frames]
    known = _whole(tip_px)
    if not known.any():
        return None
    visible = track.tip_visible[frames]
    direction = shaft_direction(track, scale, frames)
    raw_mm = np.full(tip_px.shape, np.nan)
    raw_mm[known] = despike(scale.to_mm(tip_px[known]))
    filled = _bridged(time_s, raw_mm, known)
    depth = _entry_depth_mm(scene, frames, filled, direction) + np.nancumsum(advance_mm(filled, direction))
    relative = np.where(known[:, None], raw_mm - scale.to_mm(track.target_px[frames]), np.nan)
    smooth_relative = _smooth_known(time_s, relative, _trust(track.tip_sd_mm[frames]))
    edge = np.full(len(time_s), np.nan)
    if scene.outline_mm is not None:
        edge = signed_distance_mm(smooth_relative, scene.outline_mm)
    smooth_depth = local_line(time_s, depth, sigma_s=POSITION_SIGMA_S)[0]
    sighted = steady_sight(weight_s, visible)
    groups = np.concatenate([[0.0], np.cumsum(np.diff(sighted.astype(float)) != 0)])
    return Motion(
        scene=scene,
        span=span,
        time_s=time_s,
        weight_s=weight_s,
        known=known,
        visible=visible,
        sighted=sighted,
        tip_sd_mm=np.where(known, track.tip_sd_mm[frames], np.nan),
        raw_tip_mm=filled,
        tip_mm=local_line(time_s, filled, sigma_s=POSITION_SIGMA_S)[0],
        direction=direction,
        depth_mm=smooth_depth,
        advance_mm_s=local_line(time_s, depth, sigma_s=SPEED_SIGMA_S)[1],
        sighted_depth_mm=local_line(time_s, depth, sigma_s=POSITION_SIGMA_S, groups=groups)[0],
        relative_mm=smooth_relative,
        target_sd_mm=track.target_sd_mm[frames],
        edge_mm=edge,
        edge_sd_mm=distance_sd_mm(
            edge,
            tip_sd_mm=track.tip_sd_mm[frames],
            marking_sd_mm=scene.marking_sd_mm,
            scale_sd_share=scale.sd_share,
            following_sd_mm=track.target_sd_mm[frames],
        ),
        raw_depth_mm=depth,
        passes=_passes(scene, span, smooth_depth),
    )


def _passes(scene: Scene, span: Span, depth_mm: FloatArray) -> tuple[Pass, ...]:
    """Passes by the tip's depth, and by what a person said of them."""
    first = span.first_frame
    found = split_passes(depth_mm, withdrawal_mm=scene.pass_withdrawal_mm, first_frame=first)
    return scene.bounds.passes(found, depth_mm, first, scene.track.time_s)


def _entry_depth_mm(scene: Scene, frames: slice, tip_mm: FloatArray, direction: FloatArray) -> float:
    """Depth of the first tip along the shaft from the attempt's median entry; 0 when that is unknown."""
    entry = scene.scale.to_mm(scene.track.entry_px[frames])
    entry = entry[_whole(entry)]
    if len(entry) == 0:
        return 0.0
    return float((tip_mm[0] - np.median(entry, axis=0)) @ direction[0])


def _trust(tip_sd_mm: FloatArray) -> FloatArray:
    """Weight of each tip for smoothing: a guess must not pull what was seen; unknown errors are typical."""
    stated = np.isfinite(tip_sd_mm)
    if not stated.any():
        return np.ones(len(tip_sd_mm))
    sd = np.where(stated, tip_sd_mm, np.median(tip_sd_mm[stated]))
    return np.asarray(1 / np.maximum(sd, 0.1) ** 2, dtype=float)


def smoothed_apart(motion: Motion, places_mm: FloatArray, left_out: BoolArray) -> FloatArray:
    """Smooth places of an attempt, shape (n, 2), without reaching across unknown tips and rows left out."""
    known = motion.known & ~left_out
    return _smooth_known(motion.time_s, np.where(known[:, None], places_mm, np.nan), _trust(motion.tip_sd_mm))


def _smooth_known(time_s: FloatArray, values: FloatArray, trust: FloatArray) -> FloatArray:
    """Smooth the known rows of an (n, 2) array, leaving unknown ones NaN and not reaching across them."""
    smooth = np.full(values.shape, np.nan)
    for first, last in true_runs(_whole(values)):
        rows = slice(first, last + 1)
        smooth[rows] = local_line(time_s[rows], values[rows], sigma_s=POSITION_SIGMA_S, trust=trust[rows])[0]
    return smooth
