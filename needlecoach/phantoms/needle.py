"""The needle's own echoes: shaft, tip, copies below, and the bubbles it leaves behind."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from needlecoach.phantoms.beams import BeamGrid, Floats, PointSpread, Samples, splat
from needlecoach.phantoms.gel import line_weight, ratio, smooth_noise
from needlecoach.phantoms.motion import Moment, Pose, shift_at
from needlecoach.phantoms.scene import NeedleLook, PointMm, Scene

STEP_MM = 0.06
BODY_MM = 120.0
BEHIND_TIP_MM = 1.5
EDGE_MM = 0.6


def slice_gain(grid: BeamGrid, out_mm: npt.ArrayLike, z_mm: npt.ArrayLike) -> Floats:
    """Two-way gain of something `out_mm` beside the picture's plane: 1 in it, a Gaussian beside it."""
    probe = grid.probe
    width = probe.slice_mm * np.sqrt(
        1 + ((np.asarray(z_mm, float) - probe.focus_mm) / (1.3 * probe.focus_mm)) ** 2
    )
    return np.asarray(np.exp(-((np.asarray(out_mm, float) / width) ** 2)), float)


def off_normal_deg(grid: BeamGrid, pose: Pose) -> float:
    """Angle between the beam through the tip and the shaft's normal: 0 is brightest."""
    ux, uz = pose.direction
    beam_x, beam_z = grid.beam_direction(*pose.tip_mm)
    return float(np.degrees(np.arcsin(np.clip(abs(ux * beam_x + uz * beam_z), 0, 1))))


class NeedlePainter:
    """Draws one needle; its roughness is fixed to its body and to the hole it runs in."""

    def __init__(self, look: NeedleLook, spread: PointSpread, rng: np.random.Generator) -> None:
        self.look, self.spread, self.grid = look, spread, spread.grid
        n = int(BODY_MM / STEP_MM)
        self._body = [self._roughness(rng, n) for _ in range(look.n_copies + 1)]
        self._hole = ratio(2.5 * smooth_noise(rng, n, 5.0 / STEP_MM))
        angle = np.radians(rng.uniform(20, 160, look.n_tip_echoes))
        reach = rng.uniform(0.45, 1.5, look.n_tip_echoes)
        self._echo_mm = np.stack([reach * np.cos(angle), reach * np.sin(angle)], -1)
        self._echo_drop_db = 5 + 6 * reach + rng.uniform(0, 4, look.n_tip_echoes)
        self._echo_turn = rng.uniform(1, 4, look.n_tip_echoes)

    def _roughness(self, rng: np.random.Generator, n: int) -> npt.NDArray[np.complex128]:
        """Specular part plus a random one of about the beam's width, and gaps of several mm."""
        fine = 0.6 / STEP_MM
        random = (smooth_noise(rng, n, fine) + 1j * smooth_noise(rng, n, fine)) / np.sqrt(2)
        gaps = ratio(2.5 * smooth_noise(rng, n, 7.0 / STEP_MM))
        rough = self.look.roughness
        return np.asarray((np.sqrt(max(1 - rough**2, 0)) + rough * random) * gaps, complex)

    def shaft_mm(self, pose: Pose) -> tuple[Floats, Floats, Floats]:
        """x, z and distance behind the tip of points along the shaft, bent like a bow of height `bend_mm`."""
        behind = np.arange(0, max(pose.depth_mm, STEP_MM), STEP_MM)
        ux, uz = pose.direction
        share = behind / max(pose.depth_mm, STEP_MM)
        bow = self.look.bend_mm * 4 * share * (1 - share) * (1 if ux >= 0 else -1)
        return pose.tip_mm[0] - behind * ux - bow * uz, pose.tip_mm[1] - behind * uz + bow * ux, behind

    def draw(self, pose: Pose) -> Samples:
        """Needle-only samples on the grid."""
        x, z, behind = self.shaft_mm(pose)
        bare = self._bare(pose, behind)
        share = behind / max(pose.depth_mm, STEP_MM)
        out_mm = pose.tip_out_mm + share * (pose.entry_out_mm - pose.tip_out_mm)
        fall = self.look.fall_db_per_deg * off_normal_deg(self.grid, pose)
        gain = slice_gain(self.grid, out_mm, z) * ratio(self.look.shaft_db - fall)
        site = np.clip(((pose.depth_mm - behind) / STEP_MM).astype(int), 0, len(self._hole) - 1)
        # The bevel turns the wall away from the beam, so the last mm of the shaft is dimmer than the point.
        gain = gain * self._hole[site] * (0.35 + 0.65 * np.clip(behind / 1.2, 0, 1))
        if self.look.notch is not None:
            gain = gain * ratio(-self.look.notch.dull_db * bare)
            z = z + self.look.notch.recess_mm * bare
        weight = line_weight(self.spread, x, z, STEP_MM) if len(x) > 1 else np.ones(len(x))
        beam_x, beam_z = self.grid.beam_direction(x, z)
        columns, rows, echoes = [], [], []
        for copy, body in enumerate(self._body):
            down = copy * self.look.copy_spacing_mm
            column, row = self.grid.index(x + down * beam_x, z + down * beam_z)
            columns.append(column)
            rows.append(row)
            echoes.append(gain * weight * body[: len(x)] * ratio(-self.look.copy_fall_db * copy))
        tip = self._tip_echoes(pose)
        columns.append(tip[0])
        rows.append(tip[1])
        echoes.append(tip[2])
        echo_map = splat(
            self.grid.shape, np.concatenate(columns), np.concatenate(rows), np.concatenate(echoes)
        )
        return self._spread_near(echo_map)

    def _bare(self, pose: Pose, behind: Floats) -> Floats:
        """1 where the notch is bare, 0 elsewhere, with edges as wide as the needle is thick."""
        notch = self.look.notch
        if notch is None or pose.bare_mm <= 0:
            return np.zeros(len(behind))
        into = np.minimum(behind - notch.dead_space_mm, notch.dead_space_mm + pose.bare_mm - behind)
        return np.asarray(np.clip(into / EDGE_MM + 0.5, 0, 1))

    def _spread_near(self, echo_map: Samples) -> Samples:
        """Spread only the columns and rows that hold echoes."""
        rows, columns = np.flatnonzero(echo_map.any(axis=1)), np.flatnonzero(echo_map.any(axis=0))
        out = np.zeros_like(echo_map)
        if not len(rows):
            return out
        r0, r1 = max(rows[0] - 8, 0), rows[-1] + 9
        c0, c1 = max(columns[0] - 40, 0), columns[-1] + 41
        out[r0:r1, c0:c1] = self.spread.spread(
            np.ascontiguousarray(echo_map[r0:r1, c0:c1]), self.grid.depth_mm[r0:r1]
        )
        return out

    def _tip_echoes(self, pose: Pose) -> tuple[Floats, Floats, npt.NDArray[np.complex128]]:
        """Point of the needle and the small echoes round it, mostly below and behind."""
        ux = pose.direction[0]
        side = -1.0 if ux >= 0 else 1.0
        x = pose.tip_mm[0] + np.concatenate([[0.0], side * np.abs(self._echo_mm[:, 0])])
        z = pose.tip_mm[1] + np.concatenate([[0.0], self._echo_mm[:, 1]])
        fall = 0.35 * self.look.fall_db_per_deg * off_normal_deg(self.grid, pose)
        drop = np.concatenate([[0.0], self._echo_drop_db])
        phase = np.concatenate([[0.0], self._echo_turn * pose.depth_mm])
        gain = float(slice_gain(self.grid, pose.tip_out_mm, pose.tip_mm[1])) * ratio(
            self.look.tip_db - fall - drop
        )
        column, row = self.grid.index(x, z)
        return column, row, np.asarray(gain * np.exp(1j * phase), complex)

    def shadow(self, pose: Pose) -> npt.NDArray[np.float32]:
        """What the shaft takes from the sound below it, as a gain on the grid."""
        x, z, behind = self.shaft_mm(pose)
        share = behind / max(pose.depth_mm, STEP_MM)
        out_mm = pose.tip_out_mm + share * (pose.entry_out_mm - pose.tip_out_mm)
        column, row = self.grid.index(x, z)
        order = np.argsort(column)
        columns = np.arange(self.grid.shape[1])
        shaft_row = np.interp(columns, column[order], row[order], left=np.inf, right=np.inf)
        loss = np.interp(
            columns, column[order], (self.look.shadow_db * slice_gain(self.grid, out_mm, z))[order]
        )
        below = np.clip((np.arange(self.grid.shape[0])[:, None] - shaft_row[None]) / 12, 0, 1)
        below = np.where(np.isfinite(shaft_row)[None], below, 0.0)
        return ratio(-loss[None] * below).astype(np.float32)


