"""The gel block: speckle and everything fixed in it, as complex samples on the beam grid."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.phantoms.beams import BeamGrid, Floats, PointSpread, Samples, splat
from needlecoach.phantoms.scene import Gas, Layer, Scene, Specks, TargetBody, Tube


def ratio(level_db: npt.ArrayLike) -> Floats:
    """Amplitude ratio of a level in dB."""
    return 10 ** (np.asarray(level_db, float) / 20)


def random_echoes(rng: np.random.Generator, shape: tuple[int, ...]) -> Samples:
    """Complex normal numbers with root-mean-square 1: many scatterers with random phases in every sample."""
    pair = rng.standard_normal((*shape, 2), np.float32) * np.float32(np.sqrt(0.5))
    out: Samples = pair.view(np.complex64)[..., 0]
    return out


def smooth_noise(rng: np.random.Generator, n: int, length: float) -> Floats:
    """Real noise along a line, mean 0 and root-mean-square near 1, with a correlation length in samples."""
    knots = max(int(np.ceil(n / length)) + 3, 4)
    values = rng.standard_normal((1, knots))
    return np.asarray(cv2.resize(values, (n, 1), interpolation=cv2.INTER_CUBIC)[0] * 1.15, float)


@dataclass(frozen=True)
class GelBlock:
    """Two independent speckle patterns, mixed as the probe slides across, and the coherent echoes."""

    first: Samples
    second: Samples
    fixed: Samples


class _Canvas:
    """Scatterer strength and coherent points, filled in object by object."""

    def __init__(self, grid: BeamGrid, spread: PointSpread, rng: np.random.Generator) -> None:
        self.grid, self.spread, self.rng = grid, spread, rng
        self.x, self.z = grid.places_mm
        self.strength = np.ones(grid.shape)
        self.points = np.zeros(grid.shape, np.complex64)

    def depth_step_db(self, db_per_mm: Floats) -> None:
        """Multiply all that lies below by what the sound has gained or lost on its way."""
        step = self.grid.display.mm_per_px
        gain = ratio(np.cumsum(db_per_mm, axis=0) * step)
        self.strength *= gain
        self.points *= gain.astype(np.float32)

    def line(self, x: Floats, z: Floats, level: Floats) -> None:
        """Coherent line of given amplitude, broken by slow changes of strength and phase along it."""
        length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(z)))])
        at = np.arange(0, length[-1], 0.06)
        x, z, level = (np.interp(at, length, values) for values in (x, z, level))
        wobble = ratio(2.0 * smooth_noise(self.rng, len(at), 40))
        phase = 0.9 * smooth_noise(self.rng, len(at), 25)
        echo = level * wobble * np.exp(1j * phase) * line_weight(self.spread, x, z, 0.06)
        column, row = self.grid.index(x, z)
        self.points += splat(self.grid.shape, column, row, echo)


def line_weight(spread: PointSpread, x: Floats, z: Floats, step_mm: float) -> Floats:
    """Share of a line's amplitude for each of its points, so that the drawn line has the wanted height."""
    beam_x, beam_z = spread.grid.beam_direction(x, z)
    along_x, along_z = np.gradient(x), np.gradient(z)
    norm = np.hypot(along_x, along_z) + 1e-12
    axial = (along_x * beam_x + along_z * beam_z) / norm
    lateral = np.sqrt(np.clip(1 - axial**2, 0, 1))
    sigma = spread.lateral_sigma_mm(z)
    spread_mm = np.sqrt(2 * np.pi) / np.sqrt((axial / spread.axial_sigma_mm) ** 2 + (lateral / sigma) ** 2)
    return np.asarray(step_mm / spread_mm, float)


def build_gel(scene: Scene, grid: BeamGrid, spread: PointSpread, rng: np.random.Generator) -> GelBlock:
    """Draw the gel block on a grid with margins."""
    canvas = _Canvas(grid, spread, rng)
    _add_texture(canvas)
    for thing in scene.things:
        match thing:
            case Tube():
                _add_tube(canvas, thing)
            case Layer():
                _add_layer(canvas, thing)
            case Specks():
                _add_specks(canvas, thing)
    if scene.target is not None:
        _add_target(canvas, scene.target)
    for thing in scene.things:
        if isinstance(thing, Gas):
            _add_gas(canvas, thing)
    strength = canvas.strength.astype(np.float32)
    first, second = (
        spread.spread(random_echoes(rng, grid.shape) * strength, grid.depth_mm, energy=True) for _ in range(2)
    )
    return GelBlock(first, second, spread.spread(canvas.points, grid.depth_mm))


