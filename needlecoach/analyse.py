"""From a clip and its marks to a scorecard: composes the other rooms' steps, computes nothing itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from needlecoach.clips import ClipReader, open_clip, sha256_of
from needlecoach.errors import MarksError, UnscorableError
from needlecoach.filmed import Filmed
from needlecoach.marks import check_marks
from needlecoach.model import (
    Attempt,
    Correction,
    Frame,
    GreyImage,
    Marks,
    Point,
    Region,
    Scale,
    Scorecard,
    Sound,
    Target,
    Track,
)
from needlecoach.scoring import score_track
from needlecoach.scoring.bounds import Bounds
from needlecoach.screen.picture import check_picture
from needlecoach.screen.region import settle_region
from needlecoach.screen.scale import choose_scale, settle_scale
from needlecoach.screen.size import check_size, size_notes
from needlecoach.screen.sound import (
    shown_core,
    sound_in,
    true_region,
    true_strip,
    true_target,
    true_track,
    with_sound,
)
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.target import BESIDE, TargetFollower, TargetPath, follow_alone
from needlecoach.tracking.throw import farthest_throw_mm
from needlecoach.tracking.track import Keeper, Tracking, no_track, track_clip

Progress = Callable[[int, int], None]
# Takes what makes a scorecard of the clip's first part.
Foreseen = Callable[[Callable[[], Scorecard]], None]

REGION_FRAMES = 12
# Without a scale the picture is taken to be so deep: enough to tell how far a target can move.
LIKELY_DEPTH_MM = 50.0


def score_clip(
    path: Path,
    marks: Marks,
    *,
    no_target: bool = False,
    fps: float | None = None,
    pass_withdrawal_mm: float = 5.0,
    progress: Progress | None = None,
    beside: Executor | None = None,
    foreseen: Foreseen | None = None,
) -> Scorecard:
    """Score one recording.

    Parameters
    ----------
    path : a video file, a DICOM file or a folder of numbered images
    marks : what the user said of the clip; a way to the scale is needed unless the file tells it, the target
        unless `no_target`
    fps : frames per second, for what carries no times: a folder of images, some DICOM files
    pass_withdrawal_mm : withdrawal after which a new pass begins
    progress : called with frames done and frames in all (0 when unknown)
    beside : follows the needle of a long clip while it is read, best in another process (see
        `tracking.beside`); a thread when left out
    foreseen : called, while the last part of a long clip is followed, with a function that scores the part
        before it: its frames are likely those of the final result; free to be called in another thread

    Returns
    -------
    Scorecard
        A clip that holds nothing to score comes back with `unscorable` set to the reason.

    Raises
    ------
    ClipError
        When the recording can't be read.
    MarksError
        When a mark is missing or lies outside the picture.
    """
    with open_clip(path, fps=fps) as reader:
        study = Study(reader, marks, no_target=no_target, fps=fps, pass_withdrawal_mm=pass_withdrawal_mm)
        return study.scored(progress, beside, foreseen=foreseen)


class Study:
    """One recording on its way to a scorecard, step by step.

    Parameters
    ----------
    reader : the recording, open; only `scored` reads it
    marks, no_target, fps, pass_withdrawal_mm : as for `score_clip`

    Raises
    ------
    MarksError
        When a mark is missing or lies outside the frame.
    """

    def __init__(
        self,
        reader: ClipReader,
        marks: Marks,
        *,
        no_target: bool = False,
        fps: float | None = None,
        pass_withdrawal_mm: float = 5.0,
    ) -> None:
        if no_target:
            marks = replace(marks, target=None)
        elif marks.target is None:
            raise MarksError(
                f"{reader.clip.path.name}: no target is marked; give --target, mark it, or use --no-target."
            )
        check_marks(marks, reader.clip)
        self._reader, self._given, self._marks = reader, marks, marks
        self._options: dict[str, Any] = {
            "no_target": no_target,
            "fps": fps,
            "pass_withdrawal_mm": pass_withdrawal_mm,
        }
        area = reader.area_for(marks.region_box_px)
        self._of_file = None if area is None else area.scale
        self._scale, self._scale_notes = choose_scale(marks.scale, self._of_file)
        self._sound = None if marks.medium is None else sound_in(marks.medium)
        self._filmed: Filmed | None = None
        self._region = _whole_frame(reader)
        self._sha256 = sha256_of(reader.clip.path)

    def scored(
        self,
        progress: Progress | None = None,
        beside: Executor | None = None,
        keeper_of: Callable[[Plane], Keeper] | None = None,
        foreseen: Foreseen | None = None,
    ) -> Scorecard:
        """Read the recording through and score it; `keeper_of` its plane keeps the working pictures."""
        try:
            plane = self.settle()
            return self.card(self._track(plane, progress, beside, keeper_of, foreseen))
        except UnscorableError as problem:
            if self._scale is None:
                raise
            self._region = _whole_frame(self._reader)
            return replace(self._card(no_track(), ()), unscorable=str(problem))

    def settle(self) -> Plane:
        """Find where the picture lies and how large it is.

        Raises
        ------
        MarksError
            When a mark lies outside the picture.
        UnscorableError
            When no picture stands out, or its size can't be told.
        """
        name = self._reader.clip.path.name
        if self._marks.screen is not None:
            self._filmed = Filmed.of(self._reader, self._marks)
            self._reader, self._marks = self._filmed.reader, self._filmed.marks
        reader, marks = self._reader, self._marks
        frames = reader.sample_frames(REGION_FRAMES)
        region = _region_of(reader, marks, frames)
        if self._filmed is not None:
            self._filmed.check_outline(region)
        check_marks(marks, reader.clip, region=region)
        scale, self._scale_notes = settle_scale(
            marks, self._of_file, frames, region, self._sound, clip_name=name, faults=reader.area_faults
        )
        self._region, self._scale = region, scale if self._filmed is None else self._filmed.doubted(scale)
        return Plane(region, self._scale)

    def _track(
        self,
        plane: Plane,
        progress: Progress | None,
        beside: Executor | None,
        keeper_of: Callable[[Plane], Keeper] | None,
        foreseen: Foreseen | None,
    ) -> Tracking:
        target = self.target_follower(plane)
        keeper = None if keeper_of is None else keeper_of(plane)
        early = None
        if (
            foreseen is not None and self._filmed is None
        ):  # the views of a filmed screen are those of all of it

            def early(tracking: Tracking) -> None:
                foreseen(partial(self.card, tracking))

        pictures = _pictures(self._reader, plane, progress)
        thrown_mm = farthest_throw_mm(self._marks.core)
        return track_clip(pictures, plane, target, beside, keeper, early, thrown_mm=thrown_mm)

    def target_follower(self, plane: Plane) -> TargetFollower | None:
        """Follower of the marked target, which knows it from the recording; None without a target."""
        target = self._marks.target
        return None if target is None else _target(self._reader, plane, target)

    @property
    def filmed(self) -> Filmed | None:
        """How the recording is read straight; None where no camera filmed a screen. Known once settled."""
        return self._filmed

    @property
    def marks(self) -> Marks:
        """Marks in px of the picture that is followed, once settled."""
        return self._marks

    @property
    def region(self) -> Region:
        """Where the ultrasound picture lies in it, once settled."""
        return self._region

    @property
    def scale(self) -> Scale | None:
        """Scale as shown; that of true lengths is a little less sure where a sound's speed is known."""
        return self._scale

    @property
    def sound(self) -> Sound | None:
        """What corrects depths; None when nothing does."""
        return self._sound

    def samples(self, count: int) -> list[Frame]:
        """Up to so many frames spread over the recording, as they are followed."""
        return self._reader.sample_frames(count)

    def live_card(self, track: Track) -> Scorecard:
        """Score what was followed of a live picture, by the marks and sizes of this recording.

        `track` is in px of the picture that is followed, its rows are those of no recording.
        """
        return replace(self._card(Tracking(track, ()), ()), screen=None)

    def straight_px(self, frame: int, point_px: Point) -> Point:
        """Place of a point of an original frame in the picture that was followed."""
        return point_px if self._filmed is None else self._filmed.straight_px(frame, point_px)

    def card(self, tracking: Tracking, corrections: Sequence[Correction] = ()) -> Scorecard:
        """Score what was followed."""
        if self._filmed is not None:
            track, glare = self._filmed.without_glare(tracking.track)
            tracking = replace(tracking, track=track, notes=(*tracking.notes, *glare))
        return self._card(tracking, corrections)

    def unscorable(self, reason: str) -> Scorecard:
        """Scorecard that says why there is none."""
        self._region = _whole_frame(self._reader)
        return replace(self._card(no_track(), ()), unscorable=reason)

    def _card(self, tracking: Tracking, corrections: Sequence[Correction]) -> Scorecard:
        assert self._scale is not None
        track, target, measured, sound = tracking.track, self._marks.target, self._scale, self._sound
        region, strip = self._region, tracking.strip
        if sound is not None:
            track, measured = (
                true_track(track, self._region, self._scale, sound),
                with_sound(self._scale, sound),
            )
            target = None if target is None else true_target(target, self._region, sound)
            strip = None if strip is None else true_strip(strip, self._region, sound)
            region = true_region(self._region, sound)
        scoring = score_track(
            track,
            scale=measured,
            target=target,
            region=region,
            pass_withdrawal_mm=self._options["pass_withdrawal_mm"],
            bounds=Bounds.of(corrections),
            core=self._marks.core,
            strip=strip,
        )
        size = check_size(self._marks, target, measured)
        notes = (
            *(() if self._marks.of_block is None else self._marks.of_block.notes),
            *self._scale_notes,
            *size_notes(size),
            *self._reader.notes,
            *_unused(self._marks),
            *tracking.notes,
            *scoring.notes,
        )
        return Scorecard(
            clip=self._reader.clip,
            clip_sha256=self._sha256,
            marks=self._marks,
            region=self._region,
            scale=self._scale,
            track=tracking.track,
            attempts=tuple(self._as_shown(attempt) for attempt in scoring.attempts),
            distances=scoring.distances,
            confidence=scoring.confidence,
            quality_notes=notes,
            options=self._options,
            screen=None if self._filmed is None else self._filmed.screen(self._given),
            sound=sound,
            true_track=None if sound is None else track,
            true_target=None if sound is None else target,
            strip=tracking.strip,
            corrections=tuple(corrections),
            size_check=size,
        )

    def _as_shown(self, attempt: Attempt) -> Attempt:
        """Attempt with the places of its core sample where the picture shows them."""
        if attempt.core is None or self._sound is None:
            return attempt
        return replace(attempt, core=shown_core(attempt.core, self._region, self._sound))


