"""What the pictures until a moment ago tell of the needle: made beside, for the steps that follow them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from needlecoach.model import FloatArray, GreyImage
from needlecoach.tracking.averaging import averaged_share, without_averaging
from needlecoach.tracking.axis import Axis
from needlecoach.tracking.chain import LinesKept
from needlecoach.tracking.changes import BLOCK_S, ROUNDING_S, Shaft
from needlecoach.tracking.follow import Course, Onward, follow_needle
from needlecoach.tracking.kymograph import FloatImages
from needlecoach.tracking.level import grey_level
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.sight import chance_after, sight_evidence
from needlecoach.tracking.spot import half_width_mm
from needlecoach.tracking.tip import spells

# So much is looked through while no needle is in, and at most while one is.
LOOK_S, MOST_S = 2.5, 6.0
# Before a needle comes in its places are seen without it: so much of that time is kept as long as it is in.
QUIET_S = 1.5
# What is left out of a long stay counts as so long (see `track.HOLE_S`): a needle may be anywhere after it.
LEFT_OUT_S = 1.0
FEWEST_PICTURES = 5


@dataclass(frozen=True, eq=False)
class News:
    """Steadied pictures on end with their numbers, times (n,) and drifts (n, 3)."""

    numbers: tuple[int, ...]
    pictures: tuple[GreyImage, ...]
    time_s: FloatArray
    drift: FloatArray


@dataclass(frozen=True, eq=False)
class Lately:
    """What was known when the picture of this number had been looked at.

    `axis` has one row, that picture's; `before` (n_samples,) is what places along it look like without a
    needle; `in_since_s` is NaN without a needle. `level` is the grey that pictures are brought to, `share`
    what each of them shows of the one before. Without `axis` no line was found.
    """

    number: int
    time_s: float
    level: float
    share: float
    axis: Axis | None = None
    before: FloatImages | None = None
    onward: Onward | None = None
    half_width_mm: float = 0.0
    seen: float = 0.0
    in_since_s: float = np.nan


class Looker:
    """Keeps the latest steadied pictures and looks through them again and again."""

    def __init__(self, plane: Plane, thrown_mm: float) -> None:
        self._plane, self._thrown_mm = plane, thrown_mm
        self._numbers: list[int] = []
        self._pictures: list[GreyImage] = []
        self._time_s: list[float] = []
        self._drift: list[FloatArray] = []
        self._in_since_s = np.nan
        self._shafts: dict[int, Shaft | None] = {}
        self._kept = LinesKept()

    def look(self, news: News) -> Lately | None:
        """Take in the next pictures; what all that are kept tell, None of the first few."""
        self._numbers += news.numbers
        self._pictures += news.pictures
        self._time_s += news.time_s.tolist()
        self._drift += list(news.drift)
        self._drop()
        if len(self._pictures) < FEWEST_PICTURES:
            return None
        time_s, drift = np.array(self._time_s), np.array(self._drift)
        closed_s = _without_holes(time_s)
        # Where the needle is since then is not known yet: it has left nothing.
        latest = self._shafts[max(self._shafts)] if self._shafts else None
        shafts = [self._shafts.get(number, latest) for number in self._numbers]
        self._kept.begin(self._numbers)
        lately = look(self._plane, self._pictures, closed_s, drift, self._thrown_mm, shafts, self._kept)
        # They stay here: what is sent back is small.
        self._shafts = {}
        if lately.onward is not None and lately.in_since_s == lately.in_since_s:
            self._shafts = dict(zip(self._numbers, lately.onward.shafts, strict=True))
        if lately.onward is not None:
            lately = replace(lately, onward=replace(lately.onward, shafts=[]))
        self._in_since_s = self._came_in_s(lately.in_since_s, time_s, closed_s)
        return replace(
            lately, number=self._numbers[-1], time_s=float(time_s[-1]), in_since_s=self._in_since_s
        )

    def _came_in_s(self, found_s: float, time_s: FloatArray, closed_s: FloatArray) -> float:
        """When the needle came in: what was known of it before, unless it was out since."""
        if np.isnan(found_s):
            return np.nan
        came_s = float(time_s[np.searchsorted(closed_s, found_s)])
        jump = int(np.argmax(np.diff(time_s))) + 1
        left_out = time_s[jump] - time_s[jump - 1] > LEFT_OUT_S and self._in_since_s <= time_s[jump]
        return self._in_since_s if left_out and came_s <= time_s[jump] + LEFT_OUT_S else came_s

    def _drop(self) -> None:
        """Let go of what is no longer looked through."""
        time_s = np.array(self._time_s)
        keep = time_s >= _block_start_s(time_s[-1] - LOOK_S)
        if np.isfinite(self._in_since_s):
            quiet = (time_s >= self._in_since_s - QUIET_S) & (time_s < self._in_since_s)
            keep = quiet | (time_s >= max(_block_start_s(time_s[-1] - MOST_S), self._in_since_s))
        kept = np.flatnonzero(keep).tolist()
        self._numbers, self._time_s = [self._numbers[i] for i in kept], [self._time_s[i] for i in kept]
        self._pictures, self._drift = [self._pictures[i] for i in kept], [self._drift[i] for i in kept]


def _without_holes(time_s: FloatArray) -> FloatArray:
    """Times in which nothing lasts longer than what is left out of a long stay."""
    steps_s = np.minimum(np.diff(time_s), LEFT_OUT_S)
    return np.cumsum(np.concatenate([time_s[:1] - _block_start_s(time_s[0]), steps_s]))


def _block_start_s(time_s: float) -> float:
    """When the block of a time begins: whole blocks are let go of, so that those kept stay as they are."""
    return float(np.floor((time_s + ROUNDING_S) / BLOCK_S) * BLOCK_S - ROUNDING_S)


def look(
    plane: Plane,
    pictures: Sequence[GreyImage],
    time_s: FloatArray,
    drift: FloatArray,
    thrown_mm: float,
    shafts: Sequence[Shaft | None] = (),
    kept: LinesKept | None = None,
) -> Lately:
    """Follow the needle through steadied pictures, the last being now; the rest as for `follow_needle`."""
    share = averaged_share(pictures, time_s, drift, mask=plane.mask, step_mm=plane.step_mm)
    if share:
        pictures = without_averaging(pictures, time_s, drift, mask=plane.mask, step_mm=plane.step_mm)
    inside = plane.mask.astype(np.uint8)
    level = float(
        np.median([grey_level(picture, inside) for picture in pictures[:: max(1, len(pictures) // 25)]])
    )
    course = follow_needle(
        list(pictures), time_s, plane, thrown_mm=thrown_mm, hindsight=False, shafts=shafts, kept=kept
    )
    if course is None:
        return Lately(0, 0.0, level, share)
    present = np.isfinite(course.path.position_mm)
    since_s = time_s[spells(present)[-1][0]] if present[-1] else np.nan
    axis = course.axis
    last = Axis(axis.entry[-1:], axis.direction[-1:], axis.bow_per_mm[-1:], axis.step_mm)
    return Lately(
        0,
        0.0,
        level,
        share,
        last,
        course.before[-1],
        course.onward,
        half_width_mm(course.spots),
        _seen(course, time_s),
        float(since_s),
    )


def _seen(course: Course, time_s: FloatArray) -> float:
    """Chance that the tip is seen in the last picture."""
    chance = None
    evidence = sight_evidence(course, time_s)
    for i, step_s in enumerate(np.diff(time_s, prepend=time_s[0])):
        if np.isfinite(course.path.position_mm[i]):
            chance = chance_after(chance, float(evidence[i]), float(step_s))
    return 0.5 if chance is None else chance


_LOOKERS: dict[str, Looker] = {}


def look_beside(key: str, plane: Plane, thrown_mm: float, news: News) -> Lately | None:
    """Go on with the looker of this name, in whichever process it lives."""
    if key not in _LOOKERS:
        _LOOKERS[key] = Looker(plane, thrown_mm)
    return _LOOKERS[key].look(news)


def forget(key: str) -> None:
    """Let go of a looker and its pictures; safe to call twice."""
    _LOOKERS.pop(key, None)
