"""The beam grid: where samples lie, how a point spreads over them, and how they become a picture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import Region
from needlecoach.phantoms.scene import Display, Probe

Floats = npt.NDArray[np.float64]
Samples = npt.NDArray[np.complex64]

N_BANDS = 8


@dataclass(frozen=True)
class BeamGrid:
    """Samples (row = depth along the beam, column = beam), `margin` more rows and columns on every side."""

    probe: Probe
    display: Display
    margin: int = 0

    @cached_property
    def column_step(self) -> float:
        """Distance between beams: mm for a linear probe, radians for a curved one."""
        if self.probe.kind == "linear":
            return self.display.mm_per_px
        return 0.75 * self.probe.wavelength_mm / self.probe.radius_mm

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Rows and columns, margins included."""
        half = (
            self.probe.width_mm / 2 if self.probe.kind == "linear" else np.radians(self.probe.half_angle_deg)
        )
        rows = round(self.probe.depth_mm / self.display.mm_per_px) + 1
        return rows + 2 * self.margin, 2 * round(half / self.column_step) + 1 + 2 * self.margin

    @cached_property
    def depth_mm(self) -> Floats:
        """Depth below the face along the beam, shape (rows,)."""
        return np.asarray((np.arange(self.shape[0]) - self.margin) * self.display.mm_per_px, float)

    def index(self, x_mm: npt.ArrayLike, z_mm: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Column and row, not rounded, of places in mm."""
        x, z = np.asarray(x_mm, float), np.asarray(z_mm, float)
        middle = (self.shape[1] - 1) / 2
        if self.probe.kind == "linear":
            return x / self.column_step + middle, z / self.display.mm_per_px + self.margin
        below_apex = z + self.probe.radius_mm
        depth = np.hypot(x, below_apex) - self.probe.radius_mm
        return np.arctan2(
            x, below_apex
        ) / self.column_step + middle, depth / self.display.mm_per_px + self.margin

    @cached_property
    def places_mm(self) -> tuple[Floats, Floats]:
        """x and z of every sample, each of `shape`."""
        columns = (np.arange(self.shape[1]) - (self.shape[1] - 1) / 2) * self.column_step
        if self.probe.kind == "linear":
            x, z = np.meshgrid(columns, self.depth_mm)
            return x, z
        angle, radius = np.meshgrid(columns, self.depth_mm + self.probe.radius_mm)
        return radius * np.sin(angle), radius * np.cos(angle) - self.probe.radius_mm

    def beam_direction(self, x_mm: npt.ArrayLike, z_mm: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Unit vector of the beam through places in mm."""
        x, z = np.asarray(x_mm, float), np.asarray(z_mm, float)
        if self.probe.kind == "linear":
            return np.zeros_like(x), np.ones_like(z)
        length = np.hypot(x, z + self.probe.radius_mm)
        return x / length, (z + self.probe.radius_mm) / length

    def column_mm(self, depth_mm: npt.ArrayLike) -> Floats:
        """Distance between neighbouring beams at a depth."""
        depth = np.asarray(depth_mm, float)
        if self.probe.kind == "linear":
            return np.full_like(depth, self.column_step)
        return np.asarray((depth + self.probe.radius_mm) * self.column_step, float)

    def inside(self, x_mm: float, z_mm: float) -> bool:
        """Tell whether a place lies in the picture (half a pixel past the outermost samples counts)."""
        column, row = self.index(x_mm, z_mm)
        rows, columns = self.shape
        return bool(-0.5 <= column <= columns - 0.5 and -0.5 <= row <= rows - 0.5)


@dataclass(frozen=True)
class PointSpread:
    """How one point echo spreads: a Gaussian pulse in depth, a squared sinc across, narrowest in focus."""

    grid: BeamGrid

    @cached_property
    def axial_sigma_mm(self) -> float:
        """Standard deviation of the pulse's envelope: about 1.3 wavelengths full width at half height."""
        return 0.55 * self.grid.probe.wavelength_mm

    def lateral_null_mm(self, depth_mm: npt.ArrayLike) -> Floats:
        """First null of the two-way beam (f-number 2.8 at the focus), by depth."""
        probe = self.grid.probe
        off_focus = (np.asarray(depth_mm, float) - probe.focus_mm) / (0.9 * probe.focus_mm)
        return 2.8 * probe.wavelength_mm * np.sqrt(1 + off_focus**2)

    def lateral_sigma_mm(self, depth_mm: npt.ArrayLike) -> Floats:
        """Standard deviation of the Gaussian with the same half-height width as the squared sinc."""
        return 0.376 * self.lateral_null_mm(depth_mm)

    @cached_property
    def _bands(self) -> tuple[Floats, list[Floats], Floats]:
        depth = self.grid.depth_mm
        centres = np.linspace(depth[0], depth[-1], N_BANDS)
        sigma = self.axial_sigma_mm / self.grid.display.mm_per_px
        reach = int(np.ceil(3.5 * sigma))
        axial = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
        lateral = []
        for null, step in zip(self.lateral_null_mm(centres), self.grid.column_mm(centres), strict=True):
            # Three side lobes either way: the wings that bright level things have.
            reach = int(np.ceil(3.0 * null / step))
            lateral.append(np.sinc(np.arange(-reach, reach + 1) * step / null) ** 2)
        return centres, lateral, axial

    def spread(self, scatter: Samples, depth_mm: Floats, *, energy: bool = False) -> Samples:
        """Convolve a map of echoes, rows at `depth_mm`, with the point-spread function of each row.

        `energy` False keeps the height of a lone point, True the root-mean-square of a random map.
        """
        centres, lateral, axial = self._bands
        position = np.interp(depth_mm, centres, np.arange(len(centres)))
        out = np.zeros(scatter.shape, np.complex64)
        for band, across in enumerate(lateral):
            weight = np.clip(1 - np.abs(position - band), 0, 1)
            rows = np.flatnonzero(weight)
            if not len(rows):
                continue
            reach = len(axial) // 2
            first, last = max(rows[0] - reach, 0), min(rows[-1] + reach + 1, len(depth_mm))
            scale = 1 / np.sqrt((across**2).sum() * (axial**2).sum()) if energy else 1.0
            part = np.ascontiguousarray(scatter[first:last])
            blurred = _separable(part, across * scale, axial)
            out[first:last] += weight[first:last, None].astype(np.float32) * blurred
        return out


def _separable(samples: Samples, across: Floats, along: Floats) -> Samples:
    """Filter real and imaginary parts at once, OpenCV taking them for two channels."""
    pair = samples.view(np.float32).reshape(*samples.shape, 2)
    blurred = cv2.sepFilter2D(pair, cv2.CV_32F, across, along, borderType=cv2.BORDER_CONSTANT)
    out: Samples = np.ascontiguousarray(blurred).view(np.complex64)[..., 0]
    return out


def splat(shape: tuple[int, int], column: Floats, row: Floats, echo: npt.NDArray[np.complex128]) -> Samples:
    """Share point echoes among the four samples round each; points outside are dropped."""
    rows, columns = shape
    total = np.zeros(rows * columns, np.complex128)
    c0, r0 = np.floor(column).astype(int), np.floor(row).astype(int)
    for dr in (0, 1):
        for dc in (0, 1):
            c, r = c0 + dc, r0 + dr
            weight = (1 - np.abs(column - c)) * (1 - np.abs(row - r))
            keep = (c >= 0) & (c < columns) & (r >= 0) & (r < rows)
            at, value = (r * columns + c)[keep], (echo * weight)[keep]
            total += np.bincount(at, value.real, rows * columns) + 1j * np.bincount(
                at, value.imag, rows * columns
            )
    return total.reshape(shape).astype(np.complex64)


@dataclass(frozen=True)
class Screen:
    """Where the picture sits on the screen: mm to pixels, and samples to pixels."""

    grid: BeamGrid

    def to_px(self, x_mm: npt.ArrayLike, z_mm: npt.ArrayLike) -> Floats:
        """Pixels, shape (..., 2), of places in mm."""
        face = np.asarray(self.grid.display.face_px, float)
        places = np.stack([np.asarray(x_mm, float), np.asarray(z_mm, float)], axis=-1)
        return np.asarray(places / self.grid.display.mm_per_px + face, float)

    @cached_property
    def region(self) -> Region:
        """The B-mode region, exactly."""
        display, probe = self.grid.display, self.grid.probe
        face_x, face_y = display.face_px
        rows, columns = self.grid.shape
        if probe.kind == "linear":
            return Region("rectangle", (face_x - (columns - 1) // 2, face_y, columns, rows))
        radius = probe.radius_mm / display.mm_per_px
        half = (columns - 1) / 2 * self.grid.column_step
        outer = radius + rows - 1
        left, top = face_x - outer * np.sin(half), face_y - radius * (1 - np.cos(half))
        x, y = int(np.ceil(left)), int(np.ceil(top))
        box = (x, y, 2 * (face_x - x) + 1, int(np.floor(face_y + rows - 1)) - y + 1)
        apex = (float(face_x), float(face_y - radius))
        return Region("sector", box, apex, radius, outer, float(np.degrees(half)))

    @cached_property
    def _sampling(self) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32], npt.NDArray[np.bool_]]:
        x, y, w, h = self.region.box_px
        px, py = np.meshgrid(np.arange(x, x + w, dtype=float), np.arange(y, y + h, dtype=float))
        face_x, face_y = self.grid.display.face_px
        step = self.grid.display.mm_per_px
        column, row = self.grid.index((px - face_x) * step, (py - face_y) * step)
        return column.astype(np.float32), row.astype(np.float32), self.region.contains(np.stack([px, py], -1))

    def paste(self, picture: npt.NDArray[np.float32], screen: npt.NDArray[np.uint8]) -> None:
        """Scan-convert grey values on the beam grid into the screen, in place."""
        x, y, w, h = self.region.box_px
        if self.region.kind == "rectangle":
            screen[y : y + h, x : x + w] = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
            return
        column, row, mask = self._sampling
        grey = np.clip(
            np.rint(cv2.remap(picture, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)),
            0,
            255,
        )
        screen[y : y + h, x : x + w][mask] = grey.astype(np.uint8)[mask]
