"""Pictures of a block -> BlockCheck: opens them, finds region and scale, composes the steps of this room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from needlecoach.blockcheck.depth import depth_fall
from needlecoach.blockcheck.gas import Spots, find_gas, pockets, shadow_share, spots_mask
from needlecoach.blockcheck.layer_lines import find_layer_lines, lines_seen
from needlecoach.blockcheck.paths import Ground, obstacles_of, paths_to
from needlecoach.blockcheck.speckle import Cells, speckle_cells
from needlecoach.blockcheck.texture import check_is_gel, even_blocks, texture
from needlecoach.blockcheck.verdict import reasons_for, verdict_of
from needlecoach.blockcheck.view import View
from needlecoach.clips import ClipReader, open_clip
from needlecoach.errors import MarksError, UnscorableError
from needlecoach.marks import check_marks
from needlecoach.model import (
    Block,
    BlockCheck,
    BoolArray,
    CheckedPicture,
    Frame,
    LayerLine,
    Marks,
    Region,
    Scale,
    Sound,
    Target,
    TargetPaths,
    TextureMap,
)
from needlecoach.screen.picture import tint_of
from needlecoach.screen.region import settle_region
from needlecoach.screen.scale import settle_scale
from needlecoach.screen.sound import sound_in

Progress = Callable[[float, int], None]

# Scanners spread 50 to 70 dB over their greys (common practice, no source).
DYNAMIC_RANGE_DB, LIMITS_RANGE_DB = 60.0, (20.0, 120.0)
# Pictures looked at of a sweep; times carry nothing here, so any rate opens a folder of images.
PICTURES, _ANY_FPS = 8, 10.0
# Round a target its wall, round gas its rim: neither is gel.
_WALL_MM, _RIM_MM = 1.2, 0.6
# A marked target is one of the block's when its depth fits to this.
_SAME_DEPTH_SHARE, _SAME_DEPTH_MM = 0.15, 4.0


@dataclass(frozen=True)
class Wish:
    """How to look: targets marked, the scanner's dynamic range, a stretch of frames, the block's file."""

    targets: tuple[Target, ...] = ()
    dynamic_range_db: float = DYNAMIC_RANGE_DB
    frames: tuple[int, int] | None = None
    block: Block | None = None

    def __post_init__(self) -> None:
        low, high = LIMITS_RANGE_DB
        if not low <= self.dynamic_range_db <= high:  # NaN is not within
            raise MarksError(
                f"--dynamic-range-db must be from {low:g} to {high:g} dB, got {self.dynamic_range_db:g}; "
                "60 is usual."
            )


@dataclass(frozen=True, eq=False)
class _Look:
    """One picture on its way: what it is of, its view, the targets on it and what was seen."""

    source: str
    frame: int
    view: View
    targets: tuple[tuple[str, Target], ...]
    spots: Spots
    mask: BoolArray
    lines: tuple[LayerLine, ...]
    cells: Cells


def check_block(
    paths: Sequence[Path], marks: Sequence[Marks], wish: Wish, *, progress: Progress | None = None
) -> BlockCheck:
    """Look at a block on a sweep or on stills and tell whether it came out well.

    Parameters
    ----------
    paths : videos, DICOM files, folders of numbered images, or single stills, all of the same block
    marks : what is known of each: the scale, where the file does not tell it, and its target if it has one
    wish : how to look; its targets are on the first of the pictures
    progress : called with pictures done and pictures in all

    Returns
    -------
    BlockCheck

    Raises
    ------
    ClipError
        When a recording can't be read.
    MarksError
        When a mark is missing or lies outside the picture.
    UnscorableError
        When the pictures show no gel block; the message says what they show.
    """
    medium = next((one.medium for one in marks if one.medium is not None), None)
    if medium is None and wish.block is not None:
        medium = wish.block.scanned_medium
    sound = None if medium is None else sound_in(medium)
    looks: list[_Look] = []
    notes: list[str] = []
    for path, own in zip(paths, marks, strict=True):
        targets = _targets_of(own, wish, first=not looks)
        with open_clip(path, fps=_ANY_FPS if path.is_dir() else None) as reader:
            found, said = _looks_at(reader, replace(own, medium=None), targets, wish, sound)
        looks += found
        notes += [one for one in said if one not in notes]
        if progress is not None:
            progress(len(looks), 0)
    check_is_gel([look.cells for look in looks], ", ".join(path.name for path in paths[:3]))
    return _put_together(paths, looks, wish, sound, notes)


def _targets_of(marks: Marks, wish: Wish, *, first: bool) -> list[tuple[str, Target]]:
    """Targets with their names: that of the marks file, then those of the command line."""
    found = [] if marks.target is None else [(marks.target_name or "the marked target", marks.target)]
    given = wish.targets if first else ()
    found = [] if given else found
    return found + [
        (f"target {number}" if len(given) > 1 else "the marked target", target)
        for number, target in enumerate(given, start=1)
    ]


def _looks_at(
    reader: ClipReader, marks: Marks, targets: list[tuple[str, Target]], wish: Wish, sound: Sound | None
) -> tuple[list[_Look], tuple[str, ...]]:
    if marks.screen is not None:
        raise MarksError(
            f"{reader.clip.path.name}: a filmed screen can't be checked; give the scanner's own recording."
        )
    for _, target in targets:
        check_marks(replace(marks, target=target), reader.clip)
    frames = _frames(reader, targets, wish.frames)
    size_px = (reader.clip.width_px, reader.clip.height_px)
    of_file = reader.areas[0].box_px if reader.areas else None
    try:
        region = settle_region(frames, size_px, given=marks.region_box_px, of_file=of_file)
    except UnscorableError as problem:
        # What scoring advises, to set a filmed screen straight, is not done here.
        raise UnscorableError(
            f"{reader.clip.path}: no ultrasound picture stands out; give its place with --region x,y,w,h, "
            "or a recording that no camera made of the screen."
        ) from problem
    _check_colours(reader, region, size_px)
    for _, target in targets:
        check_marks(replace(marks, target=target), reader.clip, region=region)
    area = reader.area_for(marks.region_box_px)
    name = reader.clip.path.name
    scale, notes = settle_scale(
        replace(marks, target=targets[0][1] if targets else None),
        None if area is None else area.scale,
        frames,
        region,
        sound,
        clip_name=name,
        faults=reader.area_faults,
    )
    alone = len(frames) == 1
    return [_look(name, frame, region, scale, targets, wish, alone=alone) for frame in frames], notes


def _frames(
    reader: ClipReader, targets: Sequence[tuple[str, Target]], stretch: tuple[int, int] | None
) -> list[Frame]:
    """Frames spread over the sweep, with those on which targets are marked, in their order."""
    marked = {target.frame for _, target in targets}
    n = reader.clip.n_frames or len(reader.times_s())
    first, last = (0, n - 1) if stretch is None else stretch
    if not 0 <= first <= last < n:
        raise MarksError(
            f"{reader.clip.path.name}: --frames {first}-{last} does not lie in its frames 0 to {n - 1}."
        )
    spread = set(np.linspace(first, last, PICTURES).round().astype(int).tolist())
    found = reader.read_frames(sorted(spread | {min(one, n - 1) for one in marked}))
    return [found[number] for number in sorted(found)]


def _check_colours(reader: ClipReader, region: Region, size_px: tuple[int, int]) -> None:
    if tint_of(reader.sample_colour(2), region, size_px) == "coloured":
        raise UnscorableError(
            f"{reader.clip.path.name}: this is no grey ultrasound picture but one of several colours, whose "
            "levels can't be read; record without colour flow or colour maps."
        )


def _look(
    source: str,
    frame: Frame,
    region: Region,
    scale: Scale,
    every: Sequence[tuple[str, Target]],
    wish: Wish,
    *,
    alone: bool,
) -> _Look:
    """Look at one frame; a target marked on another is left out here too, as the probe may rest on it."""
    view = View.of(frame.pixels, region, scale, wish.dynamic_range_db)
    marked = targets_mask(view, [target for _, target in every])
    targets = tuple(pair for pair in every if alone or pair[1].frame == frame.number)
    spots = find_gas(view, left_out=marked)
    mask = marked | spots_mask(view, spots.gas, margin_mm=_RIM_MM)
    lines = find_layer_lines(view, left_out=mask)
    return _Look(source, frame.number, view, targets, spots, mask, lines, speckle_cells(view, left_out=mask))


def targets_mask(view: View, targets: Sequence[Target]) -> BoolArray:
    """Pixels of the cut, (h, w), that lie in a target or its wall."""
    mask = np.zeros(view.greys.shape, np.uint8)
    for target in targets:
        cv2.fillPoly(mask, [(target.outline_px - view.corner_px).round().astype(np.int32)], (1,))
    grow = max(round(_WALL_MM / view.scale.mean_mm_per_px), 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grow + 1, 2 * grow + 1))
    return np.asarray(cv2.dilate(mask, kernel) > 0)


def _put_together(
    paths: Sequence[Path], looks: Sequence[_Look], wish: Wish, sound: Sound | None, notes: Sequence[str]
) -> BlockCheck:
    views, masks = [look.view for look in looks], [look.mask for look in looks]
    cells = [look.cells for look in looks]
    scales = [(look.view.scale.x_mm_per_px, look.view.scale.y_mm_per_px) for look in looks]
    gas = pockets([look.spots.gas for look in looks], scales)
    share = max(shadow_share(look.view, look.spots.gas) for look in looks)
    pictures = tuple(_picture(look, sound, wish.block) for look in looks)
    targets = [target for picture in pictures for target in picture.targets]
    found, fall = texture(cells, wish.dynamic_range_db), depth_fall(views, masks, cells)
    reasons = reasons_for(
        gas=gas,
        shadow_share=share,
        texture=found,
        depth=fall,
        lines=lines_seen([look.lines for look in looks]),
        targets=targets,
        n_pictures=len(looks),
    )
    return BlockCheck(
        sources=tuple(path.name for path in paths),
        verdict=verdict_of(reasons),
        reasons=reasons,
        pictures=pictures,
        gas=tuple(gas),
        shadow_share=share,
        texture=found,
        depth=fall,
        sound=sound,
        block_code="" if wish.block is None else wish.block.code,
        notes=(*notes, *_missing(targets)),
    )


def _missing(targets: Sequence[TargetPaths]) -> tuple[str, ...]:
    if targets:
        return ()
    return ("No target is marked, so ways for a needle were not looked for: give --target, or mark it.",)


def _picture(look: _Look, sound: Sound | None, block: Block | None) -> CheckedPicture:
    view, cells = look.view, look.cells
    ground = Ground(view.region, view.scale, sound)
    corner = view.corner_px
    return CheckedPicture(
        source=look.source,
        frame=look.frame,
        greys=np.where(view.inside, view.greys, 0).astype(np.uint8),
        corner_px=(float(corner[0]), float(corner[1])),
        region=view.region,
        scale=view.scale,
        gas=look.spots.gas,
        n_specks=look.spots.n_specks,
        layer_lines=look.lines,
        texture=TextureMap(
            cells.corner_px + corner,
            cells.size_px,
            cells.snr,
            cells.level_db,
            tuple(even_blocks(cells).tolist()),
        ),
        targets=tuple(_ways(pair, look, ground, block) for pair in look.targets),
    )


def _ways(pair: tuple[str, Target], look: _Look, ground: Ground, block: Block | None) -> TargetPaths:
    name, target = pair
    others = [other for other in look.targets if other is not pair]
    depth_mm = ground.depth_mm(target)
    known, note = _in_block(name, depth_mm, block)
    return TargetPaths(
        name=known,
        outline_px=target.outline_px,
        depth_mm=depth_mm,
        paths=paths_to(target, obstacles_of(look.spots.gas, others), ground),
        note=note,
    )


def _in_block(name: str, depth_mm: float, block: Block | None) -> tuple[str, str]:
    """Name of the block's only target that lies so deep, and a note; the name as it was where none fits."""
    if block is None:
        return name, ""
    allowed = max(_SAME_DEPTH_MM, _SAME_DEPTH_SHARE * depth_mm)
    fits = [target for target in block.targets if abs(target.depth_mm - depth_mm) <= allowed]
    if len(fits) == 1:
        return (
            fits[0].name,
            f"By its depth this is {fits[0].name} of block {block.code} (cast at {fits[0].depth_mm:g} mm).",
        )
    if not fits:
        return name, f"No target of block {block.code} was to lie at this depth: it may have sunk or floated."
    names = " or ".join(target.name for target in fits)
    return name, f"By its depth this may be {names} of block {block.code}."
