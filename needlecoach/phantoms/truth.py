"""What really happened: visibility from the simulated signal, events from the exact tip path."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from needlecoach.model import Point
from needlecoach.phantoms.beams import BeamGrid, Floats, Screen
from needlecoach.phantoms.core import length_inside_mm
from needlecoach.phantoms.motion import Moment, Pose
from needlecoach.phantoms.scene import Scene, TargetBody

VISIBLE_DB = 14.0
BORDERLINE_DB = 4.0
VISIBLE_GREY = 40.0
PASS_MM = 3.0
WITHDRAWAL_MM = 5.0
STROKE_MM = 1.5
HIT_S = 0.2
GAP_S = 0.3


@dataclass(frozen=True)
class FrameTruth:
    """One frame's truth; None where there is no needle, notch or target. `edge_mm` is negative inside."""

    frame: int
    time_s: float
    needle_present: bool
    tip_px: Point | None
    tip_visible: bool
    tip_borderline: bool
    tip_contrast_db: float | None
    angle_deg: float | None
    entry_px: Point | None
    insertion_mm: float | None
    steady_mm: float | None
    target_px: Point | None
    centre_mm: float | None
    edge_mm: float | None
    notch_px: tuple[Point, Point] | None = None
    notch_in_target_mm: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the frame as it stands in a truth file."""

        def rounded(value: float | None) -> float | None:
            return None if value is None else round(value, 3)

        def point(value: Point | None) -> list[float] | None:
            return None if value is None else [round(value[0], 3), round(value[1], 3)]

        core = {}
        if self.notch_px is not None:
            core = {
                "notch_px": [point(end) for end in self.notch_px],
                "notch_in_target_mm": rounded(self.notch_in_target_mm),
            }
        return core | {
            "frame": self.frame,
            "time_s": round(self.time_s, 4),
            "needle_present": self.needle_present,
            "tip_xy_px": point(self.tip_px),
            "tip_visible": self.tip_visible,
            "tip_borderline": self.tip_borderline,
            "tip_contrast_db": rounded(self.tip_contrast_db),
            "angle_deg": rounded(self.angle_deg),
            "entry_xy_px": point(self.entry_px),
            "insertion_mm": rounded(self.insertion_mm),
            "dist_centre_mm": rounded(self.centre_mm),
            "dist_edge_mm": rounded(self.edge_mm),
            "target": None
            if self.target_px is None
            else {"centre_px": point(self.target_px), "in_plane": True},
        }


def tip_signal(
    grid: BeamGrid, needle: npt.NDArray[np.complex64], others: npt.NDArray[np.complex64], tip_mm: Point
) -> tuple[float, float]:
    """Contrast of the tip in dB and the needle's own amplitude there.

    Notes
    -----
    The needle-only peak within 0.7 mm of the tip against the larger of two backgrounds without needle: the
    root-mean-square within 3.5 mm (from the median, as for Rayleigh amplitudes, so that walls do not count)
    and the plain one within 0.9 mm.
    """
    column, row = (round(float(v)) for v in grid.index(*tip_mm))
    reach_r = int(3.5 / grid.display.mm_per_px) + 1
    reach_c = int(3.5 / float(grid.column_mm(max(tip_mm[1], 1.0)))) + 1
    rows = slice(max(row - reach_r, 0), row + reach_r + 1)
    columns = slice(max(column - reach_c, 0), column + reach_c + 1)
    x, z = (places[rows, columns] for places in grid.places_mm)
    away = np.hypot(x - tip_mm[0], z - tip_mm[1])
    own, back = np.abs(needle[rows, columns]), np.abs(others[rows, columns])
    wide = float(np.median(back[away <= 3.5])) / np.sqrt(np.log(2))
    close = float(np.sqrt((back[away <= 0.9] ** 2).mean()))
    peak = float(own[away <= 0.7].max())
    return 20 * float(np.log10((peak + 1e-12) / (max(wide, close) + 1e-12))), peak


def edge_distance_mm(target: TargetBody, centre_mm: Point, tip_mm: Point) -> float:
    """Signed distance from a point to the target's outline, mm, negative inside (nearest of 3600 points)."""
    turn, phase = np.radians(target.tilt_deg), np.linspace(0, 2 * np.pi, 3600, endpoint=False)
    dx, dz = tip_mm[0] - centre_mm[0], tip_mm[1] - centre_mm[1]
    u, v = dx * np.cos(turn) + dz * np.sin(turn), -dx * np.sin(turn) + dz * np.cos(turn)
    a, b = target.semi_axes_mm
    nearest = float(np.hypot(a * np.cos(phase) - u, b * np.sin(phase) - v).min())
    return -nearest if np.hypot(u / a, v / b) < 1 else nearest


