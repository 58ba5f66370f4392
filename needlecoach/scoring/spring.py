"""A spring's throw parted from what the learner's hand did."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from needlecoach.model import FloatArray
from needlecoach.scoring.firing import find_firing
from needlecoach.scoring.geometry import signed_distance_mm
from needlecoach.scoring.kinematics import POSITION_SIGMA_S, SPEED_SIGMA_S, local_line
from needlecoach.scoring.motion import Motion, smoothed_apart
from needlecoach.scoring.uncertainty import distance_sd_mm


def without_throw(motion: Motion) -> Motion:
    """The same attempt with the throw of a core needle's point told apart; unchanged without one.

    Returns
    -------
    Motion
        `thrown` is set. Nothing is smoothed across the throw; speed is 0 from the last frame before it to the
        first after it, and the distance to the target is unknown while the point flies.

    Notes
    -----
    Speed, travel and smoothness are to tell of the hand, and a spring is some ten times quicker.
    """
    core = motion.scene.core
    firing = None if core is None else find_firing(motion, core)
    if firing is None or firing.last_before is None:
        return motion
    before, after = (frame - motion.span.first_frame for frame in (firing.last_before, firing.frame))
    rows = np.arange(len(motion.time_s))
    side: FloatArray = np.searchsorted([before + 0.5, after - 0.5], rows).astype(float)
    by_sight = np.concatenate([[0.0], np.cumsum(np.diff(motion.sighted.astype(float)) != 0)])
    relative = _relative_apart(motion, side)
    edge, edge_sd = _distances(motion, relative)
    return replace(
        motion,
        thrown=(before, after),
        tip_mm=_smooth(motion, motion.raw_tip_mm, side),
        depth_mm=_smooth(motion, motion.raw_depth_mm, side),
        sighted_depth_mm=_smooth(motion, motion.raw_depth_mm, 3 * by_sight + side),
        advance_mm_s=np.where((rows >= before) & (rows <= after), 0.0, _speed(motion, side)),
        relative_mm=relative,
        edge_mm=edge,
        edge_sd_mm=edge_sd,
    )


def _smooth(motion: Motion, values: FloatArray, groups: FloatArray) -> FloatArray:
    return local_line(motion.time_s, values, sigma_s=POSITION_SIGMA_S, groups=groups)[0]


def _speed(motion: Motion, groups: FloatArray) -> FloatArray:
    return local_line(motion.time_s, motion.raw_depth_mm, sigma_s=SPEED_SIGMA_S, groups=groups)[1]


def _relative_apart(motion: Motion, side: FloatArray) -> FloatArray:
    """Smoothed tip minus the target's centre, (n, 2), from either side of the throw alone; NaN in flight."""
    track, scale = motion.scene.track, motion.scene.scale
    places = motion.raw_tip_mm - scale.to_mm(track.target_px[motion.frames])
    early, late = (smoothed_apart(motion, places, side != number) for number in (0, 2))
    return np.where((side == 0)[:, None], early, late)


def _distances(motion: Motion, relative_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distance to the outline and its uncertainty, (n,) each; NaN where the tip is in flight."""
    scene = motion.scene
    edge = np.full(len(relative_mm), np.nan)
    if scene.outline_mm is not None:
        edge = signed_distance_mm(relative_mm, scene.outline_mm)
    sd = distance_sd_mm(
        edge,
        tip_sd_mm=motion.tip_sd_mm,
        marking_sd_mm=scene.marking_sd_mm,
        scale_sd_share=scene.scale.sd_share,
        following_sd_mm=motion.target_sd_mm,
    )
    return edge, sd