def _add_texture(canvas: _Canvas) -> None:
    """Clouds of a few mm, +-1.5 dB, and a weak fall with depth that the machine's gain did not quite undo."""
    rows, columns = canvas.grid.shape
    coarse = canvas.rng.standard_normal((max(rows // 40, 3), max(columns // 40, 3)))
    clouds = cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_CUBIC)
    depth = np.clip(canvas.grid.depth_mm, 0, None)[:, None] / canvas.grid.probe.depth_mm
    canvas.strength *= ratio(1.5 * clouds + 1.5 - 4.5 * depth**1.5)


def _step(x: Floats) -> Floats:
    """Logistic step from 0 to 1, free of overflow."""
    return np.asarray(0.5 * (1 + np.tanh(x / 2)), float)


def _ellipse_level(target: TargetBody, x: Floats, z: Floats) -> Floats:
    """Scaled radius: 1 on the outline, less inside."""
    turn = np.radians(target.tilt_deg)
    dx, dz = x - target.centre_mm[0], z - target.centre_mm[1]
    u = (dx * np.cos(turn) + dz * np.sin(turn)) / target.semi_axes_mm[0]
    v = (-dx * np.sin(turn) + dz * np.cos(turn)) / target.semi_axes_mm[1]
    return np.asarray(np.hypot(u, v), float)


def _add_target(canvas: _Canvas, target: TargetBody) -> None:
    level = _ellipse_level(target, canvas.x, canvas.z)
    small = min(target.semi_axes_mm)
    inside = _step((1 - level) * small / 0.06)
    if target.kind == "solid":
        canvas.strength *= ratio(target.level_db * inside)
        canvas.depth_step_db(-0.3 * target.enhancement_db_per_mm * inside)
    else:
        # Fluid is not quite empty: reverberation leaves a haze.
        canvas.strength *= ratio(-34 * inside)
        canvas.points *= (1 - inside).astype(np.float32)
        canvas.depth_step_db(target.enhancement_db_per_mm * inside)
    if target.kind == "ring":
        rim = np.exp(-0.5 * ((level - 1.08) * small / 0.45) ** 2)
        canvas.strength = np.maximum(canvas.strength, ratio(0.45 * target.wall_db) * rim)
    _add_wall(canvas, target)


def _add_wall(canvas: _Canvas, target: TargetBody) -> None:
    phase = np.linspace(0, 2 * np.pi, 400)
    turn = np.radians(target.tilt_deg)
    u, v = target.semi_axes_mm[0] * np.cos(phase), target.semi_axes_mm[1] * np.sin(phase)
    x = target.centre_mm[0] + u * np.cos(turn) - v * np.sin(turn)
    z = target.centre_mm[1] + u * np.sin(turn) + v * np.cos(turn)
    nx, nz = np.gradient(z), -np.gradient(x)
    beam_x, beam_z = canvas.grid.beam_direction(x, z)
    facing = np.abs(nx * beam_x + nz * beam_z) / (np.hypot(nx, nz) + 1e-12)
    mirror = {"fluid": facing**7, "solid": 0.12 * facing**4, "ring": 0.35 + 0.65 * facing**4}[target.kind]
    canvas.line(x, z, ratio(target.wall_db) * mirror)


def _add_tube(canvas: _Canvas, tube: Tube) -> None:
    turn = np.radians(tube.angle_deg)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    offset = np.stack([canvas.x - tube.centre_mm[0], canvas.z - tube.centre_mm[1]], -1)
    u, v = offset @ along, offset @ across
    half, radius = tube.length_mm / 2, tube.diameter_mm / 2
    lumen = (np.abs(u) < half) & (np.abs(v) < 0.75 * radius)
    canvas.strength[lumen] *= 0.1
    reach = np.linspace(-half, half, 200)
    beam_x, beam_z = canvas.grid.beam_direction(*tube.centre_mm)
    facing = abs(float(across @ np.array([beam_x, beam_z])))
    wall = ratio(tube.wall_db) * facing**8
    for depth, drop in [(-radius, 0.0), (-0.7 * radius, 6.0), (0.7 * radius, 4.0), (radius, 3.0)]:
        _tube_line(canvas, tube, reach, depth, float(wall * ratio(-drop)))
    for copy in range(1, tube.n_copies + 1):
        _tube_line(
            canvas, tube, reach * 0.97, radius * (1 + 0.9 * copy), float(wall * ratio(-5.0 - 7.0 * copy))
        )


def _tube_line(canvas: _Canvas, tube: Tube, reach: Floats, depth: float, level: float) -> None:
    turn = np.radians(tube.angle_deg)
    x = tube.centre_mm[0] + reach * np.cos(turn) - depth * np.sin(turn)
    z = tube.centre_mm[1] + reach * np.sin(turn) + depth * np.cos(turn)
    canvas.line(x, z, np.full(len(x), level))


def _add_layer(canvas: _Canvas, layer: Layer) -> None:
    x = np.linspace(canvas.x.min(), canvas.x.max(), 300)
    z = layer.depth_mm + x * np.tan(np.radians(layer.tilt_deg)) + 0.12 * smooth_noise(canvas.rng, 300, 60)
    gaps = ratio(4.0 * smooth_noise(canvas.rng, 300, 25) - 2.0)
    canvas.line(x, z, ratio(layer.level_db) * gaps)
    below = canvas.z > np.interp(canvas.x, x, z)
    canvas.strength *= ratio(-1.5 * below)


def _add_specks(canvas: _Canvas, specks: Specks) -> None:
    rng = canvas.rng
    for _ in range(specks.count):
        x, z = rng.uniform(canvas.x.min(), canvas.x.max()), rng.uniform(1.0, canvas.z.max())
        turn, half = rng.normal(0, 0.5), rng.uniform(0.1, 0.7)
        reach = np.linspace(-half, half, 8)
        level = ratio(specks.level_db + rng.normal(0, 3.5))
        canvas.line(x + reach * np.cos(turn), z + reach * np.sin(turn), np.full(8, float(level)))


def _add_gas(canvas: _Canvas, gas: Gas) -> None:
    rng = canvas.rng
    count = int(60 * gas.width_mm)
    x = gas.centre_mm[0] + gas.width_mm / 2 * rng.uniform(-1, 1, count)
    z = gas.centre_mm[1] + 0.25 * rng.standard_normal(count) + 0.12 * (x - gas.centre_mm[0]) ** 2
    column, row = canvas.grid.index(x, z)
    level = ratio(gas.level_db - 16 + 5 * rng.standard_normal(count))
    shadow = _shadow_below(canvas, gas)
    canvas.strength *= ratio(-gas.shadow_db * shadow)
    canvas.points *= ratio(-gas.shadow_db * shadow).astype(np.float32)
    # Dirty: ring-down between the bubbles fills the shadow's upper part with haze that dies away.
    depth = canvas.grid.depth_mm[:, None] - gas.centre_mm[1]
    haze = shadow * ratio(3.0 - 1.4 * np.clip(depth, 0, None))
    canvas.strength = np.hypot(canvas.strength, haze)
    canvas.points += splat(canvas.grid.shape, column, row, level * np.exp(2j * np.pi * rng.random(count)))


def _shadow_below(canvas: _Canvas, gas: Gas) -> Floats:
    """1 in the shadow's core, 0 outside, with soft ragged edges that widen with depth."""
    column, row = canvas.grid.index(*gas.centre_mm)
    step = float(canvas.grid.column_mm(gas.centre_mm[1]))
    side = (np.arange(canvas.grid.shape[1]) - column) * step
    down = (np.arange(canvas.grid.shape[0]) - row)[:, None] * canvas.grid.display.mm_per_px
    edge = 0.25 + 0.02 * np.clip(down, 0, None)
    core = _step((gas.width_mm / 2 - np.abs(side)[None]) / edge)
    streaks = np.clip(1 + 0.35 * smooth_noise(canvas.rng, canvas.grid.shape[1], 6), 0.2, 1.4)
    return np.asarray(core * streaks * _step(down / 0.2), float)
