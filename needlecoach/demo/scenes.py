"""Recordings of the demonstration that are simulated in full: the scenes, and what is marked of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from needlecoach.demo.cast import TARGETS, GelTarget
from needlecoach.phantoms.beams import BeamGrid
from needlecoach.phantoms.practice import Aim, Stop, aim_at, way
from needlecoach.phantoms.scene import (
    Display,
    DriftKey,
    Gas,
    Key,
    Layer,
    NeedleLook,
    Probe,
    Scene,
    Specks,
    TargetBody,
)

PROBE = Probe(depth_mm=42, width_mm=38, persistence=0.3)
DISPLAY = Display(mm_per_px=0.118, lines=("INVENTED", "simulated gel", "depth 42 mm"))
ANGLE_DEG = 38.0
LOOK_S = 0.8
# Mean speeds of the needle on its way in and out, mm/s.
IN_MM_S, OUT_MM_S = 10.0, 20.0


@dataclass(frozen=True)
class Shown:
    """A recording to be simulated: whose, of what, and what happens in it."""

    learner: str
    target: GelTarget
    happens: str
    scene: Scene
    seed: int

    @property
    def name(self) -> str:
        """Name of its file, without ending."""
        return f"{self.learner}_invented"


def shown_recordings(*, quick: bool = False) -> tuple[Shown, ...]:
    """Return what is simulated: a hit, a blind advance, a miss, a correction; the first alone if `quick`."""
    deep, shallow = (
        next(one for one in TARGETS if one.name == name) for name in ("deep grape", "shallow grape")
    )
    stories: tuple[tuple[str, GelTarget, str, Callable[[Aim], list[Stop]]], ...] = (
        ("L04", deep, "one calm pass into the middle", _straight_in),
        ("L07", deep, "pushed on while the tip was out of the plane", _blind),
        ("L03", shallow, "stopped short of the target", _short),
        ("L02", deep, "too steep, drawn back, turned, and in", _corrected),
    )
    return tuple(
        _shown(*story, seed=900 + number)
        for number, story in enumerate(stories[:1] if quick else stories, start=1)
    )


def _shown(
    learner: str, target: GelTarget, happens: str, stops: Callable[[Aim], list[Stop]], *, seed: int
) -> Shown:
    body = TargetBody((4.0, target.depth_mm), (target.width_mm / 2, target.width_mm / 2))
    aim = aim_at(body.centre_mm, BeamGrid(PROBE, DISPLAY), angle_deg=ANGLE_DEG)
    motion = _in_and_out(stops(aim))
    scene = Scene(
        duration_s=motion[-1].time_s + LOOK_S,
        probe=PROBE,
        display=DISPLAY,
        target=body,
        things=(Layer(37, 0.8), Gas((14, 12)), Specks(30)),
        needle=NeedleLook(aim.entry_mm),
        motion=motion,
        drift=(DriftKey(0), DriftKey(motion[-1].time_s, 0.5, 0.1, 0.2)),
        push_mm=0.5,
    )
    return Shown(learner, target, happens, scene, seed)


def _in_and_out(stops: list[Stop]) -> tuple[Key, ...]:
    start = Stop(-1.0, angle_deg=stops[0].angle_deg)
    keys = way([start, *stops], angle_deg=ANGLE_DEG, start_s=LOOK_S, speed_mm_s=IN_MM_S)
    last = keys[-1]
    out_s = (last.insertion_mm + 1.0) / OUT_MM_S
    return (*keys, Key(last.time_s + out_s, -1.0, last.angle_deg))


def _straight_in(aim: Aim) -> list[Stop]:
    return [Stop(0.45 * aim.reach_mm, 0.4), Stop(aim.reach_mm, 1.6)]


def _blind(aim: Aim) -> list[Stop]:
    """Out of the plane for a third of the way, found again when held still, then into the target."""
    reach = aim.reach_mm
    return [
        Stop(0.4 * reach, 0.6),
        Stop(0.42 * reach, tip_out_mm=4.5, entry_out_mm=0.4),
        Stop(0.72 * reach, tip_out_mm=4.5, entry_out_mm=0.4),
        Stop(0.72 * reach + 0.1, 0.8),
        Stop(reach, 1.2),
    ]


def _short(aim: Aim) -> list[Stop]:
    return [Stop(0.5 * aim.reach_mm, 1.4, ANGLE_DEG - 4), Stop(aim.reach_mm - 7.0, 2.2, ANGLE_DEG - 4)]


def _corrected(aim: Aim) -> list[Stop]:
    reach = aim.reach_mm
    return [
        Stop(reach - 3, 0.6, ANGLE_DEG + 9),
        Stop(reach - 16, 0.4),
        Stop(reach - 16, 0.3, ANGLE_DEG),
        Stop(reach, 1.4),
    ]
