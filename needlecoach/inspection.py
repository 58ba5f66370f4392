"""What the tool sees of a clip before scoring: composes clips, screen and finding, in a few seconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.clips import ClipReader, open_clip
from needlecoach.clips.fields import FieldWatch
from needlecoach.clips.reader import FileFacts
from needlecoach.errors import UnscorableError
from needlecoach.filmed import Filmed
from needlecoach.finding.candidates import find_lines
from needlecoach.marks import check_marks
from needlecoach.model import (
    BoolArray,
    FloatArray,
    Frame,
    GreyImage,
    Greys,
    Inspection,
    Marks,
    Region,
    Scale,
    Storage,
    Timing,
)
from needlecoach.recording_advice import advice, compression
from needlecoach.screen.picture import check_picture, tint_of
from needlecoach.screen.region import settle_region
from needlecoach.screen.ruler import Ruler, look_for_ruler
from needlecoach.screen.scale import choose_scale, known_scale

SAMPLED, RUNS, RUN_FRAMES = 12, 4, 40
# Frames kept in memory at once; a very large screen is looked at in fewer.
_MOST_BYTES = 200_000_000
# A frame repeats the one before when it differs by no more than coding leaves, in the mean and on every spot
# of 9 x 9 px. Drawn clips, doubled and coded: seven to nine repeats of ten stay below, few new frames do.
_REPEAT_MEAN, _REPEAT_SPOT = 0.2, 3.5
_SATURATED, _BLOCK_PX = 250, 8
# For a quick look the region is brought to so many rows; without a scale it is taken to be so deep.
_LOOK_ROWS, _LOOK_DEPTH_MM, _LOOK_PARTS = 330, 50.0, 4
_LINE_MM = 5.0

Runs = Sequence[list[Frame]]
Tint = Literal["grey", "tinted", "coloured", "not known"]
Interlaced = Literal["woven", "flagged", "no", "not known"]


def region_of(reader: ClipReader, box_px: tuple[int, int, int, int] | None) -> Region:
    """Region by the user's box, else by the file, else found on a few frames.

    Raises
    ------
    UnscorableError
        When no picture stands out on the screen.
    MarksError
        When the box does not lie in the frame.
    """
    frames = reader.sample_frames(_few(reader, SAMPLED))
    size_px = (reader.clip.width_px, reader.clip.height_px)
    of_file = reader.areas[0].box_px if reader.areas else None
    return settle_region(frames, size_px, given=box_px, of_file=of_file)


def inspect_clip(path: Path, marks: Marks, *, fps: float | None = None) -> tuple[Inspection, Frame, Marks]:
    """Look at a recording without following anything in it.

    Parameters
    ----------
    path : a video file or a folder of numbered images
    marks : what is known of it; nothing is needed
    fps : frames per second, for a folder of images only

    Returns
    -------
    Inspection, Frame, Marks
        What was seen, a frame from the middle to draw it on, and the marks in its px: those given, but for a
        filmed screen, which is looked at set straight.

    Raises
    ------
    ClipError
        When the recording can't be read.
    MarksError
        When a mark is impossible or lies outside the frame.
    """
    with open_clip(path, fps=fps) as recorded:
        check_marks(marks, recorded.clip)
        reader, corners = recorded, None
        if marks.screen is not None:
            filmed = Filmed.of(recorded, marks)
            reader, marks, corners = filmed.reader, filmed.marks, filmed.straight.corners_px
        region, problem, tint = _picture_of(reader, marks)
        if corners is not None and region is not None:
            filmed.check_outline(region)
        runs = reader.stretches(RUNS, max(2, _few(reader, RUNS * RUN_FRAMES) // RUNS))
        cut = Cut.of(region or _whole_frame(reader))
        ruler, ruler_words = _ruler_of(reader, region)
        scale, notes = _scale_of(reader, marks, region, ruler)
        times_s, facts = np.array(reader.times_s()), reader.facts()
        # A filmed screen's picture is not what was coded: the camera's whole frame was.
        coded, stored_px = runs, cut.area_px
        if corners is not None:
            coded, stored_px = recorded.stretches(RUNS, 1), recorded.clip.width_px * recorded.clip.height_px
    lines_mm = [line_mm(cut, run, scale) for run in runs if len(run) >= 2 * _LOOK_PARTS]
    found = Inspection(
        clip=reader.clip,
        storage=_storage(facts, coded, n_stored_px=len(times_s) * stored_px),
        timing=_timing(times_s, runs, cut, flagged=facts.flagged_interlaced),
        greys=_greys(runs, cut),
        region=region,
        region_problem=problem,
        tint=tint,
        scale=scale,
        scale_notes=notes,
        ruler=ruler_words,
        ticks_px=np.zeros((0, 2)) if ruler is None else ruler.ticks_px,
        screen_corners_px=corners,
        looked_at=sum(len(run) for run in runs),
        looks=len(lines_mm),
        looks_with_line=sum(length_mm >= _LINE_MM for length_mm in lines_mm),
    )
    middle = runs[len(runs) // 2]
    return replace(found, advice=advice(found)), middle[len(middle) // 2], marks


def _few(reader: ClipReader, count: int) -> int:
    """So many frames, or fewer where they are too large to be kept."""
    return max(2, min(count, _MOST_BYTES // (reader.clip.width_px * reader.clip.height_px)))


def _whole_frame(reader: ClipReader) -> Region:
    return Region("rectangle", (0, 0, max(reader.clip.width_px, 8), max(reader.clip.height_px, 8)))


def _picture_of(reader: ClipReader, marks: Marks) -> tuple[Region | None, str, Tint]:
    """Region, what is wrong with it, and the picture's tint."""
    try:
        region = region_of(reader, marks.region_box_px)
    except UnscorableError as problem:
        return None, str(problem), "not known"
    check_marks(marks, reader.clip, region=region)
    size_px = (reader.clip.width_px, reader.clip.height_px)
    colours = reader.sample_colour(_few(reader, SAMPLED))
    tint = tint_of(colours, region, size_px)
    try:
        check_picture(colours, region, size_px)
    except UnscorableError as problem:
        return region, str(problem), tint
    return region, "", tint


