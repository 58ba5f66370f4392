"""Finds the ruler beside the picture: where its ticks are, how far apart, and which of them are longer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from needlecoach.model import BoolArray, FloatArray, Frame, Region, Scale
from needlecoach.screen.comb import Comb, IntArray, fit_comb
from needlecoach.screen.ticks import TickMarks

Side = Literal["left", "right", "above", "below"]

# Ticks keep this far from the picture; what lies nearer may be its own edge.
_CLEAR_PX = 2
# A ruler spans this share of the picture's side at least, and overhangs it by at most that.
_LEAST_SPAN, _MOST_OVERHANG = 0.5, 0.12
# Of its ticks at most this share may be covered, and so many other marks per tick may lie in line with them.
_MOST_MISSING, _MOST_STRAYS = 0.3, 0.2
# The spacing must be known to this share: twice that is 1 %.
_MOST_SD_SHARE = 0.005
# A ruler starts at the skin: one tick lies there, to within px or a share of the spacing.
_START_PX, _START_SHARE = 3.0, 0.08
# Long ticks have so many times the brightness of short ones, and so many of all ticks keep to the rule.
_LONGER, _KEEP_RULE = 1.25, 0.9
_MOST_EVERY = 10
_SAME_SPACING = 0.02


@dataclass(frozen=True, eq=False)
class Ruler:
    """A row of evenly spaced ticks beside the picture.

    Attributes
    ----------
    side : where it lies, seen from the picture
    ticks_px : (n, 2) float
        Centres of the ticks that were found, in order along the ruler.
    steps : (n,) int
        Number of each tick counted from the first found; numbers that are left out were covered.
    spacing_px, spacing_sd_px : distance of neighbouring ticks and its standard uncertainty
    is_major : (n,) bool
        The longer (or larger, or brighter) ticks.
    major_every : every which tick is longer; None when all are alike
    """

    side: Side
    ticks_px: FloatArray
    steps: IntArray
    spacing_px: float
    spacing_sd_px: float
    is_major: BoolArray
    major_every: int | None

    @property
    def major_spacing_px(self) -> float | None:
        """Distance of neighbouring long ticks; None when all are alike."""
        return None if self.major_every is None else self.major_every * self.spacing_px

    @property
    def sd_share(self) -> float:
        """Relative standard uncertainty of the spacing."""
        return self.spacing_sd_px / self.spacing_px

    @property
    def words(self) -> str:
        """What was found, such as "9 ticks, 51.7 px apart, every 2nd longer"."""
        longer = "" if self.major_every is None else f", every {_ordinal(self.major_every)} longer"
        return f"{len(self.steps)} ticks, {self.spacing_px:.4g} px apart{longer}"

    def scale(self, tick_mm: float) -> Scale:
        """Scale when neighbouring ticks are `tick_mm` apart; MarksError for an impossible one."""
        return Scale.from_ruler(
            self.spacing_px, spacing_sd_px=self.spacing_sd_px, tick_mm=tick_mm, n_ticks=len(self.steps)
        )


def find_ruler(frames: Sequence[Frame], region: Region) -> Ruler | None:
    """Find the ruler beside the picture; None when there is none that can be told for sure."""
    return look_for_ruler(frames, region)[0]


def look_for_ruler(frames: Sequence[Frame], region: Region) -> tuple[Ruler | None, str]:
    """Find the ruler beside the picture, or say why not.

    Parameters
    ----------
    frames : pictures of one recording, best spread over it: their mean is read
    region : the ultrasound picture; what lies in it is not looked at

    Returns
    -------
    Ruler or None
        One that runs down the left or right side goes before one above or below.
    str
        Reason in words when there is none, else empty.
    """
    if not frames:
        return None, "the recording holds no frame"
    mean = np.mean([frame.pixels for frame in frames], axis=0)
    free = _free(region, mean.shape)
    why = ""
    for sideways in (False, True):
        for image in (mean, 255 - mean):
            ruler, reason = _look(image, free, region, sideways=sideways)
            if ruler is not None or reason.startswith(_AMBIGUOUS):
                return ruler, reason
            why = why or reason
    return None, why or "no row of evenly spaced marks lies beside the picture"


_AMBIGUOUS = "two rows of ticks"


def _free(region: Region, shape: tuple[int, int]) -> BoolArray:
    """Pixels clear of the picture, shape (height, width)."""
    size = 2 * _CLEAR_PX + 1
    picture = cv2.dilate(region.mask(*shape).astype(np.uint8), np.ones((size, size), np.uint8))
    return np.asarray(picture == 0)


@dataclass(frozen=True)
class _Side:
    """The picture's extent along a ruler, where rulers start, and the picture's middle the other way."""

    start: float
    end: float
    skin: tuple[float, ...]
    across: float


def _side(region: Region, *, sideways: bool) -> _Side:
    x, y, w, h = region.box_px
    if sideways:
        # Across, rulers start at an edge of the picture or are counted from its middle.
        middle = x + (w - 1) / 2 if region.apex_px is None else region.apex_px[0]
        return _Side(x, x + w - 1, (x, middle, x + w - 1), y + (h - 1) / 2)
    skin = y if region.apex_px is None else region.apex_px[1] + region.r_min_px
    return _Side(skin, y + h - 1, (skin,), x + (w - 1) / 2)


@dataclass(frozen=True, eq=False)
class _Row:
    """A comb of marks that has passed as a row of ticks."""

    marks: IntArray
    comb: Comb
    major_every: int | None
    is_major: BoolArray
    starts_at_skin: bool


def _look(image: FloatArray, free: BoolArray, region: Region, *, sideways: bool) -> tuple[Ruler | None, str]:
    """Look for bright ticks along one direction; the reason is empty when nothing is like a ruler at all."""
    if sideways:
        image, free = image.T, free.T
    side = _side(region, sideways=sideways)
    overhang = _MOST_OVERHANG * (side.end - side.start)
    free = free.copy()
    free[: max(int(side.start - overhang), 0)] = False
    free[int(side.end + overhang) + 1 :] = False
    marks = TickMarks(image, free)
    if marks.too_many:
        return None, "too much is drawn beside the picture to tell ticks in it"
    rows, why = [], ""
    for group in marks.rows():
        row, reason = _row(marks, group, side)
        rows += [] if row is None else [row]
        why = why or reason
    if not rows:
        return None, why
    best = max(rows, key=lambda row: (row.starts_at_skin, row.comb.worth))
    rivals = [row for row in rows if row.starts_at_skin == best.starts_at_skin]
    other = next((row for row in rivals if not _same(best.comb, row.comb)), None)
    if other is not None:
        spacings = f"{best.comb.spacing_px:.4g} and {other.comb.spacing_px:.4g} px"
        return None, f"{_AMBIGUOUS} beside the picture contradict each other ({spacings} apart)"
    return _ruler(marks, best, side, sideways=sideways), ""


def _row(marks: TickMarks, group: IntArray, side: _Side) -> tuple[_Row | None, str]:
    """Row of ticks among marks that lie in line, or why it is none; no reason where nothing is like one."""
    comb = fit_comb(marks.y_px[group])
    if comb is None or comb.n_strays > _MOST_STRAYS * len(comb.members):
        return None, ""
    members = group[comb.members]
    span = comb.spacing_px * int(comb.steps[-1]) / (side.end - side.start)
    if span < _LEAST_SPAN / 2 or np.ptp(marks.high_px[members]) > 2:
        return None, ""
    found = f"{len(members)} evenly spaced marks beside the picture"
    if span < _LEAST_SPAN:
        return None, f"{found} span only {100 * span:.0f} % of it"
    if comb.n_missing > _MOST_MISSING * (int(comb.steps[-1]) + 1):
        return None, f"{found} leave out {comb.n_missing} places between them"
    if comb.sd_share > _MOST_SD_SHARE:
        return None, f"{found} give their spacing only to {100 * comb.sd_share:.1f} %"
    every, is_major = _majors(comb.steps, marks.mass[members])
    starts = _starts_at(comb, side.skin)
    if every is None and not starts:
        return None, f"{found} do not start at the skin, and none of them is longer"
    return _Row(members, comb, every, is_major, starts), ""


def _starts_at(comb: Comb, skin: tuple[float, ...]) -> bool:
    """Tell whether the comb has a tooth, found or covered, where the picture starts."""
    off = [(place - comb.first_px) / comb.spacing_px for place in skin]
    away = min(abs(value - round(value)) for value in off) * comb.spacing_px
    return away <= max(_START_PX, _START_SHARE * comb.spacing_px)


def _majors(steps: IntArray, mass: FloatArray) -> tuple[int | None, BoolArray]:
    """Every which tick is longer, and which are, by the rule that most ticks keep to; None if all alike."""
    best, best_kept, chosen = None, _KEEP_RULE, np.zeros(len(steps), dtype=bool)
    for every in range(2, _MOST_EVERY + 1):
        for start in range(every):
            major = steps % every == start
            if major.sum() < 2 or (~major).sum() < 2:
                continue
            long, short = float(np.median(mass[major])), float(np.median(mass[~major]))
            kept = float(((mass > np.sqrt(long * short)) == major).mean())
            if long > _LONGER * short and kept > best_kept:
                best, best_kept, chosen = every, kept, major
    return best, chosen


def _same(one: Comb, other: Comb) -> bool:
    """Tell whether two rows have one spacing, or one of them a whole multiple of the other's."""
    fine, coarse = sorted((one.spacing_px, other.spacing_px))
    times = round(coarse / fine)
    return abs(coarse / (times * fine) - 1) <= _SAME_SPACING


def _ruler(marks: TickMarks, row: _Row, side: _Side, *, sideways: bool) -> Ruler:
    x, y = marks.x_px[row.marks], marks.y_px[row.marks]
    before = float(np.median(x)) < side.across
    place: Side = ("above" if before else "below") if sideways else ("left" if before else "right")
    return Ruler(
        side=place,
        ticks_px=np.stack([y, x] if sideways else [x, y], axis=-1),
        steps=row.comb.steps,
        spacing_px=row.comb.spacing_px,
        spacing_sd_px=row.comb.spacing_sd_px,
        is_major=row.is_major,
        major_every=row.major_every,
    )


def _ordinal(number: int) -> str:
    return f"{number}{ {2: 'nd', 3: 'rd'}.get(number, 'th') }"
