"""Draw recordings of a scanner's screen whose truth is known exactly."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.errors import OutputError
from needlecoach.model import Frame, GreyImage
from needlecoach.phantoms.beams import BeamGrid, PointSpread, Samples, Screen
from needlecoach.phantoms.furniture import draw_furniture, draw_overlays, ruler_points_px
from needlecoach.phantoms.gel import GelBlock, build_gel, random_echoes, ratio, smooth_noise
from needlecoach.phantoms.motion import Choreography, Moment, place_at, shift_at
from needlecoach.phantoms.needle import NeedlePainter, Trail
from needlecoach.phantoms.scene import Scene
from needlecoach.phantoms.truth import FrameTruth, find_events, find_shot, frame_truth, tip_signal

MARGIN = 24
SPECKLE_SLIDE_MM = 1.6


@dataclass(frozen=True)
class Layers:
    """One frame's samples before detection, on the beam grid: the needle alone and everything else."""

    needle: Samples
    others: Samples
    moment: Moment


class Studio:
    """A scene made ready for drawing: gel, needle and trail on the grid. Frames must be drawn in order."""

    def __init__(self, scene: Scene, *, seed: int) -> None:
        self.scene = scene
        # One stream each, so that a change to one thing leaves the others' looks alone.
        streams = [np.random.default_rng([seed, part]) for part in range(6)]
        self.grid = BeamGrid(scene.probe, scene.display)
        self.wide = BeamGrid(scene.probe, scene.display, margin=MARGIN + self._drift_margin())
        self.spread, wide_spread = PointSpread(self.grid), PointSpread(self.wide)
        self.screen = Screen(self.grid)
        x, y, width, height = self.screen.region.box_px
        if min(x, y) < 0 or x + width > scene.display.width_px or y + height > scene.display.height_px:
            raise ValueError(
                f"The picture {self.screen.region.box_px} does not fit the screen; raise mm_per_px."
            )
        self.gel: GelBlock = build_gel(scene, self.wide, wide_spread, streams[0])
        self.painter = NeedlePainter(scene.needle, self.spread, streams[1])
        self.trail = Trail(scene, wide_spread, streams[2])
        self.moments = Choreography(scene, self.grid, streams[3]).moments()
        self._face = self._face_echoes(streams[4])
        self._noise_rng = streams[5]
        self._noise = self._noise_bank()

    def _drift_margin(self) -> int:
        reach = max((max(abs(key.x_mm), abs(key.z_mm)) for key in self.scene.drift), default=0.0)
        turn = np.radians(max((abs(key.turn_deg) for key in self.scene.drift), default=0.0))
        x, z = self.grid.places_mm
        reach += float(turn * np.hypot(x, z).max()) if turn else 0.0
        step = min(self.scene.display.mm_per_px, float(self.grid.column_mm(0.0)))
        return int(np.ceil((reach + self.scene.push_mm) / step))

    def _face_echoes(self, rng: np.random.Generator) -> Samples:
        """Bright bands of the probe's own face, which stay put when the gel moves."""
        depth = self.grid.depth_mm[:, None]
        bands = ratio(26 - 20 * depth / 0.5) + ratio(9 - 7 * depth) * (
            0.5 + 0.5 * np.cos(2 * np.pi * depth / 0.55)
        )
        along = 1 + 0.25 * smooth_noise(rng, self.grid.shape[1], 30)
        hiss = self.spread.spread(random_echoes(rng, self.grid.shape), self.grid.depth_mm, energy=True)
        out: Samples = (bands * along[None] * (0.7 + 0.6 * hiss)).astype(np.complex64)
        out[depth[:, 0] > 5] = 0
        return out

    def _noise_bank(self) -> Samples:
        probe = self.scene.probe
        rows, columns = self.grid.shape
        bank = random_echoes(self._noise_rng, (rows, 4 * columns))
        pair = cv2.GaussianBlur(bank.view(np.float32).reshape(rows, 4 * columns, 2), (1, 3), 0.6)
        level = ratio(probe.noise_db + probe.noise_per_cm_db * (self.grid.depth_mm - probe.depth_mm / 2) / 10)
        out: Samples = np.ascontiguousarray(pair * 1.3).view(np.complex64)[..., 0] * level[:, None].astype(
            np.float32
        )
        return out

    def layers(self, number: int) -> Layers:
        """Samples of one frame."""
        moment = self.moments[number]
        self.trail.grow(moment)
        gel = self._gel_at(moment)
        needle = np.zeros(self.grid.shape, np.complex64)
        pose = moment.pose
        if pose is not None and (pose.inside or self._shaft_shows(moment)):
            needle = self.painter.draw(pose)
            gel = gel * self.painter.shadow(pose)
        start = int(self._noise_rng.integers(0, 3 * self.grid.shape[1]))
        turn = np.complex64(np.exp(2j * np.pi * self._noise_rng.random()))
        noise = self._noise[:, start : start + self.grid.shape[1]] * turn
        return Layers(needle, gel + self._face + noise, moment)

    def _shaft_shows(self, moment: Moment) -> bool:
        """Tell whether the needle crosses the picture although its tip lies outside (beyond the far edge)."""
        assert moment.pose is not None
        column, row = self.grid.index(*self.painter.shaft_mm(moment.pose)[:2])
        return bool(
            ((column > 0) & (column < self.grid.shape[1]) & (row > 0) & (row < self.grid.shape[0])).any()
        )

    def _gel_at(self, moment: Moment) -> Samples:
        """Gel and trail as the probe sees them now: mixed for its slide, moved by drift and dents."""
        slide_mm = moment.slide_mm + np.tan(np.radians(moment.fan_deg)) * self.wide.depth_mm[:, None]
        turn = slide_mm / SPECKLE_SLIDE_MM * np.pi / 2
        block = self.gel
        mixed = block.first * np.cos(turn).astype(np.float32) + block.second * np.sin(turn).astype(np.float32)
        mixed = mixed + block.fixed + self.trail.samples
        margin = self.wide.margin
        if moment.drift_mm == (0.0, 0.0) and not moment.turn_deg and not moment.dents:
            still: Samples = mixed[margin:-margin, margin:-margin]
            return still
        x, z = self.grid.places_mm
        dx, dz = shift_at(moment, x, z)
        column, row = self.wide.index(x - dx, z - dz)
        pair = np.ascontiguousarray(mixed).view(np.float32).reshape(*mixed.shape, 2)
        moved = cv2.remap(pair, column.astype(np.float32), row.astype(np.float32), cv2.INTER_CUBIC)
        out: Samples = np.ascontiguousarray(moved).view(np.complex64)[..., 0]
        return out

    def grey(
        self, envelope: npt.NDArray[np.float32] | float, *, gain_db: float = 0.0
    ) -> npt.NDArray[np.float32]:
        """Log compression: the dynamic range becomes 0-255; not rounded, not clipped."""
        probe = self.scene.probe
        level_db = 20 * np.log10(np.asarray(envelope, np.float32) + np.float32(1e-6)) - (
            probe.speckle_below_white_db - gain_db
        )
        return np.asarray((level_db + probe.dynamic_range_db) * (255 / probe.dynamic_range_db), np.float32)

    def truth(self, number: int, layers: Layers) -> FrameTruth:
        """Truth of one frame, from its samples."""
        pose, contrast, grey = layers.moment.pose, None, 0.0
        if pose is not None and pose.inside:
            contrast, peak = tip_signal(self.grid, layers.needle, layers.others, pose.tip_mm)
            grey = float(self.grey(peak, gain_db=layers.moment.gain_db))
        return frame_truth(
            number, layers.moment, scene=self.scene, screen=self.screen, contrast_db=contrast, grey=grey
        )


