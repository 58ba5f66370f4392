"""What is scanned and how: frozen descriptions from which a recording is drawn.

Places are (x, z) in mm: x from the middle of the probe face to the right, z down from the middle of the face.
Levels named `_db` are relative to the root-mean-square of the gel's own speckle unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from needlecoach.phantoms.core import Notch, Shot

PointMm = tuple[float, float]


@dataclass(frozen=True)
class Probe:
    """Probe and machine: curved probes use `radius_mm` and `half_angle_deg`, linear ones `width_mm`."""

    kind: Literal["linear", "curved"] = "linear"
    frequency_mhz: float = 7.5
    depth_mm: float = 42.0
    width_mm: float = 38.0
    radius_mm: float = 50.0
    half_angle_deg: float = 34.0
    focus_mm: float = 22.0
    slice_mm: float = 1.3
    dynamic_range_db: float = 58.0
    speckle_below_white_db: float = 38.0
    noise_db: float = -33.0
    noise_per_cm_db: float = 4.0
    persistence: float = 0.0

    @property
    def wavelength_mm(self) -> float:
        """Wavelength at 1540 m/s."""
        return 1.54 / self.frequency_mhz


@dataclass(frozen=True)
class RulerLook:
    """How the ruler is drawn: bars or dots, every so many longer (dots: their radius), with digits or not.

    `covered` are the numbers of ticks that something hides; the first is 0.
    """

    tick_mm: float = 5.0
    major_every: int = 2
    mark: Literal["bar", "dot"] = "bar"
    short_px: int = 4
    long_px: int = 9
    digits: bool = True
    spine: bool = False
    gap_px: int = 14
    covered: tuple[int, ...] = ()


Litter = Literal["focus", "block", "list", "sliders"]


@dataclass(frozen=True)
class Display:
    """The scanner's screen: its size, the picture's scale and where the probe face's middle lies."""

    width_px: int = 640
    height_px: int = 480
    mm_per_px: float = 0.112
    face_px: tuple[int, int] = (322, 52)
    wedge: Literal["left", "right"] = "left"
    ruler: Literal["left", "right", "above", "below", "none"] = "right"
    ruler_look: RulerLook = RulerLook()
    litter: tuple[Litter, ...] = ()
    lines: tuple[str, ...] = ("GEL BLOCK", "depth 42 mm")
    back_grey: int = 6


@dataclass(frozen=True)
class TargetBody:
    """An ellipse to be sampled: fluid (black), solid (own echo level) or with a bright ring for a wall."""

    centre_mm: PointMm
    semi_axes_mm: PointMm
    tilt_deg: float = 0.0
    kind: Literal["fluid", "solid", "ring"] = "fluid"
    level_db: float = -7.0
    wall_db: float = 24.0
    enhancement_db_per_mm: float = 0.45


@dataclass(frozen=True)
class Tube:
    """A straight tube: bright walls, dark inside, weakening copies of the walls below."""

    centre_mm: PointMm
    length_mm: float
    angle_deg: float = 0.0
    diameter_mm: float = 2.4
    wall_db: float = 30.0
    n_copies: int = 3


@dataclass(frozen=True)
class Gas:
    """A clump of gas: ragged bright top, dirty shadow below."""

    centre_mm: PointMm
    width_mm: float = 3.0
    level_db: float = 30.0
    shadow_db: float = 14.0


@dataclass(frozen=True)
class Layer:
    """The border between two pours of gel: a thin, broken, nearly level line across the picture."""

    depth_mm: float
    tilt_deg: float = 0.0
    level_db: float = 13.0


@dataclass(frozen=True)
class Specks:
    """Short bright fibres strewn over the gel."""

    count: int = 40
    level_db: float = 12.0


Thing = Tube | Gas | Layer | Specks


@dataclass(frozen=True)
class NeedleLook:
    """The needle: where it turns about, and how it looks.

    `entry_mm` is where the tip is at insertion 0 and what the shaft turns about, mostly just outside the
    picture. Brightness falls by `fall_db_per_deg` for each degree between the beam and the shaft's normal.
    Copies of the shaft lie below it along the beam, `copy_spacing_mm` apart. The trail is a row of bubbles;
    `trail_db` None is no trail. A core needle has a `notch`.
    """

    entry_mm: PointMm = (-22.0, 3.0)
    side: Literal["left", "right"] = "left"
    shaft_db: float = 36.0
    fall_db_per_deg: float = 0.32
    roughness: float = 0.8
    tip_db: float = 34.0
    n_tip_echoes: int = 4
    copy_spacing_mm: float = 0.9
    n_copies: int = 2
    copy_fall_db: float = 9.0
    bend_mm: float = 0.0
    shadow_db: float = 2.5
    trail_db: float | None = 20.0
    trail_spacing_mm: float = 0.8
    notch: Notch | None = None


