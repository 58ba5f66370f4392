"""Make the sample recordings: python -m needlecoach.phantoms.sample DIR."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from needlecoach.phantoms.beams import BeamGrid
from needlecoach.phantoms.core import Notch, Shot
from needlecoach.phantoms.practice import Aim, aim_at
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
    Tube,
)
from needlecoach.phantoms.simulate import marks_record, write_clip

LINEAR = Probe(depth_mm=42, width_mm=38, persistence=0.3)
CURVED = Probe(
    "curved",
    4.0,
    80,
    radius_mm=52,
    half_angle_deg=32,
    focus_mm=42,
    slice_mm=2.2,
    noise_per_cm_db=2.5,
    persistence=0.3,
)


@dataclass(frozen=True)
class Sample:
    """A sample recording: its scene, seed, learner and a line about it."""

    scene: Scene
    seed: int
    learner: str
    notes: str


def _aim(scene_display: Display, probe: Probe, target: TargetBody, angle_deg: float, side: str) -> Aim:
    return aim_at(
        target.centre_mm,
        BeamGrid(probe, scene_display),
        angle_deg=angle_deg,
        side="left" if side == "left" else "right",
    )


def clean_hit() -> Sample:
    """One pass from the left into a fluid target, 1.5 s inside, out."""
    display = Display(mm_per_px=0.118, lines=("GEL BLOCK A", "linear 7.5 MHz", "depth 42 mm"))
    target = TargetBody((5.0, 23.0), (4.0, 4.0))
    aim = _aim(display, LINEAR, target, 36, "left")
    d = aim.reach_mm
    motion = (
        Key(1.0, -1, 36), Key(2.2, 11, 36), Key(2.6, 11, 36.5), Key(4.6, d, 36), Key(6.1, d, 36),
        Key(7.6, -1, 36),
    )  # fmt: skip
    scene = Scene(
        8.4, 20, LINEAR, display, target, (Layer(33, 1.2), Gas((14, 11)), Specks(25)),
        NeedleLook(aim.entry_mm, "left"), motion, (DriftKey(0), DriftKey(8.4, -0.6, 0.2, 0.3)), push_mm=0.8,
    )  # fmt: skip
    return Sample(scene, 101, "L01", "One pass from the left into the fluid target.")


def miss_with_redirection() -> Sample:
    """From the right at a solid target: too steep, back, turned 20 degrees, and past its upper rim."""
    display = Display(mm_per_px=0.12, wedge="right", ruler="left", lines=("GEL BLOCK B", "linear 7.5 MHz"))
    target = TargetBody((-4.0, 24.0), (4.2, 3.4), tilt_deg=10, kind="solid", level_db=-9, wall_db=22)
    aim = _aim(display, LINEAR, target, 44, "right")
    d, first, second = aim.reach_mm, 56.0, 36.0
    motion = (
        Key(0.8, -1, first), Key(2.8, d - 4, first), Key(3.4, d - 4, first), Key(4.4, d - 17, first),
        Key(5.0, d - 17, second), Key(6.6, d - 2, second), Key(7.4, d - 2, second), Key(8.8, -1, second),
    )  # fmt: skip
    things = (Tube((6, 37), 15, -6), Layer(31, -1.0), Specks(35))
    look = NeedleLook(aim.entry_mm, "right", shaft_db=38, bend_mm=0.25)
    scene = Scene(
        9.4,
        20,
        LINEAR,
        display,
        target,
        things,
        look,
        motion,
        (DriftKey(0), DriftKey(9.4, 0.7, -0.2, 0.2)),
        push_mm=0.5,
    )
    return Sample(scene, 202, "L02", "Two passes from the right, turned between them; the target is missed.")


def blind_advance() -> Sample:
    """The tip is out of the plane for over 12 mm of its way, then hits; a tube lies nearly parallel."""
    display = Display(mm_per_px=0.118, wedge="right", lines=("GEL BLOCK C", "gain 52", "depth 42 mm"))
    target = TargetBody((6.0, 25.0), (4.0, 4.0))
    aim = _aim(display, LINEAR, target, 40, "left")
    d = aim.reach_mm
    motion = (
        Key(0.8, -1, 40), Key(2.4, 17, 40), Key(2.8, 17, 40), Key(3.3, 17.5, 40, 4.5, 0.6),
        Key(4.8, d - 6, 40, 4.5, 0.6), Key(5.4, d - 6, 40), Key(5.9, d - 6, 40), Key(6.6, d, 40),
        Key(7.4, d, 40), Key(8.6, -1, 40),
    )  # fmt: skip
    things = (Tube((-9, 33), 17, 24, 2.2), Layer(38, 0.6), Specks(25))
    look = NeedleLook(aim.entry_mm, "left", shaft_db=37, trail_db=17)
    scene = Scene(
        9.2,
        20,
        LINEAR,
        display,
        target,
        things,
        look,
        motion,
        (DriftKey(0), DriftKey(9.2, 0.4, 0.2, 0.3)),
        push_mm=0.6,
    )
    return Sample(scene, 303, "L01", "The tip is out of the plane for part of the way, then hits.")


def trail_trap() -> Sample:
    """A trail brighter than the needle stays when it is drawn back; a second pass at another angle hits."""
    display = Display(mm_per_px=0.12, lines=("GEL BLOCK D", "linear 7.5 MHz"))
    target = TargetBody((4.0, 22.0), (3.8, 3.8), kind="ring", wall_db=22)
    aim = _aim(display, LINEAR, target, 35, "left")
    d = aim.reach_mm
    motion = (
        Key(0.7, -1, 43), Key(2.5, d - 1, 43), Key(3.0, d - 1, 43), Key(4.2, 10, 43), Key(5.0, 10, 35),
        Key(6.6, d, 35), Key(7.4, d, 35), Key(8.6, -1, 35),
    )  # fmt: skip
    things = (Gas((13, 13), 3.4), Layer(34, -0.8), Specks(25))
    look = NeedleLook(aim.entry_mm, "left", shaft_db=34, tip_db=35, trail_db=26, trail_spacing_mm=0.7)
    scene = Scene(
        10.0,
        20,
        LINEAR,
        display,
        target,
        things,
        look,
        motion,
        (DriftKey(0), DriftKey(10, 0.5, 0.0, 0.2)),
        push_mm=0.5,
    )
    return Sample(scene, 404, "L02", "Two passes; the first leaves a bright trail of bubbles.")


def two_attempts_curved() -> Sample:
    """Curved probe: a first attempt falls short and is taken out; the second hits, with three strokes."""
    display = Display(mm_per_px=0.25, face_px=(300, 84), lines=("GEL BLOCK E", "curved 4 MHz", "depth 80 mm"))
    target = TargetBody((2.0, 40.0), (6.5, 6.0))
    aim = _aim(display, CURVED, target, 42, "right")
    d = aim.reach_mm
    motion = (
        Key(0.6, -1, 46), Key(2.2, d - 14, 46), Key(2.8, d - 14, 46), Key(4.0, -1, 46), Key(4.9, -1, 42),
        Key(7.0, d, 42), Key(7.4, d, 42), Key(7.8, d - 3.5, 42), Key(8.2, d, 42), Key(8.6, d - 3.5, 42),
        Key(9.0, d, 42), Key(9.4, d - 3.5, 42), Key(9.8, d, 42), Key(10.2, d, 42), Key(11.6, -1, 42),
    )  # fmt: skip
    things = (Tube((-14, 66), 28, 4, 3.5), Layer(58, 0.8, 15), Gas((-17, 26), 5.0), Specks(30))
    look = NeedleLook(
        aim.entry_mm, "right", shaft_db=38, tip_db=35, copy_spacing_mm=1.2, trail_spacing_mm=1.3
    )
    scene = Scene(
        12.2,
        18,
        CURVED,
        display,
        target,
        things,
        look,
        motion,
        (DriftKey(0), DriftKey(12.2, -0.8, 0.3, 0.3)),
        push_mm=1.2,
    )
    return Sample(scene, 505, "L03", "Two attempts on a curved picture; the second hits.")


def no_needle() -> Sample:
    """The probe slides over the block: tube, layer, gas and a target, and no needle."""
    display = Display(
        mm_per_px=0.125, wedge="right", ruler="left", lines=("GEL BLOCK F", "linear 7.5 MHz", "depth 42 mm")
    )
    target = TargetBody((7.0, 20.0), (4.5, 4.0))
    drift = (
        DriftKey(0.8, -2.5), DriftKey(3.6, 2.5, 0.3, 0.3), DriftKey(4.6, 2.5, 0.3, 0.3),
        DriftKey(6.0, 0.5, -0.2, 0.5), DriftKey(6.8, 0.5, -0.2, 0.5), DriftKey(8.2, 2.0, 0.0, 0.3),
    )  # fmt: skip
    things = (Tube((-11, 20), 22, 27, 2.2), Gas((14, 30), 3.0), Layer(34, 1.5), Specks(35))
    scene = Scene(8.6, 16, LINEAR, display, target, things, motion=(), drift=drift)
    return Sample(scene, 606, "L03", "No needle: the probe slides over the block.")


def core_fired() -> Sample:
    """A core needle held short of a solid target and fired: its notch ends up inside by a part only."""
    display = Display(mm_per_px=0.118, lines=("GEL BLOCK G", "linear 7.5 MHz", "depth 42 mm"))
    target = TargetBody((6.0, 25.0), (6.0, 5.5), kind="solid", level_db=-9, wall_db=22)
    aim = _aim(display, LINEAR, target, 36, "left")
    shot = Shot(4.42, "tip", 22.0)
    held = aim.reach_mm + 3.5 - shot.throw_mm
    motion = (
        Key(1.0, -1, 36), Key(2.6, held - 3, 36), Key(3.0, held - 3, 36), Key(3.6, held, 36),
        Key(6.0, held, 36), Key(7.8, -1 - shot.throw_mm, 36),
    )  # fmt: skip
    look = NeedleLook(aim.entry_mm, "left", notch=Notch())
    things = (Tube((-6, 36), 18, -4, 2.2), Layer(33, 1.0), Specks(25))
    drift = (DriftKey(0), DriftKey(8.6, 0.5, 0.2, 0.3))
    scene = Scene(8.6, 20, LINEAR, display, target, things, look, motion, drift, push_mm=0.4, shot=shot)
    return Sample(scene, 707, "L02", "A core needle fired from short of the target.")


SAMPLES: dict[str, Callable[[], Sample]] = {
    function.__name__: function
    for function in (
        clean_hit,
        miss_with_redirection,
        blind_advance,
        trail_trap,
        two_attempts_curved,
        no_needle,
        core_fired,
    )
}


def make_samples(folder: Path) -> None:
    """Write every sample as NAME.mp4, NAME.truth.json and NAME.marks.json; the folder is made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, build in SAMPLES.items():
        sample = build()
        write_clip(sample.scene, folder / f"{name}.mp4", seed=sample.seed)
        marks = marks_record(sample.scene, learner=sample.learner, notes=sample.notes)
        (folder / f"{name}.marks.json").write_text(json.dumps(marks, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m needlecoach.phantoms.sample DIR")
    make_samples(Path(sys.argv[1]))
