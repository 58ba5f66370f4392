"""From working pictures to a `Track` in pixels of the original frame."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np

from needlecoach.model import BoolArray, FloatArray, GreyImage, Track
from needlecoach.tracking.averaging import without_averaging
from needlecoach.tracking.axis import Axis
from needlecoach.tracking.bridge import beyond_sight, bridge_hidden, without_loose_ends
from needlecoach.tracking.drift import steady
from needlecoach.tracking.follow import Course, follow_needle
from needlecoach.tracking.kymograph import SAMPLE_MM
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.resting import hold_resting
from needlecoach.tracking.spot import contrast_grey, tip_places_mm
from needlecoach.tracking.stills import MOST_STILLS, needle_in_stills
from needlecoach.tracking.target import TargetFollower, TargetPath
from needlecoach.tracking.tip import TipPath
from needlecoach.tracking.trail import trail_ends_mm
from needlecoach.tracking.windows import NeedleRows, Window, Windows

# A tip is seen when its echo is not black and stands out: 14 dB at a dynamic range of 60 dB over 255 greys
# are 60 greys above the mean square of the surroundings, some 35 above the brighter side's mean once both are
# smoothed. Where nothing has changed it must stand out further, or it is speckle.
SEEN_GREY = 35.0
SEEN_UNCHANGED_GREY = 70.0
DARKEST_GREY = 40.0
FLICKER_S = 0.2
# A bright end is not the tip when the tip may as well be somewhere else, or must be. At the edge of the
# picture a needle on its way in or out is less sure by nature.
SIGHT_SD_MM = 3.0
EDGE_MM, EDGE_SD_MM = 8.0, 6.0
ELSEWHERE_MM = 3.0
# The axis starts inside the region's rim; its edge is looked for this far back along the shaft.
ENTRY_REACH_MM = 6.0
# Root-mean-square error of a tip that is seen: in working pixels, in mm, of the way in one frame (blur,
# frame averaging) and as a share of the posterior's width; least errors of one that is inferred, along and
# across the shaft.
SEEN_SD_STEPS = 1.4
SEEN_SD_MM = 0.1
SEEN_SD_FRAMES = 0.4
SEEN_SD_SHARE = 0.4
# So much more where the tip stands out from what its place looked like before by less than so many greys, in
# full so many greys below that.
SEEN_SD_CLUTTER_MM = 0.5
CLEAR_GREY, CLUTTER_GREY = 60.0, 40.0
INFERRED_SD_MM = 0.6
ACROSS_SD_MM = 0.2


STILLS_NOTE = (
    "So few pictures show no movement: the needle was told by its looks, and by its end having moved from "
    "picture to picture. Check the drawn lines against the pictures."
)


@dataclass(frozen=True, eq=False)
class Tracking:
    """A track and what was noticed on the way: sentences for the reader."""

    track: Track
    notes: tuple[str, ...]


def track_clip(
    pictures: Iterable[tuple[float, GreyImage]], plane: Plane, target: TargetFollower | None
) -> Tracking:
    """Follow needle and target through the working pictures of a clip.

    Parameters
    ----------
    pictures : presentation time and working picture of every frame, consumed once
    target : knows what to follow; None when no target was marked

    Returns
    -------
    Tracking
        Its track has one row per picture; no needle is a track without one, not an error.
    """
    times: list[float] = []
    shifts: list[FloatArray] = []
    likeness: list[float] = []
    stills: list[GreyImage] = []
    notes: list[str] = []

    def follow(window: Window) -> NeedleRows:
        rows = NeedleRows.none(len(window.pictures))
        pictures = without_averaging(
            window.pictures, window.time_s, window.shift, mask=plane.mask, step_mm=plane.step_mm
        )
        if len(pictures) > 1 and (course := follow_needle(pictures, window.time_s, plane)):
            rows = _rows(course, window.time_s, window.shift, plane)
        return rows if window.last is None else hold_resting(rows, window, plane)

    with Windows(follow) as windows:
        for held in steady(pictures, mask=plane.mask, step_mm=plane.step_mm):
            times.append(held.time_s)
            shifts.append(held.shift)
            likeness.append(held.likeness)
            if target is not None:
                target.see(held.picture, held.time_s)
            windows.add(held.picture, held.time_s, held.shift)
            if len(stills) <= MOST_STILLS:
                stills.append(held.picture)
        needle = windows.rows()
    n, shift = len(times), np.array(shifts).reshape(-1, 2)
    if not needle.needle_present.any():
        needle = needle_in_stills(stills, shift, plane) if n <= MOST_STILLS else needle
        notes = [STILLS_NOTE] if needle.needle_present.any() else []
    path = TargetPath.nowhere(n) if target is None else target.path(shift)
    notes += _notes(np.array(likeness))
    return Tracking(_track(np.array(times, dtype=float), needle, path), tuple(notes))


def no_track() -> Tracking:
    """Tracking of a clip that could not be followed at all: no frames, no notes."""
    return Tracking(_track(np.zeros(0), NeedleRows.none(0), TargetPath.nowhere(0)), ())


def _track(time_s: FloatArray, needle: NeedleRows, target: TargetPath) -> Track:
    return Track(
        time_s=time_s,
        target_px=target.centre_px,
        target_found=target.found,
        **{item.name: getattr(needle, item.name) for item in fields(needle)},
    )


def _rows(course: Course, time_s: FloatArray, shift: FloatArray, plane: Plane) -> NeedleRows:
    """Turn the course of a needle into rows of the track."""
    near_edge = course.path.position_mm < EDGE_MM
    sighted = _seen(course)
    sure = course.path.sd_mm <= np.where(near_edge, EDGE_SD_MM, SIGHT_SD_MM)
    visible = _without_flicker(sighted, time_s) & sure
    end_grey = np.array([np.nan if spot is None else spot.grey for spot in course.spots])
    visible &= ~beyond_sight(course.path, course.by_motion, end_grey, time_s)
    path = without_loose_ends(bridge_hidden(course.path, course.by_motion, visible, time_s), visible)
    present = np.isfinite(path.position_mm)
    visible &= np.abs(path.position_mm - course.path.position_mm) < ELSEWHERE_MM
    along, across = path.position_mm.copy(), np.zeros(len(present))
    places = tip_places_mm(course.spots)
    for i in np.flatnonzero(visible & sighted):
        spot = course.spots[i]
        if spot is not None:
            along[i], across[i] = places[i], spot.across_mm
    axis = course.axis
    tip = plane.to_frame_px(
        np.array([axis.points(i, along[i], across[i]) for i in range(len(along))]) + shift
    )
    slope = np.array([axis.slope_deg(i, s) if present[i] else np.nan for i, s in enumerate(along)])
    entry = plane.to_frame_px(_at_edge(axis, plane.mask) + shift)
    for array in (tip, entry):
        array[~present] = np.nan
    ends = trail_ends_mm(course, path.position_mm, time_s)
    trail = np.array([axis.points(i, end) for i, end in enumerate(ends)])
    speed_mm_s = np.abs(np.gradient(np.nan_to_num(along), time_s))
    contrast = contrast_grey(course.spots, course.before, SAMPLE_MM)
    seen_sd = np.sqrt(
        (SEEN_SD_STEPS * plane.step_mm) ** 2
        + SEEN_SD_MM**2
        + (SEEN_SD_FRAMES * np.gradient(time_s) * speed_mm_s) ** 2
        + (SEEN_SD_SHARE * np.nan_to_num(path.sd_mm)) ** 2
        + (SEEN_SD_CLUTTER_MM * np.clip((CLEAR_GREY - contrast) / CLUTTER_GREY, 0, 1)) ** 2
    )
    inferred_sd = np.hypot(np.maximum(path.sd_mm, INFERRED_SD_MM), ACROSS_SD_MM)
    return NeedleRows(
        needle_present=present,
        tip_px=tip,
        tip_visible=visible,
        tip_sd_mm=np.where(present, np.where(visible, seen_sd, inferred_sd), np.nan),
        entry_px=entry,
        angle_deg=slope,
        shaft_visible_share=_shaft_share(course, path),
        trail_end_px=plane.to_frame_px(trail + shift),
    )


def _at_edge(axis: Axis, mask: BoolArray) -> FloatArray:
    """Entry points moved out along the shaft to the region's very edge, (n_frames, 2).

    The axis itself starts a little inside, where drift brings no black surround in.
    """
    back = np.arange(0, ENTRY_REACH_MM / axis.step_mm, 0.25)
    points = axis.entry[:, None, :] - back[None, :, None] * axis.direction[:, None, :]
    column, row = np.moveaxis(np.rint(points).astype(np.intp), -1, 0)
    height, width = mask.shape
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    inside[inside] = mask[row[inside], column[inside]]
    last = np.maximum(np.logical_and.accumulate(inside, axis=1).sum(axis=1) - 1, 0)
    return np.asarray(points[np.arange(len(points)), last])


def _seen(course: Course) -> BoolArray:
    """Tell in which frames the tip itself can be seen, from what is recorded at that very place."""
    n_samples = course.grey.shape[1]
    seen = np.zeros(len(course.spots), dtype=bool)
    for i, spot in enumerate(course.spots):
        if spot is None:
            continue
        centre = round((spot.end_mm - np.nan_to_num(spot.half_width_mm)) / SAMPLE_MM)
        near, wide = round(1.0 / SAMPLE_MM), round(4.0 / SAMPLE_MM)
        reference = course.before[i]
        if np.isnan(reference[max(0, centre - wide) : centre + wide]).all():
            reference = course.grey[i]
        levels = [
            np.nanmean(reference[a:b])
            for a, b in ((centre - near, centre + near + 1), (centre + near, centre + wide))
            if 0 <= a < min(b, n_samples) and np.isfinite(reference[a:b]).any()
        ]
        surroundings = max(levels, default=0.0)
        around = course.odds[i, max(0, centre - 2) : centre + 3]
        changed = around.size > 0 and around.max() > 0
        enough = SEEN_GREY if changed else SEEN_UNCHANGED_GREY
        seen[i] = spot.grey >= DARKEST_GREY and spot.grey - surroundings >= enough
    return seen


def _without_flicker(state: BoolArray, time_s: FloatArray) -> BoolArray:
    """Median of a yes-or-no over a short time."""
    if len(state) < 3:
        return state
    reach = max(1, round(FLICKER_S / 2 / float(np.median(np.diff(time_s)))))
    padded = np.pad(state.astype(float), reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(windows.mean(axis=1) > 0.5)


def _shaft_share(course: Course, path: TipPath) -> FloatArray:
    """Part of the shaft between entry and tip that stands out, (n_frames,), NaN without a needle."""
    share = np.full(len(course.spots), np.nan)
    for i, position in enumerate(path.position_mm):
        if np.isfinite(position):
            upto = max(1, round(float(position) / SAMPLE_MM))
            share[i] = float((course.odds[i, :upto] > 0).mean())
    return share


def _notes(likeness: FloatArray) -> tuple[str, ...]:
    """What the registration tells of the recording."""
    restless = float((likeness < 0.4).mean()) if len(likeness) else 0.0
    if restless > 0.2:
        return (
            f"In {restless:.0%} of the frames the whole picture moved or changed "
            "(a sweep, a slide of the probe): what is found there is less certain.",
        )
    return ()