def simulate(scene: Scene, *, seed: int) -> Iterator[tuple[Frame, FrameTruth]]:
    """Draw a recording frame by frame.

    Parameters
    ----------
    scene
        What is scanned, with the motion of needle and probe.
    seed
        The same scene and seed give the same pixels.

    Yields
    ------
    tuple[Frame, FrameTruth]
        The screen, uint8, shape (display.height_px, display.width_px), and what is true of it.

    Notes
    -----
    Fully developed speckle: complex normal scatterers convolved with a depth-dependent point-spread function,
    envelope, log compression (Burckhardt 1978; from memory). Needle, bubbles and walls are coherent point
    echoes added before detection, so that they interfere with the speckle as real ones do. How brightness
    falls with angle is a chosen law, not wave physics.
    """
    studio = Studio(scene, seed=seed)
    blank = draw_furniture(studio.screen)
    keep = np.float32(scene.probe.persistence)
    shown: npt.NDArray[np.float32] | None = None
    truth: FrameTruth | None = None
    for number in range(scene.n_frames):
        time_s = number / scene.fps
        if truth is None or scene.shown_s(number) != scene.shown_s(number - 1):
            layers = studio.layers(number)
            echo = np.abs(layers.needle + layers.others)
            picture = np.clip(studio.grey(echo, gain_db=layers.moment.gain_db), 0, 255)
            shown = picture if shown is None else (1 - keep) * picture + keep * shown
            truth = studio.truth(number, layers)
            clean: GreyImage = blank.copy()
            studio.screen.paste(shown, clean)
        screen = clean.copy()
        draw_overlays(scene.overlays, screen, time_s)
        # Truth is what the picture shows: that of the picture which stays on the screen.
        yield Frame(number, time_s, screen), replace(truth, frame=number, time_s=time_s)