@dataclass(frozen=True)
class Key:
    """The needle at one moment; between keys it moves smoothly, starting and ending at rest.

    `insertion_mm` is the length from the entry point to the tip, 0 or less when the needle is out.
    `tip_out_mm` and `entry_out_mm` say how far tip and entry lie beside the picture's plane, `entry_x_mm` and
    `entry_z_mm` how far the place of entry has been moved from the needle's `entry_mm`.
    """

    time_s: float
    insertion_mm: float
    angle_deg: float
    tip_out_mm: float = 0.0
    entry_out_mm: float = 0.0
    entry_x_mm: float = 0.0
    entry_z_mm: float = 0.0


@dataclass(frozen=True)
class DriftKey:
    """How gel and needle have moved in the picture at one moment, since the hand moved the probe.

    `out_mm` is the slide across the plane, which changes the speckle only (say with the needle's keys how far
    it lies beside the plane then). `turn_deg` is the rock within the plane: everything turns about the middle
    of the face, +x towards +z. `fan_deg` is the tilt across the plane about the face: what lies deep is left
    further beside it, the needle too.
    """

    time_s: float
    x_mm: float = 0.0
    z_mm: float = 0.0
    out_mm: float = 0.0
    turn_deg: float = 0.0
    fan_deg: float = 0.0


@dataclass(frozen=True)
class GainStep:
    """From `time_s` on the machine's gain is `gain_db` higher than at the start, until the next step."""

    time_s: float
    gain_db: float


@dataclass(frozen=True)
class Freeze:
    """The picture of `start_s` stays on the screen until `end_s`, whatever the needle does."""

    start_s: float
    end_s: float


@dataclass(frozen=True)
class Crosshair:
    """A pointer drawn over the picture, wandering about a place of the screen once in `period_s`."""

    centre_px: PointMm
    reach_px: PointMm = (60.0, 40.0)
    period_s: float = 3.0
    size_px: int = 9
    grey: int = 235


@dataclass(frozen=True)
class Clock:
    """Running digits drawn over the screen, their lower left corner at a place."""

    place_px: tuple[int, int]
    grey: int = 220


Overlay = Crosshair | Clock


@dataclass(frozen=True)
class Scene:
    """Everything that a recording is drawn from; the seed is given apart.

    `push_mm` is how far the target gives way before its wall is pierced, `drag_mm` how far gel near the tip
    sticks to the needle, `tremor_mm` the root-mean-square of the hand's shake, along and across the shaft.
    The shake is a single tone of `tremor_hz`, or a mixture when that is None. The screen shows a new picture
    `refresh_hz` times a second (None: with every frame recorded). `shot` is the firing of a core needle.
    """

    duration_s: float = 8.0
    fps: float = 20.0
    probe: Probe = field(default_factory=Probe)
    display: Display = field(default_factory=Display)
    target: TargetBody | None = None
    things: tuple[Thing, ...] = ()
    needle: NeedleLook = field(default_factory=NeedleLook)
    motion: tuple[Key, ...] = ()
    drift: tuple[DriftKey, ...] = ()
    push_mm: float = 0.0
    drag_mm: float = 0.15
    tremor_mm: float = 0.05
    tremor_hz: float | None = None
    gain: tuple[GainStep, ...] = ()
    freezes: tuple[Freeze, ...] = ()
    refresh_hz: float | None = None
    overlays: tuple[Overlay, ...] = ()
    shot: Shot | None = None

    def __post_init__(self) -> None:
        for keys in (self.motion, self.drift, self.gain):
            times = [key.time_s for key in keys]
            if (np.diff(times) <= 0).any():
                raise ValueError(f"Times of keys must rise, got {times}.")
        if self.duration_s <= 0 or self.fps <= 0:
            raise ValueError(
                f"A scene needs a length and a rate above 0, got {self.duration_s} s at {self.fps} per s."
            )

    @property
    def n_frames(self) -> int:
        """Number of frames drawn."""
        return round(self.duration_s * self.fps)

    def shown_s(self, number: int) -> float:
        """Time of the picture that the screen shows in a frame: its own, or an earlier one that stays."""
        time_s = number / self.fps
        for freeze in self.freezes:
            if freeze.start_s <= time_s < freeze.end_s:
                time_s = freeze.start_s
        if self.refresh_hz is None:
            return time_s
        # Half a thousandth of a picture keeps rates that divide each other in step.
        return float(np.floor(time_s * self.refresh_hz + 5e-4) / self.refresh_hz)