class Trail:
    """Bubbles left in the gel; they stay there when the needle has gone."""

    def __init__(self, scene: Scene, spread: PointSpread, rng: np.random.Generator) -> None:
        self.scene, self.spread, self.rng = scene, spread, rng
        self.samples: Samples = np.zeros(spread.grid.shape, np.complex64)
        self.places: list[PointMm] = []

    def grow(self, moment: Moment) -> None:
        """Lay bubbles just behind the tip, unless some lie there already or the place is in fluid."""
        look, pose = self.scene.needle, moment.pose
        if look.trail_db is None or pose is None or not pose.inside:
            return
        # Air is drawn along the shaft and comes to lie behind the point, never ahead of it.
        ux, uz = pose.direction
        x, z = pose.tip_mm[0] - BEHIND_TIP_MM * ux, pose.tip_mm[1] - BEHIND_TIP_MM * uz
        dx, dz = shift_at(moment, x, z)
        place = (x - float(dx), z - float(dz))
        near = any(np.hypot(place[0] - u, place[1] - v) < look.trail_spacing_mm for u, v in self.places)
        if near or self._in_fluid(place):
            return
        self.places.append(place)
        gain = float(slice_gain(self.spread.grid, pose.tip_out_mm, pose.tip_mm[1]))
        n = int(self.rng.integers(1, 4))
        jitter = self.rng.normal(0, [0.3, 0.12], (n, 2))
        level = gain * ratio(look.trail_db + self.rng.normal(-2, 4, n))
        echo = level * np.exp(2j * np.pi * self.rng.random(n))
        self._draw(place[0] + jitter[:, 0], place[1] + jitter[:, 1], echo)

    def _in_fluid(self, place: PointMm) -> bool:
        target = self.scene.target
        if target is None or target.kind == "solid":
            return False
        dx, dz = place[0] - target.centre_mm[0], place[1] - target.centre_mm[1]
        return bool(np.hypot(dx / target.semi_axes_mm[0], dz / target.semi_axes_mm[1]) < 1.0)

    def _draw(self, x: Floats, z: Floats, echo: npt.NDArray[np.complex128]) -> None:
        grid = self.spread.grid
        column, row = grid.index(x, z)
        r0, c0 = max(int(row.min()) - 12, 0), max(int(column.min()) - 44, 0)
        r1, c1 = min(int(row.max()) + 13, grid.shape[0]), min(int(column.max()) + 45, grid.shape[1])
        if r1 <= r0 or c1 <= c0:
            return
        echo_map = splat((r1 - r0, c1 - c0), column - c0, row - r0, echo)
        self.samples[r0:r1, c0:c1] += self.spread.spread(echo_map, grid.depth_mm[r0:r1])
