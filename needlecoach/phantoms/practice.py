"""Small ready-made scenes, so that a test can draw what it needs in one line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from needlecoach.phantoms.beams import BeamGrid
from needlecoach.phantoms.core import Notch, Part, Shot
from needlecoach.phantoms.scene import (
    Display,
    DriftKey,
    Gas,
    Key,
    Layer,
    NeedleLook,
    PointMm,
    Probe,
    Scene,
    TargetBody,
    Thing,
    Tube,
)

Kind = Literal["hit", "miss", "redirect", "blind", "strokes", "trail", "two_attempts", "none"]
Side = Literal["left", "right"]
OUTSIDE_MM = 3.0


@dataclass(frozen=True)
class Aim:
    """A straight way to a place in the picture: where the needle turns about, and how long it must be."""

    entry_mm: PointMm
    reach_mm: float
    angle_deg: float
    side: Side


def aim_at(place_mm: PointMm, grid: BeamGrid, *, angle_deg: float, side: Side = "left") -> Aim:
    """Find the entry, 3 mm outside the picture, from which a needle at `angle_deg` comes to `place_mm`."""
    turn, sign = np.radians(angle_deg), 1.0 if side == "left" else -1.0
    back = np.arange(0.0, 200.0, 0.05)
    x, z = place_mm[0] - sign * back * np.cos(turn), place_mm[1] - back * np.sin(turn)
    inside = np.array([grid.inside(*place) for place in zip(x, z, strict=True)])
    reach = float(back[int(np.argmin(inside))]) + OUTSIDE_MM
    return Aim(
        (float(place_mm[0] - sign * reach * np.cos(turn)), float(place_mm[1] - reach * np.sin(turn))),
        reach,
        angle_deg,
        side,
    )


def practice_scene(
    kind: Kind = "hit",
    *,
    probe: Literal["linear", "curved"] = "linear",
    side: Side = "left",
    angle_deg: float = 40.0,
    target: Literal["fluid", "solid", "ring"] = "fluid",
    trail_db: float | None = 20.0,
    traps: bool = False,
) -> Scene:
    """Return a small scene (about 6 s, 20 frames a second) in which a needle does what `kind` says.

    Parameters
    ----------
    kind
        "hit": one pass into the middle, 1 s there, out. "miss": stops 10 mm before the middle. "redirect": a
        pass 7 degrees too steep, back 14 mm, then into the middle. "blind": the tip is out of the plane for a
        third of the way. "strokes": hit with three to-and-fro of 3 mm. "trail": in, out for over 1 s, a trail
        left. "two_attempts": a short one, then a hit. "none": no needle.
    angle_deg
        Angle to the horizontal, 10-80.
    trail_db
        Brightness of the bubble trail over speckle, None for no trail.
    traps
        True adds a tube, gas and a layer line, and lets the picture drift.
    """
    scanner = Probe(depth_mm=36, width_mm=36) if probe == "linear" else _curved_probe()
    if probe == "linear":
        display = Display(420, 400, 0.12, (205, 50), lines=("PRACTICE",))
    else:
        display = Display(560, 400, 0.28, (275, 80), lines=("PRACTICE",))
    grid = BeamGrid(scanner, display)
    body = TargetBody(_target_place(grid, angle_deg, side), _target_axes(scanner), kind=target)
    aim = aim_at(body.centre_mm, grid, angle_deg=angle_deg, side=side)
    motion = () if kind == "none" else motion_for(kind, aim)
    scene = Scene(
        duration_s=motion[-1].time_s + 0.8 if motion else 4.0,
        probe=scanner,
        display=display,
        target=body,
        needle=NeedleLook(entry_mm=aim.entry_mm, side=side, trail_db=trail_db),
        motion=motion,
    )
    if not traps:
        return scene
    drift = (DriftKey(0), DriftKey(scene.duration_s, 1.0, 0.4, 0.4))
    return replace(scene, things=_traps(scanner, side), drift=drift, push_mm=0.6)


def core_scene(
    part: Part | None,
    *,
    side: Side = "left",
    angle_deg: float = 35.0,
    fps: float = 25.0,
    notch: Notch | None = None,
    throw_mm: float = 22.0,
    trail_db: float | None = 20.0,
) -> Scene:
    """Return a scene of some 5 s with one pass of a core needle whose firing brings the notch to the target.

    Parameters
    ----------
    part
        "tip": held short of the target and thrown through it. "sheath": held there, its inner needle pushed
        on by hand and the sheath fired over it. None: as "tip" to where that is held, and out unfired.
    """
    notch = notch or Notch()
    scanner, display = Probe(depth_mm=36, width_mm=38), Display(440, 400, 0.12, (215, 50), lines=("CORE",))
    sign = 1.0 if side == "left" else -1.0
    body = TargetBody((sign * -3.0, 15.0), (4.0, 3.5))
    aim = aim_at(body.centre_mm, BeamGrid(scanner, display), angle_deg=angle_deg, side=side)
    fired_mm = aim.reach_mm + notch.dead_space_mm + notch.length_mm / 2
    held_mm = fired_mm - throw_mm
    stops = [Stop(-1.0), Stop(held_mm, 0.6)]
    stops += [Stop(fired_mm, 0.5)] if part == "sheath" else []
    keys = way(stops, angle_deg=angle_deg)
    # Seven hundredths of a second before the rest would be over: never on a frame of a usual rate.
    shot = None if part is None else Shot(keys[-1].time_s - 0.07, part, throw_mm, 0.04, keys[2].time_s)
    out_mm = -1.0 - (throw_mm if part == "tip" else 0.0)
    rest, out_s = Key(keys[-1].time_s + 0.8, keys[-1].insertion_mm, angle_deg), fired_mm / 20
    return Scene(
        duration_s=rest.time_s + out_s + 0.8,
        fps=fps,
        probe=scanner,
        display=display,
        target=body,
        needle=NeedleLook(entry_mm=aim.entry_mm, side=side, trail_db=trail_db, notch=notch),
        motion=(*keys, rest, Key(rest.time_s + out_s, out_mm, angle_deg)),
        shot=shot,
    )


@dataclass(frozen=True)
class Stop:
    """Where the needle is brought and how long it rests there; `angle_deg` None keeps the angle before."""

    insertion_mm: float
    rest_s: float = 0.0
    angle_deg: float | None = None
    tip_out_mm: float = 0.0
    entry_out_mm: float = 0.0
    entry_x_mm: float = 0.0
    entry_z_mm: float = 0.0

    def key(self, time_s: float, angle_deg: float) -> Key:
        """Return the stop as a key at a time."""
        places = (self.tip_out_mm, self.entry_out_mm, self.entry_x_mm, self.entry_z_mm)
        return Key(time_s, self.insertion_mm, angle_deg, *places)


def way(
    stops: Sequence[Stop], *, angle_deg: float, start_s: float = 0.5, speed_mm_s: float = 16.0
) -> tuple[Key, ...]:
    """Return the keys of a needle brought from stop to stop, at a mean speed; the first is its start."""
    keys = [stops[0].key(start_s, stops[0].angle_deg or angle_deg)]
    for stop in stops[1:]:
        turned = keys[-1].angle_deg if stop.angle_deg is None else stop.angle_deg
        took_s = max(abs(stop.insertion_mm - keys[-1].insertion_mm) / speed_mm_s, 0.3)
        keys.append(stop.key(keys[-1].time_s + took_s, turned))
        if stop.rest_s:
            keys.append(stop.key(keys[-1].time_s + stop.rest_s, turned))
    return tuple(keys)


def aim_of(scene: Scene) -> Aim:
    """Return the straight way to the middle of a scene's target from where its needle turns about."""
    if scene.target is None:
        raise ValueError("A scene without a target has no aim.")
    (x, z), (entry_x, entry_z) = scene.target.centre_mm, scene.needle.entry_mm
    run, fall = abs(x - entry_x), z - entry_z
    angle_deg = float(np.degrees(np.arctan2(fall, run)))
    return Aim((entry_x, entry_z), float(np.hypot(run, fall)), angle_deg, scene.needle.side)