def _region_of(reader: ClipReader, marks: Marks, frames: list[Frame]) -> Region:
    size_px = (reader.clip.width_px, reader.clip.height_px)
    of_file = reader.areas[0].box_px if reader.areas else None
    region = settle_region(frames, size_px, given=marks.region_box_px, of_file=of_file)
    check_picture(reader.sample_colour(REGION_FRAMES), region, size_px)
    return region


def _unused(marks: Marks) -> tuple[str, ...]:
    """Say which marks of a core needle another task has no use for."""
    sizes = {
        "throw": marks.throw_mm,
        "notch": marks.notch_mm,
        "dead space": marks.dead_space_mm,
    }
    given = [name for name, size_mm in sizes.items() if size_mm is not None]
    if marks.task == "core" or not given:
        return ()
    were = "was" if len(given) == 1 else "were"
    return (
        f"The marks tell a core needle's {', '.join(given)}, which {were} not used: the task is "
        f'{marks.task}, not "core".',
    )


def _whole_frame(reader: ClipReader) -> Region:
    return Region("rectangle", (0, 0, max(reader.clip.width_px, 8), max(reader.clip.height_px, 8)))


def _target(reader: ClipReader, plane: Plane, target: Target) -> TargetFollower:
    """Learn the target from its marked frame and those beside it, read ahead of all others."""
    last = reader.clip.n_frames - 1 if reader.clip.n_frames else target.frame
    marked = min(target.frame, last)
    beside = range(max(marked - BESIDE, 0), min(marked + BESIDE, last) + 1)
    frames = reader.read_frames(beside)
    pictures = {number: plane.resample(frame.pixels) for number, frame in frames.items()}
    return TargetFollower(pictures, replace(target, frame=marked), plane)