def frame_truth(
    number: int, moment: Moment, *, scene: Scene, screen: Screen, contrast_db: float | None, grey: float
) -> FrameTruth:
    """Put one frame's truth together; `contrast_db` and `grey` are of the needle alone at the tip."""
    pose, target = moment.pose, moment.target_mm
    present = pose is not None and pose.inside
    target_px = None if target is None else _point(screen.to_px(*target))
    if pose is None or not present or contrast_db is None:
        nothing = (None,) * 5
        return FrameTruth(number, moment.time_s, False, None, False, False, *nothing, target_px, None, None)
    centre = edge = None
    if target is not None and scene.target is not None:
        centre = float(np.hypot(pose.tip_mm[0] - target[0], pose.tip_mm[1] - target[1]))
        edge = edge_distance_mm(scene.target, target, pose.tip_mm)
    notch_px, notch_inside = _notch(scene, screen, pose, target)
    return FrameTruth(
        number,
        moment.time_s,
        True,
        _point(screen.to_px(*pose.tip_mm)),
        contrast_db >= VISIBLE_DB and grey >= VISIBLE_GREY,
        abs(contrast_db - VISIBLE_DB) <= BORDERLINE_DB,
        contrast_db,
        pose.angle_deg,
        _point(screen.to_px(*_edge_crossing(screen.grid, pose.entry_mm, pose.tip_mm))),
        pose.depth_mm,
        pose.steady_mm,
        target_px,
        centre,
        edge,
        notch_px,
        notch_inside,
    )


def _notch(
    scene: Scene, screen: Screen, pose: Pose, target: Point | None
) -> tuple[tuple[Point, Point] | None, float | None]:
    """Ends of the notch and how much of it lies in the target."""
    if scene.needle.notch is None:
        return None, None
    near, far = scene.needle.notch.ends_mm(pose.tip_mm, pose.direction)
    inside = None
    if target is not None and scene.target is not None:
        inside = length_inside_mm((near, far), target, scene.target.semi_axes_mm, scene.target.tilt_deg)
    return (_point(screen.to_px(*near)), _point(screen.to_px(*far))), inside


def find_shot(frames: Sequence[FrameTruth], scene: Scene) -> dict[str, Any] | None:
    """Firing of a core needle as in a truth file: first frame after it, what jumped and how far.

    `notch_in_target_before_mm` is that of the last frame before it.
    """
    shot, notch = scene.shot, scene.needle.notch
    if shot is None:
        return None
    fired, last = shot.first_after(scene.fps), int(np.ceil(shot.time_s * scene.fps - 1e-6)) - 1
    jump_mm = shot.throw_mm
    if shot.part == "sheath" and notch is not None:
        pushed = _steady_mm(frames[last]) - _steady_mm(frames[int(shot.bare_from_s * scene.fps)])
        jump_mm = min(notch.length_mm, round(pushed, 3))
    return {
        "frame": fired,
        "time_s": round(fired / scene.fps, 4),
        "part": shot.part,
        "jump_mm": jump_mm,
        "notch_in_target_before_mm": frames[last].notch_in_target_mm,
        "notch_in_target_fired_mm": frames[fired].notch_in_target_mm,
    }


def _steady_mm(frame: FrameTruth) -> float:
    return 0.0 if frame.steady_mm is None else frame.steady_mm


def _point(values: Floats) -> Point:
    return float(values[0]), float(values[1])


def _edge_crossing(grid: BeamGrid, entry_mm: Point, tip_mm: Point) -> Point:
    """Where the chord from entry to tip comes into the picture, to 1/4000 of its length."""
    share = np.linspace(0, 1, 4001)
    x = entry_mm[0] + share * (tip_mm[0] - entry_mm[0])
    z = entry_mm[1] + share * (tip_mm[1] - entry_mm[1])
    column, row = grid.index(x, z)
    rows, columns = grid.shape
    inside = (column >= -0.5) & (column <= columns - 0.5) & (row >= -0.5) & (row <= rows - 0.5)
    first = int(np.argmax(inside))
    return float(x[first]), float(z[first])


def find_events(frames: Sequence[FrameTruth], *, fps: float) -> dict[str, Any]:
    """Attempts, passes, strokes, hits and blind advance of an exact tip path.

    Returns
    -------
    dict
        As in a truth file: `n_attempts` and `attempts`, each with its times, counts and distances in mm.

    Notes
    -----
    Attempt: needle in the picture, gaps under 0.3 s closed. Pass: forward excursion of at least 3 mm from an
    entry, or after a withdrawal of at least 5 mm from the deepest point. Stroke: to-and-fro of 1.5 to under
    5 mm. Hit: tip, or some of a core needle's notch, inside the
    target for at least 0.2 s on end. Blind advance: new depth within a pass, tremor
    left out, while the tip can't be seen.
    """
    attempts = [_attempt(frames[first : last + 1], fps, first) for first, last in _present_runs(frames, fps)]
    for attempt in attempts:
        attempt["cut_off"] = attempt["end_frame"] == len(frames) - 1
    return {"n_attempts": len(attempts), "attempts": attempts}