def motion_for(kind: Kind, aim: Aim, *, start_s: float = 0.5, speed_mm_s: float = 16.0) -> tuple[Key, ...]:
    """Return the keys of one of the practice motions along an aim, at a mean speed."""
    reach, angle = aim.reach_mm, aim.angle_deg
    ways: dict[str, list[Stop]] = {
        "hit": [Stop(reach, 1.0)],
        "miss": [Stop(reach - 10, 0.8)],
        "redirect": [Stop(reach, 0.4, angle + 7), Stop(reach - 14, 0.2, angle), Stop(reach, 0.8)],
        "blind": [Stop(0.4 * reach, 0.1), Stop(0.75 * reach, 0.3, tip_out_mm=4.5), Stop(reach, 0.8)],
        "strokes": [Stop(reach, 0.3), *[Stop(reach - 3 * (n % 2 == 0)) for n in range(6)]],
        "trail": [Stop(reach, 0.5), Stop(-1.0, 1.0)],
        "two_attempts": [Stop(0.6 * reach, 0.4), Stop(-1.0, 0.6), Stop(reach, 0.8)],
        "none": [],
    }
    stops = ways[kind]
    start = Stop(-1.0, angle_deg=stops[0].angle_deg if stops else None)
    keys = way([start, *stops], angle_deg=angle, start_s=start_s, speed_mm_s=speed_mm_s)
    if keys[-1].insertion_mm > 0:
        keys = (*keys, Key(keys[-1].time_s + reach / (1.5 * speed_mm_s), -1.0, keys[-1].angle_deg))
    return keys


def _curved_probe() -> Probe:
    return Probe(
        "curved", frequency_mhz=4.0, depth_mm=75, radius_mm=50, half_angle_deg=33, focus_mm=40, slice_mm=2.0
    )


def _target_place(grid: BeamGrid, angle_deg: float, side: Side) -> PointMm:
    """Put the target where a needle at this angle comes from a side edge or a top corner."""
    probe = grid.probe
    depth = 0.55 * probe.depth_mm
    sign = 1.0 if side == "left" else -1.0
    if probe.kind == "curved":
        return (sign * (angle_deg - 45) * 0.1 * -1, depth)
    run = float(np.clip(0.9 * depth / np.tan(np.radians(angle_deg)), 6.0, 0.62 * probe.width_mm))
    return (sign * (run - probe.width_mm / 2), depth)


def _target_axes(probe: Probe) -> PointMm:
    return (3.5, 3.5) if probe.kind == "linear" else (6.0, 6.0)


def _traps(probe: Probe, side: Side) -> tuple[Thing, ...]:
    sign = 1.0 if side == "left" else -1.0
    wide = probe.width_mm if probe.kind == "linear" else 60.0
    deep = probe.depth_mm
    return (
        Tube((sign * 0.1 * wide, 0.88 * deep), 0.4 * wide, angle_deg=sign * 5),
        Gas((sign * 0.36 * wide, 0.3 * deep)),
        Layer(0.78 * deep, tilt_deg=1.0),
    )