def truth_record(scene: Scene, frames: list[FrameTruth], *, seed: int) -> dict[str, Any]:
    """Return the contents of a truth file."""
    region = Screen(BeamGrid(scene.probe, scene.display)).region
    step, shot = scene.display.mm_per_px, find_shot(frames, scene)
    return {
        "about": "Simulated and invented: no patient, no real scanner. Exact truth of every frame.",
        "seed": seed,
        "fps": scene.fps,
        "n_frames": len(frames),
        "frame_size": [scene.display.width_px, scene.display.height_px],
        "mm_per_px": {"x": step, "y": step},
        "region": {
            "kind": region.kind,
            "box_px": list(region.box_px),
            "apex_px": None if region.apex_px is None else list(region.apex_px),
            "r_min_px": region.r_min_px,
            "r_max_px": region.r_max_px,
            "half_angle_deg": region.half_angle_deg,
        },
        "events": find_events(frames, fps=scene.fps) | ({} if shot is None else {"firing": shot}),
        "frames": [frame.to_json() for frame in frames],
    }


def write_clip(scene: Scene, path: Path, *, seed: int) -> dict[str, Any]:
    """Write a recording as MPEG-4 video and its truth beside it as NAME.truth.json.

    Returns
    -------
    dict
        The truth record that was written.

    Raises
    ------
    OutputError
        When the video can't be opened for writing.
    """
    size = (scene.display.width_px, scene.display.height_px)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), scene.fps, size, isColor=True)
    if not writer.isOpened():
        raise OutputError(
            f"{path}: this video can't be written; check that the folder exists and that it ends in .mp4."
        )
    truths = []
    try:
        for frame, truth in simulate(scene, seed=seed):
            writer.write(cv2.cvtColor(frame.pixels, cv2.COLOR_GRAY2BGR))
            truths.append(truth)
    finally:
        writer.release()
    record = truth_record(scene, truths, seed=seed)
    path.with_name(f"{path.stem}.truth.json").write_text(
        json.dumps(record, separators=(",", ":")) + "\n", encoding="utf-8"
    )
    return record


def marks_record(scene: Scene, *, learner: str, notes: str) -> dict[str, Any]:
    """Return what a careful user would mark on the first frame: target, ruler and who practised."""
    screen = Screen(BeamGrid(scene.probe, scene.display))
    marks: dict[str, Any] = {"schema": 1, "learner": learner, "task": "aspirate", "needle_gauge": 21}
    if scene.needle.notch is not None:
        notch = scene.needle.notch
        marks |= {"task": "core", "needle_gauge": 18}
        marks |= {"dead_space_mm": notch.dead_space_mm, "notch_mm": notch.length_mm}
        marks |= {} if scene.shot is None else {"throw_mm": scene.shot.throw_mm}
    if scene.target is not None:
        centre = np.round(screen.to_px(*place_at(scene, scene.target.centre_mm, 0.0)), 1).tolist()
        semi_axes = [round(axis / scene.display.mm_per_px, 1) for axis in scene.target.semi_axes_mm]
        ellipse = {"centre_px": centre, "semi_axes_px": semi_axes, "tilt_deg": scene.target.tilt_deg}
        marks["target"] = {"ellipse": ellipse, "frame": 0}
    points, length_mm = ruler_points_px(screen)
    marks["scale"] = {"points_px": points, "mm": length_mm}
    marks["notes"] = notes
    return marks
