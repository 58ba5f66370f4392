"""What a scored clip gave."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

from needlecoach.model.basics import FloatArray
from needlecoach.model.marks import Marks
from needlecoach.model.picture import Clip, Region
from needlecoach.model.scale import Scale, Sound
from needlecoach.model.screen import FilmedScreen
from needlecoach.model.target import Target
from needlecoach.model.track import Correction, Strip, Track


@dataclass(frozen=True)
class Figure:
    """One number of an attempt. `value` None means unknown, `sd` None means no uncertainty is stated."""

    name: str
    value: float | int | str | bool | None
    sd: float | None = None
    unit: str = ""
    title: str = ""
    meaning: str = ""


@dataclass(frozen=True)
class Pass:
    """A forward excursion of the tip of at least 3 mm; frames from first to last, both included."""

    first_frame: int
    last_frame: int
    deepest_frame: int


@dataclass(frozen=True)
class Attempt:
    """From the needle's first entry until it has left (or the clip ends): what happened, in figures.

    `figures` maps the column name of attempts.csv to its `Figure`, in the order of the table.
    """

    number: int
    first_frame: int
    last_frame: int
    cut_off: bool
    passes: tuple[Pass, ...]
    closest_frame: int | None
    outcome: Literal["hit", "miss", "borderline", "unscorable"]
    figures: Mapping[str, Figure]
    reason: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "figures", MappingProxyType(dict(self.figures)))


@dataclass(frozen=True, eq=False)
class Scorecard:
    """Everything known of one scored clip: enough to write every file of its results folder.

    `distances` holds the per-frame arrays centre_distance_mm, edge_distance_mm and advance_mm, NaN where
    unknown.
    `confidence` is 0-1, how far the result can be trusted. `quality_notes` are sentences for the reader.
    `unscorable` is the reason in words, empty when the clip was scored.
    `sound` is None when nothing is corrected for the speed of sound. Otherwise `true_track` and
    `true_target` are where track and target would lie on the frame at the speed that the scanner assumes;
    everything in mm comes from those.
    `screen` is known when a camera filmed the screen: all other px are then of the straight picture.
    `strip` is None when nothing was followed. `corrections` are those that the result holds; `raw` is then
    the result without any.
    """

    clip: Clip
    clip_sha256: str
    marks: Marks
    region: Region
    scale: Scale
    track: Track
    attempts: tuple[Attempt, ...]
    distances: Mapping[str, FloatArray]
    confidence: float
    quality_notes: tuple[str, ...] = ()
    unscorable: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)
    screen: FilmedScreen | None = None
    sound: Sound | None = None
    true_track: Track | None = None
    true_target: Target | None = None
    strip: Strip | None = None
    corrections: tuple[Correction, ...] = ()
    raw: Scorecard | None = None

    @property
    def measured_track(self) -> Track:
        """Track that millimetres and angles come from."""
        return self.track if self.true_track is None else self.true_track

    @property
    def measured_target(self) -> Target | None:
        """Target that millimetres come from; None without one."""
        return self.marks.target if self.true_target is None else self.true_target