def _ruler_of(reader: ClipReader, region: Region | None) -> tuple[Ruler | None, str]:
    """Ruler beside the picture, and what it is like or why none could be read."""
    if region is None:
        return None, "not looked for without a picture"
    ruler, why = look_for_ruler(reader.sample_frames(_few(reader, SAMPLED)), region)
    return ruler, f"none: {why}" if ruler is None else ruler.words


def _scale_of(
    reader: ClipReader, marks: Marks, region: Region | None, ruler: Ruler | None
) -> tuple[Scale | None, tuple[str, ...]]:
    area = reader.area_for(marks.region_box_px)
    of_file = None if area is None else area.scale
    if region is None:
        return choose_scale(marks.scale, of_file)
    scale, notes = known_scale(marks, of_file, ruler, region)
    return scale, (*reader.area_faults, *notes)


@dataclass(frozen=True, eq=False)
class Cut:
    """The region cut out of frames: its box, and which of its pixels lie in it."""

    box_px: tuple[int, int, int, int]
    inside: BoolArray

    @classmethod
    def of(cls, region: Region) -> Cut:
        x, y, w, h = region.box_px
        mask = region.mask(y + h, x + w)
        return cls(region.box_px, mask[max(y, 0) :, max(x, 0) :])

    @property
    def area_px(self) -> int:
        return int(np.count_nonzero(self.inside))

    def out_of(self, frame: Frame) -> GreyImage:
        x, y, w, h = self.box_px
        return np.ascontiguousarray(frame.pixels[max(y, 0) : y + h, max(x, 0) : x + w])

    def inside_of(self, picture: GreyImage) -> GreyImage:
        """Pixels of a picture cut out that lie in the region, shape (n,)."""
        return np.asarray(picture[self.inside[: picture.shape[0], : picture.shape[1]]])


def _storage(facts: FileFacts, runs: Runs, *, n_stored_px: int) -> Storage:
    known = facts.n_bytes > 0 and n_stored_px > 0
    bits_per_px = 8 * facts.n_bytes / n_stored_px if known else float("nan")
    blocks = float(np.mean([blockiness(run[0].pixels) for run in runs]))
    return Storage(
        container=facts.container,
        codec=facts.codec,
        pixel_format=facts.pixel_format,
        bits_per_px=bits_per_px,
        blockiness=blocks,
        compression=compression(bits_per_px, blocks),
    )


