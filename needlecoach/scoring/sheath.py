"""A core needle's sheath closing over its bare notch, told from the greys along a needle at rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecoach.model import BoolArray, Core, FloatArray
from needlecoach.scoring.along import Along
from needlecoach.scoring.stretch import Stretch, raised_stretch

# A spring is done within so many pictures.
MOST_FRAMES = 3
# Two looks at the needle, one before the sheath closes and one after, so long each; the point keeps to its
# place within so much from one to the other.
BEFORE_S, AFTER_S, KEPT_MM = 0.2, 0.3, 2.0
# What is covered turns brighter by so many greys against what lies beside it, by so many times the noise from
# picture to picture, and in so much of its length; ...
RISE_GREY, RISE_TO_NOISE, RISEN_SHARE = 14.0, 4.0, 0.7
# ... the shaft behind it by less than such a share of that, and the point, whose echoes mix with its own.
SHAFT_SHARE, POINT_SHARE = 0.4, 0.8
ALIKE_SHARE = 0.8
# A shorter stretch is a speck. It begins where the notch does, give or take the point's own place, ...
LEAST_BARE_MM, BEGINS_MM = 5.0, 2.5
# ... and its ends are seen as sharply as the picture is; so much shaft behind it is looked at.
EDGE_MM, END_SD_MM, BEHIND_MM = 1.0, 0.5, 6.0


@dataclass(frozen=True)
class Closing:
    """First row after a sheath closed over `bare_mm` of notch, and by how many greys that turned brighter."""

    row: int
    bare_mm: float
    sd_mm: float
    rise_grey: float


def clearest_closing(along: Along, time_s: FloatArray, visible: BoolArray, core: Core) -> Closing | None:
    """The closing that shows best in one attempt; None when none does.

    Parameters
    ----------
    along : the attempt's n frames
    time_s, visible : (n,) when, and whether the point itself was seen
    core : the needle's sizes

    Notes
    -----
    The stretch that begins where the notch does must turn brighter within three pictures and stay so while
    the point rests, with what lies on both sides of it as before: more gain, a flash and a needle that comes
    back into the plane brighten more than that. Thresholds are ours.
    """
    found = [
        closing
        for row in range(MOST_FRAMES, len(time_s))
        if (looks := _looks(row, time_s, visible, along)) is not None
        and (closing := _closing(row, along, *looks, core)) is not None
    ]
    most = max((closing.rise_grey for closing in found), default=0.0)
    # The spring is done sooner than it may take: of rows that tell the same change the first one.
    return next((closing for closing in found if closing.rise_grey >= ALIKE_SHARE * most), None)


def _looks(
    row: int, time_s: FloatArray, visible: BoolArray, along: Along
) -> tuple[BoolArray, BoolArray] | None:
    """Rows just before a sudden change that is over in a row, and from there on; None unless at rest."""
    ended_s = time_s[row - MOST_FRAMES]
    early = (time_s <= ended_s) & (time_s >= ended_s - BEFORE_S)
    late = (time_s >= time_s[row]) & (time_s <= time_s[row] + AFTER_S)
    both = early | late
    if early.sum() < 2 or late.sum() < 2 or not visible[both].all():
        return None
    places = along.tip_mm[both]
    at_rest = np.isfinite(places).all() and np.abs(places - np.median(places)).max() <= KEPT_MM
    return (early, late) if at_rest else None


def _closing(row: int, along: Along, early: BoolArray, late: BoolArray, core: Core) -> Closing | None:
    """The closing that is over in a row; None unless one stretch has turned brighter, at once and to stay."""
    behind_mm = along.behind_mm(float(np.median(along.tip_mm[early | late])))
    rise = np.median(along.grey[late], axis=0) - np.median(along.grey[early], axis=0)
    stretch = _risen(rise, behind_mm, core, along.step_mm)
    if stretch is None:
        return None
    front_mm, back_mm = stretch.front_mm, stretch.back_mm
    covered = _within(behind_mm, front_mm, back_mm)
    point = _within(behind_mm, 0.0, front_mm)
    shaft = _within(behind_mm, back_mm, back_mm + BEHIND_MM + 2 * EDGE_MM)
    around = point | shaft
    if not covered.any() or not around.any():
        return None
    level = along.grey[:, covered].mean(axis=1) - along.grey[:, around].mean(axis=1)
    step, risen = _lasting_step(level, early, late), float(np.median(rise[covered]))
    alike = _median(rise[point]) > POINT_SHARE * risen or _median(rise[shaft]) > SHAFT_SHARE * risen
    if step is None or alike or (rise[covered] > step / 4).mean() < RISEN_SHARE:
        return None
    if not _at_once(along.grey[:, covered] - along.grey[:, around].mean(axis=1)[:, None], early, late):
        return None
    return Closing(row, stretch.length_mm, float(np.hypot(stretch.length_sd_mm, END_SD_MM)), step)


def _at_once(greys: FloatArray, early: BoolArray, late: BoolArray) -> bool:
    """Whether all thirds of a stretch (n, k) turned brighter within as many pictures as a spring may take."""
    rows, turned = np.flatnonzero(early | late), []
    for part in np.array_split(greys, 3, axis=1):
        level = part.mean(axis=1) if part.shape[1] else greys.mean(axis=1)
        middle = (np.median(level[early]) + np.median(level[late])) / 2
        turned.append(int((level[rows[0] : rows[-1] + 1] < middle).sum()))
    return max(turned) - min(turned) < MOST_FRAMES


def _median(values: FloatArray) -> float:
    return float(np.median(values)) if values.size else 0.0


def _risen(rise: FloatArray, behind_mm: FloatArray, core: Core, step_mm: float) -> Stretch | None:
    """The stretch that rose, behind the point; None unless one did where a notch lies."""
    farthest_mm = core.dead_space_mm + core.notch_mm + BEHIND_MM
    near = np.flatnonzero((behind_mm >= -step_mm / 2) & (behind_mm <= farthest_mm))[::-1]
    if len(near) < 3 or float(rise[near].max()) < RISE_GREY:
        return None
    begins_mm = core.dead_space_mm - BEGINS_MM, core.dead_space_mm + BEGINS_MM
    long_mm = LEAST_BARE_MM, core.notch_mm + BEGINS_MM
    return raised_stretch(rise[near], step_mm, front_mm=begins_mm, length_mm=long_mm)


def _lasting_step(level: FloatArray, early: BoolArray, late: BoolArray) -> float | None:
    """By how many greys a level rose for good between two looks; None when it did not."""
    before, after = float(np.median(level[early])), float(np.median(level[late]))
    step, middle = after - before, (before + after) / 2
    noise = max(float(np.std(level[look])) for look in (early, late))
    clear = step >= max(RISE_GREY, RISE_TO_NOISE * noise)
    return step if clear and level[early].max() < middle < level[late].min() else None


def _within(behind_mm: FloatArray, front_mm: float, back_mm: float) -> BoolArray:
    """Samples well inside a stretch behind the point."""
    return np.asarray((behind_mm >= front_mm + EDGE_MM) & (behind_mm <= back_mm - EDGE_MM))
