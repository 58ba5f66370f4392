"""Rows of marks beside the picture that can be a ruler's ticks: in line, evenly spaced, long enough."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from needlecoach.model import BoolArray, FloatArray, Region
from needlecoach.screen.comb import Comb, IntArray, fit_comb
from needlecoach.screen.ticks import TickMarks

# A ruler spans this share of the picture's side at least, and overhangs it by at most that.
_LEAST_SPAN, _MOST_OVERHANG = 0.5, 0.12
# Of its ticks at most this share may be covered, and so many other marks per tick may lie in line with them.
_MOST_MISSING, _MOST_STRAYS = 0.3, 0.2
# The spacing must be known to this share: twice that is 1 %.
_MOST_SD_SHARE = 0.005
# A ruler starts at the skin: one tick lies there, to within px or a share of the spacing. Without longer
# ticks among them that one must be there, since other things can be evenly spaced dots too.
_START_PX, _START_SHARE = 3.0, 0.08
# Long ticks have so many times the brightness of short ones, and so many of all ticks keep to the rule.
_LONGER, _KEEP_RULE = 1.25, 0.9
_MOST_EVERY = 10
_SAME_SPACING = 0.01
# Marks in line that are thicker or thinner than most by more than this are no ticks of the same ruler.
_THICKNESS_PX = 2.0


@dataclass(frozen=True)
class PictureSide:
    """The picture's extent along a ruler, the places where rulers start, and its middle the other way, px."""

    sideways: bool
    start: float
    end: float
    skin: tuple[float, ...]
    across: float

    @classmethod
    def of(cls, region: Region, *, sideways: bool) -> PictureSide:
        """Side along which an upright ruler runs, or one above or below."""
        x, y, w, h = region.box_px
        if sideways:
            # Across, rulers start at an edge of the picture or are counted from its middle.
            middle = x + (w - 1) / 2 if region.apex_px is None else region.apex_px[0]
            return cls(sideways, x, x + w - 1, (x, middle, x + w - 1), y + (h - 1) / 2)
        skin = y if region.apex_px is None else region.apex_px[1] + region.r_min_px
        return cls(sideways, skin, y + h - 1, (skin,), x + (w - 1) / 2)


@dataclass(frozen=True, eq=False)
class TickRow:
    """A comb of marks that has passed as a row of ticks; `places_px` (n, 2) are (across, along) the ruler."""

    side: PictureSide
    comb: Comb
    places_px: FloatArray
    major_every: int | None
    is_major: BoolArray
    starts_at_skin: bool

    @property
    def strength(self) -> int:
        """What speaks for a ruler rather than another row of marks: its start, and longer ticks."""
        return int(self.starts_at_skin) + int(self.major_every is not None)


@dataclass(frozen=True, eq=False)
class Findings:
    """Rows that can be a ruler's; `doubtful` combs that are long enough but not; `why` the first is not."""

    rows: tuple[TickRow, ...] = ()
    doubtful: tuple[Comb, ...] = ()
    why: str = ""

    def __add__(self, other: Findings) -> Findings:
        return Findings(self.rows + other.rows, self.doubtful + other.doubtful, self.why or other.why)


def tick_rows(image: FloatArray, free: BoolArray, side: PictureSide) -> Findings:
    """Find all rows of bright ticks that run along y.

    Parameters
    ----------
    image : (height, width) mean picture, turned so that the ruler would run along y
    free : (height, width) where ticks may lie
    side : the picture beside which they would

    Returns
    -------
    Findings
    """
    marks = TickMarks(image, _beside(free, side))
    if marks.too_many:
        return Findings(why="too much is drawn beside the picture to tell ticks in it")
    combs = [(group, comb) for group in _groups(marks) if (comb := fit_comb(marks.y_px[group])) is not None]
    found = Findings()
    for group, comb in combs:
        found += _judged(marks, group, comb, side, part=any(_finer(group, comb, *other) for other in combs))
    return found


def _beside(free: BoolArray, side: PictureSide) -> BoolArray:
    """Free pixels not far above or below the picture."""
    overhang = _MOST_OVERHANG * (side.end - side.start)
    near = free.copy()
    near[: max(int(side.start - overhang), 0)] = False
    near[int(side.end + overhang) + 1 :] = False
    return near