def blockiness(pixels: GreyImage) -> float:
    """Mean step from column to column at the borders of blocks of 8 px over that elsewhere; 1 shows none."""
    steps = np.abs(np.diff(pixels.astype(np.int16), axis=1)).mean(axis=0)
    at_border = np.arange(1, len(steps) + 1) % _BLOCK_PX == 0
    if not at_border.any() or steps[~at_border].mean() <= 0:
        return float("nan")
    return float(steps[at_border].mean() / steps[~at_border].mean())


def _timing(times_s: FloatArray, runs: Runs, cut: Cut, *, flagged: bool) -> Timing:
    steps_s = np.diff(times_s)
    usual_s = float(np.median(steps_s)) if len(steps_s) else float("nan")
    spread_s = float(np.ptp(np.percentile(steps_s, [5, 95]))) if len(steps_s) else float("nan")
    same = [is_repeat(cut.out_of(one), cut.out_of(later)) for run in runs for one, later in pairwise(run)]
    return Timing(
        n_frames=len(times_s),
        length_s=float(np.ptp(times_s)) if len(times_s) else 0.0,
        fps=1 / usual_s,
        step_spread_share=spread_s / usual_s,
        same_share=float(np.mean(same)) if same else float("nan"),
        interlaced=_interlaced(runs, flagged=flagged),
    )


def is_repeat(one: GreyImage, later: GreyImage) -> bool:
    """Tell whether a picture is the one before once more, but for what coding leaves."""
    change = cv2.subtract(later.astype(np.int16), one.astype(np.int16)).astype(np.float32)
    spots = cv2.blur(change, (9, 9))
    return bool(np.abs(change).mean() < _REPEAT_MEAN and np.abs(spots).max() < _REPEAT_SPOT)


def _change(one: GreyImage, other: GreyImage) -> GreyImage:
    return np.asarray(cv2.absdiff(one, other), dtype=np.uint8)


def _interlaced(runs: Runs, *, flagged: bool) -> Interlaced:
    watch = FieldWatch()
    for run in runs:
        for number, frame in enumerate(run):
            watch.see(number, frame.pixels)
    if watch.woven is None:
        return "flagged" if flagged else "not known"
    return "woven" if watch.woven else "no"


def _greys(runs: Runs, cut: Cut) -> Greys:
    shown = np.concatenate([cut.inside_of(cut.out_of(frame)) for run in runs for frame in run[::10]])
    changes = [
        float(np.median(cut.inside_of(_change(cut.out_of(one), cut.out_of(later))).astype(float)))
        for run in runs
        for one, later in pairwise(run)
    ]
    low, high = np.percentile(shown, [5, 95])
    return Greys(
        mean=float(shown.mean()),
        range=float(high - low),
        saturated_share=float((shown >= _SATURATED).mean()),
        flicker=float(np.median(changes)) if changes else float("nan"),
    )


def line_mm(cut: Cut, run: Sequence[Frame], scale: Scale | None) -> float:
    """Length of the best straight line that is bright in a part of a run only, 0 without one.

    Of a few parts of the run the mean pictures are held against the darkest of them. What slides under the
    probe shows too: a line is a chance of a needle, no proof.
    """
    zoom = min(_LOOK_ROWS / cut.box_px[3], 1.0)
    depth_mm = _LOOK_DEPTH_MM if scale is None else cut.box_px[3] * scale.y_mm_per_px
    size = max(round(cut.box_px[2] * zoom), 16), max(round(cut.box_px[3] * zoom), 16)
    parts = _mean_parts([_resized(cut.out_of(frame), size) for frame in run])
    inner = cv2.erode(np.pad(_resized(cut.inside.astype(np.uint8), size), 1), np.ones((9, 9), np.uint8))
    mask = inner[1:-1, 1:-1] > 0
    changes = parts - parts.min(axis=0)
    lines = [find_lines(change, step_mm=depth_mm / size[1], mask=mask, count=1) for change in changes]
    return max((line.support_mm for found in lines for line in found), default=0.0)


def _resized(picture: GreyImage, size: tuple[int, int]) -> GreyImage:
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _mean_parts(pictures: Sequence[GreyImage]) -> npt.NDArray[np.float32]:
    """Smoothed mean pictures of a few parts of a run, (parts, h, w)."""
    parts = np.array_split(np.stack(pictures).astype(np.float32), _LOOK_PARTS)
    return np.stack([cv2.GaussianBlur(np.asarray(part.mean(axis=0)), (0, 0), 1.0) for part in parts])
