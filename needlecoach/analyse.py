"""From a clip and its marks to a scorecard: composes the other rooms' steps, computes nothing itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

from needlecoach.clips import ClipReader, open_clip, sha256_of
from needlecoach.errors import MarksError, UnscorableError
from needlecoach.filmed import Filmed
from needlecoach.marks import check_marks
from needlecoach.model import Frame, GreyImage, Marks, Region, Scale, Scorecard, Sound, Target
from needlecoach.scoring import score_track
from needlecoach.screen.picture import check_picture
from needlecoach.screen.region import settle_region
from needlecoach.screen.scale import choose_scale, settle_scale
from needlecoach.screen.sound import sound_in, true_target, true_track, with_sound
from needlecoach.tracking.beside import get_ready
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.target import BESIDE, TargetFollower
from needlecoach.tracking.track import Tracking, no_track, track_clip

Progress = Callable[[int, int], None]

REGION_FRAMES = 12


def score_clip(
    path: Path,
    marks: Marks,
    *,
    no_target: bool = False,
    fps: float | None = None,
    pass_withdrawal_mm: float = 5.0,
    progress: Progress | None = None,
    beside: Executor | None = None,
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
    if no_target:
        marks = replace(marks, target=None)
    elif marks.target is None:
        raise MarksError(f"{path.name}: no target is marked; give --target, mark it, or use --no-target.")
    given, filmed = marks, None
    with open_clip(path, fps=fps) as reader:
        check_marks(marks, reader.clip)
        if beside is not None:
            get_ready(beside, reader.clip)
        area = reader.area_for(marks.region_box_px)
        of_file = None if area is None else area.scale
        scale, scale_notes = choose_scale(marks.scale, of_file)
        sound = None if marks.medium is None else sound_in(marks.medium)
        options = {"no_target": no_target, "fps": fps, "pass_withdrawal_mm": pass_withdrawal_mm}
        try:
            if marks.screen is not None:
                filmed = Filmed.of(reader, marks)
                reader, marks = filmed.reader, filmed.marks
            frames = reader.sample_frames(REGION_FRAMES)
            region = _region_of(reader, marks, frames)
            if filmed is not None:
                filmed.check_outline(region)
            check_marks(marks, reader.clip, region=region)
            scale, scale_notes = settle_scale(
                marks, of_file, frames, region, sound, clip_name=path.name, faults=reader.area_faults
            )
            if filmed is not None:
                scale = filmed.doubted(scale)
            tracking = _track(reader, Plane(region, scale), marks, progress, beside)
            if filmed is not None:
                track, glare = filmed.without_glare(tracking.track)
                tracking = replace(tracking, track=track, notes=(*tracking.notes, *glare))
            reason = ""
        except UnscorableError as problem:
            if scale is None:
                raise
            region, tracking, reason = _whole_frame(reader), no_track(), str(problem)
        notes = (*scale_notes, *reader.notes)
        card = _card(reader, marks, region, scale, tracking, pass_withdrawal_mm, sound)
    return replace(
        card,
        screen=None if filmed is None else filmed.screen(given),
        clip_sha256=sha256_of(path),
        options=options,
        quality_notes=(*notes, *card.quality_notes),
        unscorable=reason,
    )


def _region_of(reader: ClipReader, marks: Marks, frames: list[Frame]) -> Region:
    size_px = (reader.clip.width_px, reader.clip.height_px)
    of_file = reader.areas[0].box_px if reader.areas else None
    region = settle_region(frames, size_px, given=marks.region_box_px, of_file=of_file)
    check_picture(reader.sample_colour(REGION_FRAMES), region, size_px)
    return region


def _whole_frame(reader: ClipReader) -> Region:
    return Region("rectangle", (0, 0, max(reader.clip.width_px, 8), max(reader.clip.height_px, 8)))


def _track(
    reader: ClipReader, plane: Plane, marks: Marks, progress: Progress | None, beside: Executor | None
) -> Tracking:
    target = None if marks.target is None else _target(reader, plane, marks.target)

    def pictures() -> Iterator[tuple[float, GreyImage]]:
        for done, frame in enumerate(reader, start=1):
            if progress is not None:
                progress(done, reader.clip.n_frames)
            yield frame.time_s, plane.resample(frame.pixels)

    return track_clip(pictures(), plane, target, beside)


def _target(reader: ClipReader, plane: Plane, target: Target) -> TargetFollower:
    """Learn the target from its marked frame and those beside it, read ahead of all others."""
    last = reader.clip.n_frames - 1 if reader.clip.n_frames else target.frame
    marked = min(target.frame, last)
    beside = range(max(marked - BESIDE, 0), min(marked + BESIDE, last) + 1)
    frames = reader.read_frames(beside)
    pictures = {number: plane.resample(frame.pixels) for number, frame in frames.items()}
    return TargetFollower(pictures, replace(target, frame=marked), plane)


def _card(
    reader: ClipReader,
    marks: Marks,
    region: Region,
    scale: Scale,
    tracking: Tracking,
    pass_withdrawal_mm: float,
    sound: Sound | None,
) -> Scorecard:
    track, target, measured = tracking.track, marks.target, scale
    if sound is not None:
        track, measured = true_track(track, region, scale, sound), with_sound(scale, sound)
        target = None if target is None else true_target(target, region, sound)
    scoring = score_track(
        track, scale=measured, target=target, region=region, pass_withdrawal_mm=pass_withdrawal_mm
    )
    return Scorecard(
        clip=reader.clip,
        clip_sha256="",
        marks=marks,
        region=region,
        scale=scale,
        track=tracking.track,
        attempts=scoring.attempts,
        distances=scoring.distances,
        confidence=scoring.confidence,
        quality_notes=(*tracking.notes, *scoring.notes),
        sound=sound,
        true_track=None if sound is None else track,
        true_target=None if sound is None else target,
        strip=tracking.strip,
    )
