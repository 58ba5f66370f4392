"""The day's marks laid on the live picture: where it lies, how large it is, what the target looks like."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from needlecoach.analyse import Study
from needlecoach.clips import open_clip
from needlecoach.errors import ClipError, MarksError
from needlecoach.filmed import Filmed
from needlecoach.model import FloatArray, GreyImage, Marks, Region, Scale, Sound, Target
from needlecoach.scored import Wish
from needlecoach.screen.sound import true_points_px, true_target, with_sound
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.target import TargetFollower

SAMPLES = 12


@dataclass(frozen=True, eq=False)
class Laid:
    """What following and scoring the live picture need; px are of the followed picture.

    That is the camera's own one, or the screen in it set straight (`filmed`). `usual_grey` is how bright the
    brightest hundredth of the working picture was when it was marked. `given` are the marks in px of the
    frame that they were made on, of `size_px`.
    """

    study: Study
    plane: Plane
    size_px: tuple[int, int]
    given: Marks
    usual_grey: float
    outline_mm: FloatArray | None
    marking_sd_mm: float

    @property
    def marks(self) -> Marks:
        """Marks in px of the followed picture."""
        return self.study.marks

    @property
    def filmed(self) -> Filmed | None:
        return self.study.filmed

    @property
    def region(self) -> Region:
        return self.plane.region

    @property
    def scale(self) -> Scale:
        return self.plane.scale

    @property
    def sound(self) -> Sound | None:
        return self.study.sound

    def follower(self) -> TargetFollower | None:
        """Follower of the target that has seen nothing of the live picture yet; None without a target."""
        return self.study.target_follower(self.plane)

    def to_mm(self, points_px: FloatArray) -> FloatArray:
        """Points (..., 2) of the followed picture in mm; depths are corrected where that was asked for."""
        sound = self.sound
        true = points_px if sound is None else true_points_px(points_px, self.region, sound)
        return np.asarray(self.scale.to_mm(true), dtype=float)


def lay(clip: Path, marks: Marks, wish: Wish) -> Laid:
    """Lay marks on the picture that a recording shows; it is left open for the target's followers.

    Parameters
    ----------
    clip : recording that the marks were made on
    marks : in its px
    wish : how attempts are to be scored

    Raises
    ------
    NeedlecoachError
        When the recording can't be read, a mark is missing or lies outside the picture, or the picture or its
        size can't be told.
    """
    if marks.task == "core" and marks.core is None:
        raise MarksError(
            "a core needle samples from behind its point: its dead space and notch must be known; mark again."
        )
    reader = open_clip(clip, fps=wish.fps)
    try:
        size_px = reader.clip.width_px, reader.clip.height_px
        study = Study(
            reader,
            marks,
            no_target=wish.no_target,
            fps=wish.fps,
            pass_withdrawal_mm=wish.pass_withdrawal_mm,
        )
        plane = study.settle()
        target = study.marks.target
        scale = plane.scale if study.sound is None else with_sound(plane.scale, study.sound)
        return Laid(
            study=study,
            plane=plane,
            size_px=size_px,
            given=marks if not wish.no_target else replace(marks, target=None),
            usual_grey=_usual_grey(study, plane),
            outline_mm=None if target is None else _outline_mm(target, plane, study.sound),
            marking_sd_mm=0.0 if target is None else target.marking_sd_px * scale.mean_mm_per_px,
        )
    except BaseException:
        reader.close()
        raise


def _outline_mm(target: Target, plane: Plane, sound: Sound | None) -> FloatArray:
    """The target's outline from its centre, (n, 2), as scoring takes it."""
    true = target if sound is None else true_target(target, plane.region, sound)
    return np.asarray(plane.scale.to_mm(true.outline_px - np.asarray(true.centre_px)), dtype=float)


def _usual_grey(study: Study, plane: Plane) -> float:
    pictures = [plane.resample(frame.pixels) for frame in study.samples(SAMPLES)]
    if not pictures:
        raise ClipError("the still of the live picture holds no frame; mark on a new one.")
    return float(np.median([bright_grey(picture, plane) for picture in pictures]))


def bright_grey(picture: GreyImage, plane: Plane) -> float:
    """Grey that a hundredth of a working picture is brighter than, from every fourth pixel."""
    inside = plane.mask[::4, ::4]
    return float(np.percentile(picture[::4, ::4][inside], 99)) if inside.any() else 0.0
