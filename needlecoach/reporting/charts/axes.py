"""Axes and the box that charts are drawn in, in units of the drawing: two to a pixel on a wide screen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import escape

from needlecoach.model import FloatArray
from needlecoach.reporting.charts.paths import Units

WIDTH, HEIGHT = 460, 250
LEFT, RIGHT, TOP, BOTTOM = 76, 450, 16, 202
# Of a column's points, this share may lie beyond its axis: one slip of ten times must not flatten all others.
_WITHIN = 98.0
# Ends of an axis whose half can be written with few digits too.
_ROUND = (1, 2, 3, 4, 6, 8, 10)


@dataclass(frozen=True)
class Axis:
    """A vertical axis from `low` to `high`, with ticks and their words."""

    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]

    def exact(self, value: FloatArray) -> FloatArray:
        """Place down the drawing of values (n,); what lies beyond stands at the edge."""
        share = (np.clip(value, self.low, self.high) - self.low) / (self.high - self.low)
        place: FloatArray = BOTTOM - share * (BOTTOM - TOP)
        return place

    def place(self, value: FloatArray) -> Units:
        """The same in whole units."""
        return np.rint(self.exact(value)).astype(np.int64)

    def beyond(self, value: FloatArray) -> tuple[np.ndarray, np.ndarray]:
        """Which values (n,) lie above the axis, and which below; unknown ones neither."""
        return value > self.high, value < self.low


def share_axis(top: str, bottom: str) -> Axis:
    """From none to all, its ends named."""
    return Axis(-0.04, 1.04, ((1.0, top), (0.5, "50 %"), (0.0, bottom)))


def number_axis(values: Sequence[FloatArray], lines: Sequence[FloatArray] = ()) -> Axis:
    """One axis for all learners: from 0, or below where need be, to where all but a few points lie within.

    Parameters
    ----------
    values
        Points of each learner, NaN where unknown.
    lines
        Lines that lie within the axis throughout.
    """
    known = _known(values)
    drawn = _known(lines)
    if not len(known):
        return _axis(0.0, 1.0)
    high = max(float(np.percentile(known, _WITHIN)), float(drawn.max(initial=0.0)))
    low = min(float(np.percentile(known, 100 - _WITHIN)), float(drawn.min(initial=0.0)), 0.0)
    return _axis(low, high)


def whole_axis(values: Sequence[FloatArray]) -> Axis:
    """An axis that all values and 0 lie on."""
    known = _known(values)
    return _axis(float(known.min(initial=0.0)), float(known.max(initial=0.0)))


def attempts_x(order: FloatArray, last: int, *, first: int = 1) -> Units:
    """Units from the left for attempts (n,) between `first` and `last`, the same for all learners."""
    share = (np.asarray(order, dtype=float) - first) / max(last - first, 1)
    return np.rint(LEFT + 10 + share * (RIGHT - LEFT - 20)).astype(np.int64)


def frame(axis: Axis, last: int, *, first: int = 1, counted: str = "attempt") -> str:
    """Grid, tick words and what is `counted` along it: drawn once, and used by every learner's."""
    rows = [(int(axis.place(np.array([value]))[0]), words) for value, words in axis.ticks]
    grid = "".join(f"M{LEFT} {y}H{RIGHT}" for y, _ in rows)
    words = "".join(
        f'<text class="tick end" x="{LEFT - 8}" y="{y + 8}">{escape(text)}</text>' for y, text in rows
    )
    ends = [
        (int(attempts_x(np.array([n]), last, first=first)[0]), n) for n in sorted({first, max(last, first)})
    ]
    foot = BOTTOM + 34
    feet = "".join(f'<text class="tick middle" x="{x}" y="{foot}">{n}</text>' for x, n in ends)
    middle = f'<text class="tick middle" x="{(LEFT + RIGHT) // 2}" y="{foot}">{counted}</text>'
    return f'<path class="grid" d="{grid}"/>{words}{feet}{middle}'


def chart(body: str, label: str, frame_id: str) -> str:
    """A chart named `label` for those who don't see it, over the frame of that id."""
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(label)}">'
        f'<use href="#{frame_id}"/>{body}</svg>'
    )


def _known(arrays: Sequence[FloatArray]) -> FloatArray:
    every = np.concatenate([np.zeros(0), *(np.asarray(one, dtype=float) for one in arrays)])
    known: FloatArray = every[np.isfinite(every)]
    return known


def _axis(low: float, high: float) -> Axis:
    bottom = -_round_up(-low) if low < 0 else 0.0
    top = _round_up(high) if high > 0 else (0.0 if low < 0 else 1.0)
    marks = sorted({bottom, 0.0, top / 2 if low >= 0 else 0.0, top})
    return Axis(bottom, top, tuple((value, f"{value:g}".replace("-", "−")) for value in marks))


def _round_up(value: float) -> float:
    """The next round number at or above a value above 0."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(float(f"{n * power:g}") for n in _ROUND if n * power >= value * (1 - 1e-9))
