"""From working pictures to a `Track` in pixels of the original frame."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, fields
from functools import partial
from typing import Any, Protocol

import numpy as np

from needlecoach.model import FloatArray, GreyImage, Strip, Track
from needlecoach.tracking.averaging import without_averaging
from needlecoach.tracking.bridge import beyond_sight, bridge_hidden, leapt_back, resting, without_loose_ends
from needlecoach.tracking.doubt import seen_doubt_mm, unseen_doubt_mm
from needlecoach.tracking.drift import Held, moved, steady
from needlecoach.tracking.edge import at_edge
from needlecoach.tracking.follow import Course, follow_needle
from needlecoach.tracking.known import Known, Said
from needlecoach.tracking.kymograph import SAMPLE_MM
from needlecoach.tracking.plane import Plane, slope_deg
from needlecoach.tracking.resting import hold_resting
from needlecoach.tracking.sight import sight_evidence, tip_in_sight
from needlecoach.tracking.spot import tip_places_mm
from needlecoach.tracking.stills import MOST_STILLS, needle_in_stills
from needlecoach.tracking.target import TargetFollower, TargetPath
from needlecoach.tracking.throw import rounds, surely_timed
from needlecoach.tracking.tip import TipPath
from needlecoach.tracking.trail import read_trails
from needlecoach.tracking.windows import NeedleRows, Window, Windows

# A tip is not seen where it must be somewhere else.
ELSEWHERE_MM = 3.0
# A strip is placed by its line's chord up to the deepest tip, or so far.
CHORD_MM = 10.0
# What moved while nothing was recorded is not known: for the tracker a hole lasts so long at most. It is told
# when it is also this many times as long as the step from picture to picture.
HOLE_S = 1.0
HOLE_STEPS = 5
MOST_HOLES = 3

STILLS_NOTE = (
    "So few pictures show no movement: the needle was told by its looks, and by its end having moved from "
    "picture to picture. Check the drawn lines against the pictures."
)


@dataclass(frozen=True, eq=False)
class Tracking:
    """A track, the strip along the shaft, and what was noticed on the way: sentences for the reader."""

    track: Track
    notes: tuple[str, ...]
    strip: Strip | None = None


class Keeper(Protocol):
    """Keeps what a clip was followed by."""

    def keep(self, held: Held, clock_s: float) -> None:
        """Take in the next steadied picture, and the tracker's own time for it."""

    def follow(self, window: Window) -> NeedleRows:
        """Follow the needle through one window."""

    def keep_target(self, target: TargetPath) -> None:
        """Take in where the target was."""


def track_clip(
    pictures: Iterable[tuple[float, GreyImage]],
    plane: Plane,
    target: TargetFollower | None,
    beside: Executor | None = None,
    keeper: Keeper | None = None,
    early: Callable[[Tracking], None] | None = None,
    *,
    thrown_mm: float = 0.0,
) -> Tracking:
    """Follow needle and target through the working pictures of a clip.

    Parameters
    ----------
    pictures : presentation time and working picture of every frame, consumed once
    target : knows what to follow; None when no target was marked
    beside : follows the needle while the next pictures are read; a thread of its own when left out
    keeper : is given every picture, and follows the windows in this process
    early : called, once all pictures are read, with what is known of the first of them while the rest is
        still followed; may be called several times or never
    thrown_mm : how far a spring may throw the needle forward at once; 0 for one without. A keeper knows it
        by itself.

    Returns
    -------
    Tracking
        Its track has one row per picture; no needle is a track without one, not an error.
    """
    times: list[float] = []
    drifts: list[FloatArray] = []
    likeness: list[float] = []
    stills: list[GreyImage] = []
    follow = partial(follow_window, plane, thrown_mm=thrown_mm) if keeper is None else keeper.follow

    def told(rows: NeedleRows) -> None:
        if early is not None:
            n, path = len(rows.needle_present), _target_path(target, np.array(drifts))
            early(finished(rows, path.cut(n), times[:n], np.array(likeness[:n])))

    with Windows(follow, beside if keeper is None else None, told) as windows:
        clock_s = 0.0
        for held in steady(pictures, mask=plane.mask, step_mm=plane.step_mm):
            clock_s += min(held.time_s - times[-1], HOLE_S) if times else 0.0
            times.append(held.time_s)
            drifts.append(held.drift)
            likeness.append(held.likeness)
            if target is not None:
                target.see(held.picture, held.time_s)
            windows.add(held.picture, clock_s, held.drift)
            if keeper is not None:
                keeper.keep(held, clock_s)
            if len(stills) <= MOST_STILLS:
                stills.append(held.picture)
        needle = windows.rows()
    n, drift = len(times), np.array(drifts).reshape(-1, 3)
    notes: tuple[str, ...] = ()
    if not needle.needle_present.any() and n <= MOST_STILLS:
        needle = needle_in_stills(stills, drift, plane)
        notes = (STILLS_NOTE,) if needle.needle_present.any() else ()
    path = _target_path(target, drift)
    if keeper is not None:
        keeper.keep_target(path)
    return finished(needle, path, times, np.array(likeness), notes)


