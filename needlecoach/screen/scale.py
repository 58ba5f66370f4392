"""Which scale holds when several are known: the user's, the file's, the ruler's, or the target's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from needlecoach.errors import MarksError
from needlecoach.model import Frame, Marks, Region, Scale, Sound, Target
from needlecoach.screen.ruler import Ruler, look_for_ruler
from needlecoach.screen.sound import true_target

# Two scales agree when they differ by less than this share, or by less than so many standard uncertainties.
AGREE_SHARE, AGREE_SDS = 0.01, 2.0
# A scale makes the distance of a ruler's ticks one of these, in mm, to within a share and so many sds.
ROUND_MM = (0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 25.0, 50.0)
ROUND_SHARE, ROUND_SDS = 0.02, 3.0
# A hand marks a diameter to 1 or 2 %, and a picture cuts a ball beside its middle: more than this is a slip.
SIZE_SHARE = 0.1
# Scanners show less than this: common practice, no source.
DEEPEST_MM = 400.0
SCALE_ADVICE = (
    'give --scale "x1,y1,x2,y2=40mm" (two points on the ruler and the mm between them) or --mm-per-px, or '
    'write "scale": {"points_px": [[x1, y1], [x2, y2]], "mm": 40} into the marks file'
)


def settle_scale(
    marks: Marks,
    of_file: Scale | None,
    frames: Sequence[Frame],
    region: Region,
    sound: Sound | None = None,
    *,
    clip_name: str = "clip",
    faults: Sequence[str] = (),
) -> tuple[Scale, tuple[str, ...]]:
    """Scale to measure with, from all that is known of it.

    Parameters
    ----------
    marks : what the user said; `target_mm` is of the target as it is, so `sound` straightens its outline
    of_file : what the file itself says
    frames : some of the recording, to find a ruler in
    region : the ultrasound picture
    sound : what depths are corrected by; None when they are not
    clip_name, faults : for the error: the recording's name, and why the file's own calibration was not used

    Returns
    -------
    Scale
        The first known of: marked points or stated pixels, the file's, the ruler's, that of the target.
    tuple of str
        Sentences for the reader: scales that contradict the one used, a ruler that could not be read.

    Raises
    ------
    MarksError
        When no scale is known; it tells what a ruler that was found needs.
    """
    ruler, why = look_for_ruler(frames, region)
    scale, notes = known_scale(marks, of_file, ruler, region, sound)
    if scale is None:
        unused = "".join(f" ({fault})" for fault in faults)
        raise MarksError(f"{clip_name}: {_what_is_missing(marks, ruler, why, unused)}.")
    if marks.tick_mm is not None and ruler is None:
        notes = (*notes, f"No ruler could be read, so the size of its ticks was not used: {why}.")
    return scale, notes


def known_scale(
    marks: Marks, of_file: Scale | None, ruler: Ruler | None, region: Region, sound: Sound | None = None
) -> tuple[Scale | None, tuple[str, ...]]:
    """Scale from all that is known, as `settle_scale` takes it; None where nothing is."""
    by_ruler = None if ruler is None or marks.tick_mm is None else ruler.scale(marks.tick_mm)
    scale, notes = choose_scale(marks.scale, of_file, by_ruler, _by_target(marks, region, sound))
    if scale is None:
        return None, notes
    if ruler is not None and marks.tick_mm is None:
        notes = (*notes, *_odd_ticks(scale, ruler))
    return scale, (*notes, *_odd_size(scale, marks, region, sound), *_too_deep(scale, region))


def _odd_size(scale: Scale, marks: Marks, region: Region, sound: Sound | None) -> tuple[str, ...]:
    """A note when the marked target comes out at another size than the true one that was stated."""
    if marks.target_true_mm is None:
        return ()
    stated = _by_target(replace(marks, target_mm=marks.target_true_mm), region, sound)
    if stated is None:
        return ()
    share = scale.mean_mm_per_px / stated.mean_mm_per_px - 1
    if abs(share) <= SIZE_SHARE:
        return ()
    return (
        f"The marked target is {marks.target_true_mm * (1 + share):.3g} mm across, {abs(share):.0%} "
        f"{'more' if share > 0 else 'less'} than its true {marks.target_true_mm:g} mm. Check scale and "
        "outline.",
    )


def _too_deep(scale: Scale, region: Region) -> tuple[str, ...]:
    """A note when the scale makes the picture deeper than a scanner shows."""
    deep_mm = region.depth_range_px * scale.y_mm_per_px
    if deep_mm <= DEEPEST_MM:
        return ()
    return (f"By this scale the picture is {deep_mm:.0f} mm deep, more than scanners show. Check the scale.",)


def _by_target(marks: Marks, region: Region, sound: Sound | None) -> Scale | None:
    if marks.target is None or marks.target_mm is None:
        return None
    target: Target = marks.target if sound is None else true_target(marks.target, region, sound)
    return Scale.from_target(target, marks.target_mm)


def _what_is_missing(marks: Marks, ruler: Ruler | None, why: str, unused: str) -> str:
    if ruler is not None:
        return (
            f"no scale is marked{unused}. A ruler was found: {ruler.words}; give --tick-mm, the mm from each "
            "tick to the next, short ones too (or --scale or --mm-per-px)"
        )
    if marks.tick_mm is not None:
        return f"no ruler could be read for --tick-mm: {why}{unused}; {SCALE_ADVICE}"
    if marks.target_mm is not None:
        return f"no target is there to take the scale from{unused}; {SCALE_ADVICE}"
    return f"no scale is marked{unused}; {SCALE_ADVICE}"


def _odd_ticks(scale: Scale, ruler: Ruler) -> tuple[str, ...]:
    """A note when the scale gives a ruler's ticks a distance that no ruler has."""
    along = scale.x_mm_per_px if ruler.side in ("above", "below") else scale.y_mm_per_px
    tick_mm = along * ruler.spacing_px
    allowed = max(ROUND_SHARE, ROUND_SDS * float(np.hypot(scale.sd_share, ruler.sd_share)))
    if any(abs(tick_mm / size - 1) <= allowed for size in ROUND_MM):
        return ()
    return (
        f"By this scale the ticks of the ruler on the screen are {tick_mm:.3g} mm apart, which is no usual "
        f"distance ({ruler.words}). Check the scale; every distance depends on it.",
    )