def follow_target(
    path: Path, marks: Marks, *, fps: float | None = None, progress: Progress | None = None
) -> TargetPath:
    """Follow the marked target alone through a clip, to show a person whether it is held.

    Parameters
    ----------
    path : a video file, a DICOM file or a folder of numbered images
    marks : the target, and what else is known; without a scale, or one that the file tells, the picture is
        taken to be 50 mm deep
    fps : frames per second, for what carries no times
    progress : called with frames done and frames in all (0 when unknown)

    Returns
    -------
    TargetPath
        In px of the original frames, also where a camera filmed the screen. It is what scoring follows, but
        for a scale that scoring takes from the ruler or the target: that changes hundredths of a px.

    Raises
    ------
    ClipError
        When the recording can't be read.
    MarksError
        When no target is marked, or a mark lies outside the picture.
    UnscorableError
        When no picture stands out on the screen.
    """
    if marks.target is None:
        raise MarksError(f"{path.name}: no target is marked; mark it first.")
    given, filmed = marks, None
    with open_clip(path, fps=fps) as reader:
        check_marks(marks, reader.clip)
        area = reader.area_for(marks.region_box_px)
        scale, _ = choose_scale(marks.scale, None if area is None else area.scale)
        if marks.screen is not None:
            filmed = Filmed.of(reader, marks)
            reader, marks = filmed.reader, filmed.marks
        region = _region_of(reader, marks, reader.sample_frames(REGION_FRAMES))
        check_marks(marks, reader.clip, region=region)
        plane = Plane(region, scale or Scale.from_mm_per_px(LIKELY_DEPTH_MM / region.box_px[3]))
        assert marks.target is not None
        target = _target(reader, plane, marks.target)
        found = follow_alone(_pictures(reader, plane, progress), plane, target)
    if filmed is None:
        return found
    return replace(found, centre_px=filmed.screen(given).to_frame_px(found.centre_px))


def _pictures(
    reader: ClipReader, plane: Plane, progress: Progress | None
) -> Iterator[tuple[float, GreyImage]]:
    """Time and working picture of every frame."""
    for done, frame in enumerate(reader, start=1):
        if progress is not None:
            progress(done, reader.clip.n_frames)
        yield frame.time_s, plane.resample(frame.pixels)