def _target_path(target: TargetFollower | None, drift: FloatArray) -> TargetPath:
    return TargetPath.nowhere(len(drift)) if target is None else target.path(drift)


def finished(
    needle: NeedleRows,
    target: TargetPath,
    times_s: list[float],
    likeness: FloatArray,
    notes: tuple[str, ...] = (),
) -> Tracking:
    """Put a clip's needle and target together, with what was noticed of the recording, (n,) likeness."""
    time_s = np.array(times_s, dtype=float)
    track = _track(time_s, needle, target)
    return Tracking(track, (*notes, *_restless(likeness), *_holes(time_s)), _strip(needle))


def follow_window(plane: Plane, window: Window, *, thrown_mm: float = 0.0) -> NeedleRows:
    """Follow the needle through one window; fit for another process."""
    rows = window_rows(plane, {}, window, thrown_mm=thrown_mm)
    return rows if window.last is None else hold_resting(rows, window, plane)


def window_rows(
    plane: Plane, said: Mapping[int, Said], window: Window, *, thrown_mm: float = 0.0
) -> NeedleRows:
    """The needle in one window by its own pictures, and by what was said of some of its frames."""
    time_s, drift = window.time_s, window.drift
    pictures = without_averaging(window.pictures, time_s, drift, mask=plane.mask, step_mm=plane.step_mm)
    known = Known.within(said, window.first, time_s, drift, plane)
    course = None
    if len(pictures) > 1:
        course = follow_needle(pictures, time_s, plane, known, thrown_mm=thrown_mm)
    if course is None:
        return NeedleRows.none(len(pictures))
    return _rows(course, time_s, drift, plane, known)


def no_track() -> Tracking:
    """Tracking of a clip that could not be followed at all: no frames, no notes."""
    return Tracking(_track(np.zeros(0), NeedleRows.none(0), TargetPath.nowhere(0)), ())


def _track(time_s: FloatArray, needle: NeedleRows, target: TargetPath) -> Track:
    names = {item.name for item in fields(Track)} & {item.name for item in fields(needle)}
    return Track(
        time_s=time_s,
        target_px=target.centre_px,
        target_found=target.found,
        target_sd_mm=target.sd_mm,
        **{name: getattr(needle, name) for name in names},
    )


def _strip(needle: NeedleRows) -> Strip | None:
    """Strip of the whole clip; None where no line was ever followed."""
    if not np.isfinite(needle.strip_start_px).any():
        return None
    steps = needle.strip.shape[1] - 1
    end_px = needle.strip_start_px + steps * needle.strip_step_px
    return Strip(needle.strip, SAMPLE_MM, needle.strip_start_px, end_px)