def choose_scale(*candidates: Scale | None) -> tuple[Scale | None, tuple[str, ...]]:
    """Take the first scale that is known, and tell which later ones contradict it.

    Parameters
    ----------
    candidates : in order of trust: what the user marked, what the file says, what the ruler shows; None where
        nothing is known

    Returns
    -------
    Scale or None
        None when nothing at all is known.
    tuple of str
        A sentence for the reader per contradiction.
    """
    known = [scale for scale in candidates if scale is not None]
    if not known:
        return None, ()
    chosen, *others = known
    return chosen, tuple(_contradiction(chosen, other) for other in others if not agree(chosen, other))


def agree(one: Scale, other: Scale) -> bool:
    """Tell whether two scales are the same within their uncertainties along both axes."""
    allowed = max(AGREE_SHARE, AGREE_SDS * float(np.hypot(one.sd_share, other.sd_share)))
    return all(abs(a / b - 1) <= allowed for a, b in zip(_sides(one), _sides(other), strict=True))


def _sides(scale: Scale) -> tuple[float, float]:
    return scale.x_mm_per_px, scale.y_mm_per_px


def _contradiction(chosen: Scale, other: Scale) -> str:
    return (
        f"Two scales contradict each other: {_words(chosen)} was used, {_words(other)} was not. Check both; "
        "every distance depends on it."
    )


def _words(scale: Scale) -> str:
    x, y = _sides(scale)
    size = f"{x:.4g}" if x == y else f"{x:.4g} x {y:.4g}"
    return f"{size} mm per pixel ({scale.source})"