def _groups(marks: TickMarks) -> Iterator[IntArray]:
    """Groups of four or more marks that lie in line and are about as thick."""
    for group in marks.rows():
        thick = marks.high_px[group]
        alike = group[np.abs(thick - np.median(thick)) <= _THICKNESS_PX]
        if len(alike) >= 4:
            yield alike


def _finer(group: IntArray, comb: Comb, other_group: IntArray, other: Comb) -> bool:
    """Tell whether another comb holds most of one's teeth and more: then one is but a part of it."""
    mine, others = group[comb.members], other_group[other.members]
    shared = np.isin(mine, others).sum()
    return bool(len(others) > 1.4 * len(mine) and shared > 0.7 * len(mine) and other.worth > comb.worth)


def _judged(marks: TickMarks, group: IntArray, comb: Comb, side: PictureSide, *, part: bool) -> Findings:
    """One comb of marks as a row of ticks, as a doubtful one, or why it is none; `part` of a finer comb."""
    members = group[comb.members]
    span = comb.spacing_px * int(comb.steps[-1]) / (side.end - side.start)
    if comb.n_strays > _MOST_STRAYS * len(members) or span < _LEAST_SPAN / 2:
        return Findings()
    found = f"{len(members)} evenly spaced marks beside the picture"
    reason = _refusal(comb, span)
    if reason:
        return Findings(why=f"{found} {reason}")
    if part:
        return Findings(doubtful=(comb,), why=f"{found} are but some of those in line")
    every, is_major = _majors(comb.steps, marks.mass[members])
    if every is None and not _first_at(comb, side.skin):
        return Findings(doubtful=(comb,), why=f"{found} do not start at the skin, and none of them is longer")
    places = np.stack([marks.x_px[members], marks.y_px[members]], axis=-1)
    return Findings(rows=(TickRow(side, comb, places, every, is_major, _starts_at(comb, side.skin)),))


def _refusal(comb: Comb, span: float) -> str:
    """Why a comb can't be trusted; empty when it can."""
    if span < _LEAST_SPAN:
        return f"span only {100 * span:.0f} % of it"
    if comb.n_missing > _MOST_MISSING * (int(comb.steps[-1]) + 1):
        return f"leave out {comb.n_missing} places between them"
    if comb.sd_share > _MOST_SD_SHARE:
        return f"give their spacing only to {100 * comb.sd_share:.1f} %"
    return ""


def _starts_at(comb: Comb, skin: tuple[float, ...]) -> bool:
    """Tell whether the comb has a tooth, found or covered, where the picture starts."""
    off = [(place - comb.first_px) / comb.spacing_px for place in skin]
    away = min(abs(value - round(value)) for value in off) * comb.spacing_px
    return away <= _allowed_px(comb)


def _first_at(comb: Comb, skin: tuple[float, ...]) -> bool:
    """Tell whether the first tooth found lies where the picture starts."""
    return min(abs(place - comb.first_px) for place in skin) <= _allowed_px(comb)


def _allowed_px(comb: Comb) -> float:
    return max(_START_PX, _START_SHARE * comb.spacing_px)


def _majors(steps: IntArray, mass: FloatArray) -> tuple[int | None, BoolArray]:
    """Every which tick is longer, and which are, by the rule that most ticks keep to; None if all alike."""
    best, best_kept, chosen = None, _KEEP_RULE, np.zeros(len(steps), dtype=bool)
    for every in range(2, _MOST_EVERY + 1):
        for start in range(every):
            major = steps % every == start
            # Two long ticks far apart, with some covered between, do not tell a rule yet.
            if major.sum() < (2 if every <= _MOST_EVERY / 2 else 3) or (~major).sum() < 2:
                continue
            long, short = float(np.median(mass[major])), float(np.median(mass[~major]))
            kept = float(((mass > np.sqrt(long * short)) == major).mean())
            if long > _LONGER * short and kept > best_kept:
                best, best_kept, chosen = every, kept, major
    return best, chosen


def same_spacing(one: Comb, other: Comb) -> bool:
    """Tell whether two rows have one spacing, or one of them a whole multiple of the other's."""
    fine, coarse = sorted((one.spacing_px, other.spacing_px))
    times = round(coarse / fine)
    return abs(coarse / (times * fine) - 1) <= _SAME_SPACING
