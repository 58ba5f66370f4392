"""Ways for a needle through the picture to a target, at 20 to 60 degrees from both sides, best first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from needlecoach.model import FloatArray, GasSpot, NeedlePath, Point, Region, Scale, Side, Sound, Target
from needlecoach.screen.sound import true_points_px, true_region, true_target

ANGLES_DEG = tuple(range(20, 65, 5))
# A needle held by hand keeps to its way no better than this (common practice, no source).
ROOM_MM = 1.5
# Needles show best below 30 degrees to the skin, and worse the steeper they go (Schafhalter-Zoppoth et al.,
# Reg Anesth Pain Med 2004); the second bound is ours.
SHALLOW_DEG, STEEP_DEG = 30.0, 45.0
# More room than this makes no way better.
_AMPLE_MM, _STEP_MM = 5.0, 0.25


@dataclass(frozen=True, eq=False)
class Obstacle:
    """What a needle should not cross: its name in words and its outline (n, 2) in px of the frame."""

    words: str
    outline_px: FloatArray


def obstacles_of(gas: Sequence[GasSpot], others: Sequence[tuple[str, Target]]) -> list[Obstacle]:
    """Gas, the shadows in which no needle shows, and the targets that are not meant."""
    found = [Obstacle("gas", spot.outline_px) for spot in gas]
    found += [Obstacle("a gas shadow, in which a needle can't be seen", spot.shadow_px) for spot in gas]
    return found + [Obstacle(name, target.outline_px) for name, target in others]


@dataclass(frozen=True, eq=False)
class Ground:
    """Geometry in which ways are laid: px of the frame become true mm and come back."""

    region: Region
    scale: Scale
    sound: Sound | None

    def true_px(self, points_px: FloatArray) -> FloatArray:
        return points_px if self.sound is None else true_points_px(points_px, self.region, self.sound)

    def mm(self, points_px: FloatArray) -> FloatArray:
        return self.scale.to_mm(self.true_px(points_px))

    def shown_px(self, points_mm: FloatArray) -> Point:
        """Where the frame shows a true place."""
        place = np.asarray(points_mm) / (self.scale.x_mm_per_px, self.scale.y_mm_per_px)
        if self.sound is not None:
            back = Sound(1540.0**2 / self.sound.speed_m_s, 0.0, "")
            place = true_points_px(place, self.region, back)
        return float(place[0]), float(place[1])

    @property
    def true(self) -> Region:
        return self.region if self.sound is None else true_region(self.region, self.sound)

    def true_target(self, target: Target) -> Target:
        return target if self.sound is None else true_target(target, self.region, self.sound)

    def depth_mm(self, target: Target) -> float:
        """True depth of a target's centre below the probe's face."""
        return float(self.true.depth_px(self.true_target(target).centre_px) * self.scale.y_mm_per_px)


def paths_to(target: Target, obstacles: Sequence[Obstacle], ground: Ground) -> tuple[NeedlePath, ...]:
    """Ways to a target's centre at 20 to 60 degrees from both sides, best first, blocked ones last.

    Parameters
    ----------
    target : marked on the frame that the obstacles are of
    obstacles : gas, shadows and other targets on that frame
    ground : the picture's region and scale, and the speed of sound where it is known: angles are then true
    ones

    Notes
    -----
    Clear ways beside the probe go before those that need it slid, shallow ones before steep ones (they show
    better), then those with more room. Only what this picture's plane shows is known; what lies beside the
    picture, or shallower than where it begins, is not.
    """
    sides: tuple[Side, Side] = ("left", "right")
    found = [_path(target, side, angle, obstacles, ground) for side in sides for angle in ANGLES_DEG]
    return tuple(sorted(found, key=_rank))


def _rank(path: NeedlePath) -> tuple[bool, bool, int, float, float]:
    steepness = int(path.angle_deg > SHALLOW_DEG) + int(path.angle_deg > STEEP_DEG)
    return (
        bool(path.blocked_by),
        path.slide_mm > 0,
        steepness,
        -round(min(path.room_mm, _AMPLE_MM), 1),
        path.angle_deg,
    )


def _path(
    target: Target, side: Side, angle_deg: float, obstacles: Sequence[Obstacle], ground: Ground
) -> NeedlePath:
    centre = ground.mm(np.asarray(target.centre_px))
    turn = np.radians(angle_deg)
    back = np.array([-np.cos(turn) if side == "left" else np.cos(turn), -np.sin(turn)])
    way = _way_mm(centre, back, ground)
    room, blocked = np.inf, ""
    outside = way[~_within(way, ground.mm(target.outline_px))]
    for obstacle in obstacles:
        near = _room_mm(outside, ground.mm(obstacle.outline_px))
        if near < room:
            room, blocked = near, obstacle.words if near < ROOM_MM else ""
    return NeedlePath(
        side=side,
        angle_deg=angle_deg,
        start_px=ground.shown_px(way[-1]),
        end_px=ground.shown_px(way[0]),
        length_mm=float(np.hypot(*(way[-1] - way[0]))),
        room_mm=float(room),
        slide_mm=_slide_mm(way[-1], side, ground),
        blocked_by=blocked,
    )


def _way_mm(centre_mm: FloatArray, back: FloatArray, ground: Ground) -> FloatArray:
    """Places (n, 2) from a target's centre back to where the way leaves the picture."""
    region, scale = ground.true, ground.scale
    reach = float(np.hypot(*scale.to_mm(region.box_px[2:])))
    places = centre_mm + np.arange(0, reach, _STEP_MM)[:, None] * back
    inside = region.contains(places / (scale.x_mm_per_px, scale.y_mm_per_px))
    last = int(np.argmin(inside)) if not inside.all() else len(places)
    return np.asarray(places[: max(last, 1)])


def _slide_mm(start_mm: FloatArray, side: Side, ground: Ground) -> float:
    """How far the probe must be slid for a way that begins under its face, 0 if beside it."""
    region, scale = ground.true, ground.scale
    start_px = start_mm / (scale.x_mm_per_px, scale.y_mm_per_px)
    if region.depth_px(start_px) * scale.y_mm_per_px > 2 * _STEP_MM:
        return 0.0
    if region.apex_px is None:
        edge = region.box_px[0] if side == "left" else region.box_px[0] + region.box_px[2] - 1
    else:
        reach = region.r_min_px * np.sin(np.radians(region.half_angle_deg))
        edge = region.apex_px[0] + (-reach if side == "left" else reach)
    return float(abs(start_px[0] - edge) * scale.x_mm_per_px)


def _within(places: FloatArray, outline: FloatArray) -> np.ndarray:
    polygon = outline.astype(np.float32).reshape(-1, 1, 2)
    return np.array([cv2.pointPolygonTest(polygon, (float(x), float(y)), False) >= 0 for x, y in places])


def _room_mm(places: FloatArray, outline: FloatArray) -> float:
    """Least distance of places to an outline in mm, negative inside; infinite without places."""
    polygon = outline.astype(np.float32).reshape(-1, 1, 2)
    return min(
        (-cv2.pointPolygonTest(polygon, (float(x), float(y)), True) for x, y in places), default=np.inf
    )
