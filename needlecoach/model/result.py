"""What a scored clip gave."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

from needlecoach.model.basics import FloatArray, Point
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
    evidence: str = ""


@dataclass(frozen=True)
class Pass:
    """A forward excursion of the tip of at least 3 mm; frames from first to last, both included."""

    first_frame: int
    last_frame: int
    deepest_frame: int


@dataclass(frozen=True)
class Advice:
    """One thing to try next time: what happened and when, why it matters, what to try.

    `rule` is the name of what gave it, `weight` its size of effect times its certainty, 0-1.
    """

    rule: str
    frame: int
    time_s: float
    happened: str
    why: str
    try_next: str
    weight: float


@dataclass(frozen=True)
class Check:
    """A criterion of a programme's own standard held against one attempt.

    `words` are the programme's own for it, `reason` says why nothing could be compared; where they are empty,
    both are made from `figure`, which is the attempt's, and the `operator` that holds it against `limit`.
    """

    words: str
    result: Literal["met", "not met", "can't tell"]
    reason: str = ""
    figure: Figure | None = None
    operator: str = ""
    limit: float | int | str | bool | None = None


@dataclass(frozen=True)
class CoreSample:
    """Where a core needle's notch lay when it sampled, in px of the followed picture.

    Attributes
    ----------
    frame : of the sampling moment
    fired_frame : first frame after the firing; None when none was seen
    fired_part : "tip" when the point jumped forward, "sheath" when the sheath closed over the notch
    notch_px : near and far end of the notch at the sampling moment
    fired_tip_px : where the point lies after firing, seen or to be expected; None without a throw
    fired_notch_px : ends of the notch then
    before_frame : of the needle as it stood before a firing that was seen; None without one
    best_tip_px : the point's place to fire from along this shaft; None without a throw or a target on its way
    notes : sentences for the reader
    """

    frame: int
    fired_frame: int | None
    fired_part: Literal["tip", "sheath", ""]
    notch_px: tuple[Point, Point]
    fired_tip_px: Point | None = None
    fired_notch_px: tuple[Point, Point] | None = None
    best_tip_px: Point | None = None
    notes: tuple[str, ...] = ()
    before_frame: int | None = None


@dataclass(frozen=True)
class Attempt:
    """From the needle's first entry until it has left (or the clip ends): what happened, in figures.

    `figures` maps the column name of attempts.csv to its `Figure`, in the order of the table. `advice` holds
    at most three, the weightiest first.
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
    core: CoreSample | None = None
    advice: tuple[Advice, ...] = ()
    checks: tuple[Check, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "figures", MappingProxyType(dict(self.figures)))

    def __getstate__(self) -> dict[str, Any]:
        # A view of a mapping does not travel to another process, what it shows does.
        return {**self.__dict__, "figures": dict(self.figures)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state, figures=MappingProxyType(state["figures"]))


@dataclass(frozen=True)
class EarlierAttempt:
    """One earlier attempt of the same learner; `figures` are the key figures, None where unknown.

    `folder` is the name of its results folder, `date` that of the marks (YYYY-MM-DD) or None.
    """

    folder: str
    clip: str
    date: str | None
    number: int
    outcome: str
    figures: Mapping[str, float | int | None]


@dataclass(frozen=True)
class Earlier:
    """A learner's own earlier attempts at the same task, from the reports folder.

    `names` are the columns of the key figures in their order. `outcomes` counts hits, misses and borderlines
    of all `n` of them. `best` has the best value of every key figure, None where there is none: time and
    passes, sight and blind advance count among hits only, as a miss is soon done. `last` are the last five,
    oldest first.
    `notes` are sentences for the reader.
    """

    n: int
    names: tuple[str, ...]
    outcomes: Mapping[str, int]
    best: Mapping[str, float | int | None]
    last: tuple[EarlierAttempt, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class SizeCheck:
    """The marked outline held against the true size of the target in its block.

    Attributes
    ----------
    block, target : code and name
    across_mm, high_mm : the outline's extents along its own axes, that nearer to the horizontal first
    sd_mm : their standard uncertainty by marking and scale, (across, high)
    true_across_mm : least and most that an upright slice through the target's middle measures across
    true_high_mm : its height
    largest_mm : more than this no slice measures in any direction, however the probe was held
    across_share, high_share : by how much an extent lies beyond what is true, as a share: above 0 too large,
        below 0 smaller, 0 within
    by_target : the scale was taken from this outline, so that it can't be checked by it
    """

    block: str
    target: str
    across_mm: float
    high_mm: float
    sd_mm: tuple[float, float]
    true_across_mm: tuple[float, float]
    true_high_mm: float
    largest_mm: float
    across_share: float
    high_share: float
    by_target: bool = False


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
    `size_check` is None where no block's file tells the target's true size.
    `earlier` are the learner's own earlier attempts, None where there are none to compare with.
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
    earlier: Earlier | None = None
    size_check: SizeCheck | None = None

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "distances": dict(self.distances)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state, distances=MappingProxyType(state["distances"]))

    @property
    def measured_track(self) -> Track:
        """Track that millimetres and angles come from."""
        return self.track if self.true_track is None else self.true_track

    @property
    def measured_target(self) -> Target | None:
        """Target that millimetres come from; None without one."""
        return self.marks.target if self.true_target is None else self.true_target