def _present_runs(frames: Sequence[FrameTruth], fps: float) -> list[tuple[int, int]]:
    runs: list[tuple[int, int]] = []
    for number, frame in enumerate(frames):
        if not frame.needle_present:
            continue
        if runs and (number - runs[-1][1] - 1) / fps < GAP_S:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


def _attempt(frames: Sequence[FrameTruth], fps: float, first: int) -> dict[str, Any]:
    depth = np.array([frame.steady_mm if frame.steady_mm is not None else np.nan for frame in frames])
    depth = np.interp(np.arange(len(depth)), np.flatnonzero(np.isfinite(depth)), depth[np.isfinite(depth)])
    passes = find_passes(depth)
    blind = np.array([frame.needle_present and not frame.tip_visible for frame in frames])
    edge = [frame.edge_mm for frame in frames if frame.edge_mm is not None]
    centre = [frame.centre_mm for frame in frames if frame.centre_mm is not None]
    stay_s = _longest_stay(frames) / fps
    return {
        "start_frame": first,
        "end_frame": first + len(frames) - 1,
        "start_s": round(frames[0].time_s, 4),
        "end_s": round(frames[-1].time_s, 4),
        "passes": [{"start_frame": first + a, "end_frame": first + b} for a, b in passes],
        "n_passes": len(passes),
        "n_strokes": count_strokes(depth),
        "hit": stay_s >= HIT_S - 1e-9,
        "longest_stay_s": round(stay_s, 4),
        "min_dist_edge_mm": round(min(edge), 3) if edge else None,
        "min_dist_centre_mm": round(min(centre), 3) if centre else None,
        "blind_advance_net_mm": round(
            sum(_new_depth(depth[a : b + 1], blind[a : b + 1]) for a, b in passes), 3
        ),
    }


def _longest_stay(frames: Sequence[FrameTruth]) -> int:
    """Longest run of frames with the tip inside the target, or some of a core needle's notch."""
    longest = run = 0
    for frame in frames:
        inside = frame.edge_mm is not None and frame.edge_mm < 0
        if frame.notch_in_target_mm is not None:
            inside = frame.notch_in_target_mm > 0
        run = run + 1 if inside else 0
        longest = max(longest, run)
    return longest


def _new_depth(depth_mm: Floats, blind: npt.NDArray[np.bool_]) -> float:
    deepest = np.maximum.accumulate(depth_mm)
    return float(np.diff(deepest)[blind[1:]].sum())


def find_passes(depth_mm: Floats) -> list[tuple[int, int]]:
    """First and last frame of each pass in one attempt's tip depth along the shaft, shape (n,), mm."""
    passes: list[tuple[int, int]] = []
    start = deepest = 0
    shallowest: int | None = None
    for at, depth in enumerate(depth_mm):
        if shallowest is None:
            if depth > depth_mm[deepest]:
                deepest = at
            elif depth_mm[deepest] - depth >= WITHDRAWAL_MM:
                if depth_mm[deepest] - depth_mm[start] >= PASS_MM:
                    passes.append((start, at - 1))
                shallowest = at
        elif depth <= depth_mm[shallowest]:
            shallowest = at
        elif depth - depth_mm[shallowest] >= PASS_MM:
            start, deepest, shallowest = shallowest, at, None
    if shallowest is None and depth_mm[deepest] - depth_mm[start] >= PASS_MM:
        passes.append((start, len(depth_mm) - 1))
    return passes


def count_strokes(depth_mm: Floats) -> int:
    """Number of to-and-fro movements of 1.5 to under 5 mm: back, and as far forward again or further."""
    turns = [float(depth_mm[0])]
    rising = True
    extreme = float(depth_mm[0])
    for depth in map(float, depth_mm):
        if (depth > extreme) if rising else (depth < extreme):
            extreme = depth
        elif abs(depth - extreme) >= STROKE_MM:
            turns.append(extreme)
            rising, extreme = not rising, depth
    turns.append(extreme)
    # turns = start, high, low, high, ... : a stroke is a fall from high to low and the rise after it.
    strokes = 0
    for high, low, after in zip(turns[1::2], turns[2::2], turns[3::2], strict=False):
        strokes += STROKE_MM <= high - low < WITHDRAWAL_MM and after - low >= STROKE_MM
    return strokes
