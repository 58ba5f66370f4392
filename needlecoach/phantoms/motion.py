"""Where needle, target and gel are at each moment of a scene: exact, before anything is drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from needlecoach.phantoms.beams import BeamGrid, Floats
from needlecoach.phantoms.core import bare_mm
from needlecoach.phantoms.scene import DriftKey, Key, PointMm, Scene


@dataclass(frozen=True)
class Pose:
    """The needle at one moment, in the picture; `depth_mm` is the insertion, `steady_mm` without tremor.

    `bare_mm` of its notch, if it has one, are not covered by a sheath.
    """

    entry_mm: PointMm
    tip_mm: PointMm
    angle_deg: float
    depth_mm: float
    steady_mm: float
    entry_out_mm: float
    tip_out_mm: float
    inside: bool
    bare_mm: float = 0.0

    @property
    def direction(self) -> PointMm:
        """Unit vector from the entry to the tip."""
        dx, dz = self.tip_mm[0] - self.entry_mm[0], self.tip_mm[1] - self.entry_mm[1]
        length = max(float(np.hypot(dx, dz)), 1e-9)
        return dx / length, dz / length


@dataclass(frozen=True)
class Dent:
    """A smooth local shift of the gel: `shift_mm` at `centre_mm`, dying away over `reach_mm`."""

    centre_mm: PointMm
    shift_mm: PointMm
    reach_mm: float


@dataclass(frozen=True)
class Moment:
    """Everything that differs from frame to frame, but for noise."""

    time_s: float
    pose: Pose | None
    drift_mm: PointMm
    slide_mm: float
    target_mm: PointMm | None
    dents: tuple[Dent, ...]
    turn_deg: float = 0.0
    fan_deg: float = 0.0
    gain_db: float = 0.0


def _smooth(time_s: float, keys: tuple[Key, ...] | tuple[DriftKey, ...], name: str) -> float:
    """Minimum-jerk path through the keys, at rest in each (Flash & Hogan 1985, from memory)."""
    times = [key.time_s for key in keys]
    values = [getattr(key, name) for key in keys]
    if time_s <= times[0]:
        return float(values[0])
    if time_s >= times[-1]:
        return float(values[-1])
    at = int(np.searchsorted(times, time_s, side="right")) - 1
    share = (time_s - times[at]) / (times[at + 1] - times[at])
    return float(values[at] + (values[at + 1] - values[at]) * share**3 * (10 - 15 * share + 6 * share**2))


def drift_at(scene: Scene, time_s: float) -> tuple[float, float, float]:
    """Shift of the gel in the picture along x and z, and across the plane, mm."""
    keys = scene.drift
    if not keys:
        return 0.0, 0.0, 0.0
    return _smooth(time_s, keys, "x_mm"), _smooth(time_s, keys, "z_mm"), _smooth(time_s, keys, "out_mm")


def tilt_at(scene: Scene, time_s: float) -> tuple[float, float]:
    """Turn of the gel within the picture's plane and the plane's own tilt across, degrees."""
    if not scene.drift:
        return 0.0, 0.0
    return _smooth(time_s, scene.drift, "turn_deg"), _smooth(time_s, scene.drift, "fan_deg")


def place_at(scene: Scene, place_mm: PointMm, time_s: float) -> PointMm:
    """Where a place of the gel at rest is seen in the picture at a moment, dents left out."""
    (dx, dz, _), (turn_deg, _) = drift_at(scene, time_s), tilt_at(scene, time_s)
    x, z = place_mm if turn_deg == 0 else turned(place_mm, turn_deg)
    return x + dx, z + dz


def turned(place_mm: PointMm, turn_deg: float) -> PointMm:
    """Turn a place about the middle of the probe face, +x towards +z."""
    turn = np.radians(turn_deg)
    x, z = place_mm
    return float(x * np.cos(turn) - z * np.sin(turn)), float(x * np.sin(turn) + z * np.cos(turn))


def gain_at(scene: Scene, time_s: float) -> float:
    """Gain of the machine over that at the start, dB."""
    return next((step.gain_db for step in reversed(scene.gain) if step.time_s <= time_s), 0.0)


class Choreography:
    """A scene's motion, sampled frame by frame; the seed decides tremor and wander only."""

    def __init__(self, scene: Scene, grid: BeamGrid, rng: np.random.Generator) -> None:
        self.scene, self.grid = scene, grid
        rates = np.concatenate([rng.uniform(6, 11, 3), rng.uniform(0.3, 0.9, 2)])
        self._rates = np.tile(rates, (3, 1)) * rng.uniform(0.95, 1.05, (3, 5))
        self._phases = rng.uniform(0, 2 * np.pi, (3, 5))

    def _shake(self, time_s: float, axis: int) -> float:
        if self.scene.tremor_hz is not None:
            turns = 2 * np.pi * self.scene.tremor_hz * time_s + self._phases[axis, 0]
            return float(self.scene.tremor_mm * np.sqrt(2) * np.sin(turns))
        weights = np.array([1.0, 1.0, 1.0, 0.9, 0.9]) * np.sqrt(2 / 4.62)
        turns = 2 * np.pi * self._rates[axis] * time_s + self._phases[axis]
        return float(self.scene.tremor_mm * (weights * np.sin(turns)).sum())

    def _steady_mm(self, time_s: float) -> float:
        """Insertion by the keys and the firing, without tremor."""
        thrown = 0.0 if self.scene.shot is None else self.scene.shot.thrown_mm(time_s)
        return _smooth(time_s, self.scene.motion, "insertion_mm") + thrown

    def _bare_mm(self, time_s: float) -> float:
        """How much of the notch no sheath covers."""
        notch, shot = self.scene.needle.notch, self.scene.shot
        pushed = 0.0 if shot is None else self._steady_mm(time_s) - self._steady_mm(shot.bare_from_s)
        return bare_mm(notch, shot, pushed, time_s)

    def pose(self, time_s: float) -> Pose | None:
        """Return the needle's pose, None while it is out of the gel."""
        keys = self.scene.motion
        if not keys:
            return None
        steady = self._steady_mm(time_s)
        if steady <= 0:
            return None
        calm = min(steady / 5.0, 1.0)
        depth = steady + calm * self._shake(time_s, 0)
        angle = _smooth(time_s, keys, "angle_deg") + np.degrees(
            calm * self._shake(time_s, 1) / max(steady, 8.0)
        )
        rest = self.scene.needle.entry_mm
        rest = (rest[0] + _smooth(time_s, keys, "entry_x_mm"), rest[1] + _smooth(time_s, keys, "entry_z_mm"))
        entry = place_at(self.scene, rest, time_s)
        sign = 1.0 if self.scene.needle.side == "left" else -1.0
        rock_deg, fan_deg = tilt_at(self.scene, time_s)
        angle += sign * rock_deg
        turn = np.radians(angle)
        tip = (entry[0] + sign * depth * float(np.cos(turn)), entry[1] + depth * float(np.sin(turn)))
        entry_out, tip_out = _smooth(time_s, keys, "entry_out_mm"), _smooth(time_s, keys, "tip_out_mm")
        tip_out += calm * self._shake(time_s, 2)
        # The plane hinges at the probe face, so it moves away from what lies deep.
        fan = float(np.tan(np.radians(fan_deg)))
        entry_out, tip_out = entry_out + fan * entry[1], tip_out + fan * tip[1]
        inside, bare = self.grid.inside(*tip), self._bare_mm(time_s)
        return Pose(entry, tip, float(angle), depth, steady, entry_out, tip_out, inside, bare)

    def moments(self) -> list[Moment]:
        """Return all moments of the scene in order."""
        out: list[Moment] = []
        stick, before = 0.0, 0.0
        for number in range(self.scene.n_frames):
            time_s = self.scene.shown_s(number)
            pose = self.pose(time_s)
            dx, dz, slide = drift_at(self.scene, time_s)
            tilt, gain_db = tilt_at(self.scene, time_s), gain_at(self.scene, time_s)
            travel = (pose.depth_mm if pose else 0.0) - before
            before += travel
            # Gel sticks to the needle until it has been pulled `drag_mm`, then slips.
            stick = float(np.clip(stick + travel, -self.scene.drag_mm, self.scene.drag_mm)) if pose else 0.0
            at = (
                None
                if self.scene.target is None
                else place_at(self.scene, self.scene.target.centre_mm, time_s)
            )
            push = self._push(pose, at)
            target = None if at is None else (at[0] + push[0], at[1] + push[1])
            dents = self._dents(pose, target, push, stick)
            out.append(Moment(time_s, pose, (dx, dz), slide, target, dents, *tilt, gain_db))
        return out

    def _push(self, pose: Pose | None, at_mm: PointMm | None) -> PointMm:
        """Shift of the target from `at_mm`: more as the tip nears the wall, less once it is through."""
        target = self.scene.target
        if pose is None or target is None or at_mm is None or self.scene.push_mm == 0:
            return 0.0, 0.0
        ux, uz = pose.direction
        dx, dz = at_mm[0] - pose.tip_mm[0], at_mm[1] - pose.tip_mm[1]
        radius = float(np.mean(target.semi_axes_mm))
        past_wall = radius - (dx * ux + dz * uz)
        aside = -dx * uz + dz * ux
        rise = np.clip((past_wall + 2.5) / 3.5, 0, 1)
        fall = 0.6 * np.clip((past_wall - 1.0) / 1.0, 0, 1)
        amount = self.scene.push_mm * (rise**2 * (3 - 2 * rise) - fall) * np.exp(-((aside / radius) ** 2))
        return float(amount * ux), float(amount * uz)

    def _dents(
        self, pose: Pose | None, pushed_mm: PointMm | None, push: PointMm, stick: float
    ) -> tuple[Dent, ...]:
        dents = []
        target = self.scene.target
        if target is not None and pushed_mm is not None and np.hypot(*push) > 1e-6:
            dents.append(Dent(pushed_mm, push, 1.6 * max(target.semi_axes_mm)))
        if pose is not None and abs(stick) > 1e-6:
            ux, uz = pose.direction
            dents.append(Dent(pose.tip_mm, (stick * ux, stick * uz), 2.5))
        return tuple(dents)


def shift_at(moment: Moment, x_mm: npt.ArrayLike, z_mm: npt.ArrayLike) -> tuple[Floats, Floats]:
    """How far the gel seen at places of the picture has moved from where it lay at rest, mm."""
    x, z = np.asarray(x_mm, float), np.asarray(z_mm, float)
    dx, dz = np.full(x.shape, moment.drift_mm[0]), np.full(z.shape, moment.drift_mm[1])
    if moment.turn_deg:
        turn, u, v = np.radians(moment.turn_deg), x - moment.drift_mm[0], z - moment.drift_mm[1]
        dx, dz = x - (u * np.cos(turn) + v * np.sin(turn)), z - (v * np.cos(turn) - u * np.sin(turn))
    for dent in moment.dents:
        away = (x - dent.centre_mm[0]) ** 2 + (z - dent.centre_mm[1]) ** 2
        share = np.exp(-0.5 * away / dent.reach_mm**2)
        dx, dz = dx + share * dent.shift_mm[0], dz + share * dent.shift_mm[1]
    return dx, dz