def _rows(course: Course, time_s: FloatArray, drift: FloatArray, plane: Plane, known: Known) -> NeedleRows:
    """Turn the course of a needle into rows of the track."""
    evidence = known.sight_evidence(sight_evidence(course, time_s))
    visible = tip_in_sight(course, evidence, time_s)
    end_grey = np.array([np.nan if spot is None else spot.grey for spot in course.spots])
    visible &= ~beyond_sight(course.path, course.by_motion, end_grey, time_s)
    visible &= ~leapt_back(course.path.position_mm, time_s)
    placed = visible & (evidence > 0)
    axis = course.axis
    sights = course.path.placed_at(np.where(placed, tip_places_mm(course.spots), course.path.position_mm))
    sights, anchors = known.settle(sights, axis), visible | known.placed
    sights = known.only_bridged(sights, anchors)
    number = rounds(len(time_s), course.throws)
    timed = surely_timed(course.path, tip_places_mm(course.spots), course.throws, visible)
    seen_sd = seen_doubt_mm(timed, course.by_motion, course.spots, visible, time_s, number)
    path = bridge_hidden(
        sights, course.by_motion, anchors, time_s, np.where(known.placed, known.sd_mm, seen_sd)
    )
    path = without_loose_ends(path, anchors)
    path = known.settle(known.kept_open(path, sights), axis)
    present, along = np.isfinite(path.position_mm), path.position_mm
    visible = known.in_sight(visible & (np.abs(along - sights.position_mm) < ELSEWHERE_MM), present)
    off_axis = np.array([0.0 if spot is None else spot.across_mm for spot in course.spots])
    across = known.off_line_mm(np.where(visible & placed, off_axis, 0.0), axis)
    tip = plane.to_frame_px(moved(axis.places(along[:, None], across[:, None])[:, 0], drift))
    turned = np.stack([np.zeros(len(drift)), np.zeros(len(drift)), drift[:, 2]], axis=1)
    chords = moved([axis.chord(i, s) for i, s in enumerate(np.nan_to_num(along))], turned)
    slope = np.where(present, [slope_deg(chord) for chord in chords], np.nan)
    entry = plane.to_frame_px(moved(at_edge(axis, plane.mask), drift))
    for array in (tip, entry):
        array[~present] = np.nan
    trails = read_trails(course, path.position_mm, time_s)
    trail = axis.places(trails.end_mm[:, None])[:, 0]
    by_itself = np.where(
        visible, seen_sd, unseen_doubt_mm(sights, path, visible, resting(path.position_mm, time_s), time_s)
    )
    tip_sd = np.where(present, np.where(known.placed, known.sd_mm, by_itself), np.nan)
    return NeedleRows(
        needle_present=present,
        tip_px=tip,
        tip_visible=visible,
        tip_sd_mm=tip_sd,
        entry_px=entry,
        angle_deg=slope,
        shaft_visible_share=_shaft_share(course, path),
        trail_end_px=plane.to_frame_px(moved(trail, drift)),
        trail_sd_mm=trails.sd_mm,
        trail_beyond_mm=trails.beyond_mm,
        trail_beyond_sd_mm=trails.beyond_sd_mm(tip_sd),
        **_strip_rows(course, drift, plane),
    )


def _strip_rows(course: Course, drift: FloatArray, plane: Plane) -> dict[str, Any]:
    """Greys along the axis as rows, and where they lie in the frame; an arc is drawn as its chord."""
    grey = np.clip(np.rint(course.grey), 0, 255).astype(np.uint8)
    far_mm = (grey.shape[1] - 1) * SAMPLE_MM
    reach_mm = np.nanmax(course.path.position_mm, initial=min(far_mm, CHORD_MM))
    axis = course.axis
    ends = np.moveaxis(axis.places(np.tile([0.0, reach_mm], (len(grey), 1))), 1, 0)
    start_px, place_px = (plane.to_frame_px(moved(end, drift)) for end in ends)
    return {
        "strip": grey,
        "strip_start_px": start_px,
        "strip_step_px": (place_px - start_px) * (SAMPLE_MM / reach_mm),
    }


def _shaft_share(course: Course, path: TipPath) -> FloatArray:
    """Part of the shaft between entry and tip that stands out, (n_frames,), NaN without a needle."""
    share = np.full(len(course.spots), np.nan)
    for i, position in enumerate(path.position_mm):
        if np.isfinite(position):
            upto = max(1, round(float(position) / SAMPLE_MM))
            share[i] = float((course.odds[i, :upto] > 0).mean())
    return share


def _restless(likeness: FloatArray) -> list[str]:
    """What the registration tells of the recording."""
    restless = float((likeness < 0.4).mean()) if len(likeness) else 0.0
    if restless <= 0.2:
        return []
    return [
        f"In {restless:.0%} of the frames the whole picture moved or changed "
        "(a sweep, a slide of the probe): what is found there is less certain."
    ]


def _holes(time_s: FloatArray) -> list[str]:
    """Say where nothing was recorded for long."""
    steps = np.diff(time_s)
    usual_s = float(np.median(steps)) if len(steps) else 0.0
    holes = np.flatnonzero(steps > max(HOLE_S, HOLE_STEPS * usual_s))
    if not len(holes):
        return []
    where = ", ".join(f"from {time_s[i]:.1f} to {time_s[i + 1]:.1f} s" for i in holes[:MOST_HOLES])
    more = f" and {len(holes) - MOST_HOLES} times more" if len(holes) > MOST_HOLES else ""
    return [
        f"Nothing was recorded {where}{more}: what happened meanwhile is not known. A needle that was in "
        "before and after counts as in all the time; one that left may seem to stay in, so check the drawing "
        "just after."
    ]
