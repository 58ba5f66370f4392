"""Pictures of agreement as inline SVG: intervals side by side, and differences against means.

Places are in per cent of the picture's own width, so that it grows and shrinks with the page while its lines
and letters keep their size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup, escape

from needlecoach.cohort.bland_altman import BlandAltman
from needlecoach.cohort.coefficient import Coefficient
from needlecoach.model import FloatArray

# More dots than this can't be told apart; every so many are drawn then, and it is said.
MOST_DOTS = 1500
_HEIGHT_PX = 300


def nice_steps(low: float, high: float, most: int = 6) -> list[float]:
    """Round values from at or below `low` to at or above `high`, evenly spaced, about `most` of them."""
    if not high > low:
        low, high = low - 0.5, high + 0.5
    rough = (high - low) / (most - 1)
    unit = 10 ** math.floor(math.log10(rough))
    step = next(size * unit for size in (1, 2, 2.5, 5, 10) if size * unit >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [number * step for number in range(first, last + 1)]


def interval_bar(one: Coefficient, low: float, high: float, kind: str) -> Markup:
    """One value with its interval on a scale from low to high; a ring without a bar where there is no
    interval."""
    if not math.isfinite(one.value):
        return Markup("")

    def at(value: float) -> str:
        return f"{100 * (min(max(value, low), high) - low) / (high - low):.2f}%"

    parts = [Markup('<line class="axis" x1="0" x2="100%" y1="50%" y2="50%"/>')]
    if low < 0 < high:
        parts.append(Markup('<line class="zero" x1="{0}" x2="{0}" y1="0" y2="100%"/>').format(at(0)))
    bounded = math.isfinite(one.low) and math.isfinite(one.high)
    if bounded:
        bar = Markup('<line class="bar" x1="{}" x2="{}" y1="50%" y2="50%"/>')
        parts.append(bar.format(at(one.low), at(one.high)))
    parts.append(
        Markup('<circle class="{}" cx="{}" cy="50%" r="5"/>').format(
            "dot" if bounded else "ring", at(one.value)
        )
    )
    return Markup('<svg class="interval {}" aria-hidden="true">{}</svg>').format(kind, Markup("").join(parts))


def scale_row(low: float, high: float) -> Markup:
    """The scale below rows of `interval_bar`: its ends, and 0 between them."""
    marks = [(low, 0.0), (high, 100.0)]
    if low < 0 < high:
        marks.insert(1, (0.0, 100 * -low / (high - low)))
    words = []
    for value, place in marks:
        anchor = "start" if place == 0 else "end" if place == 100 else "middle"
        words.append(
            Markup('<text x="{:.2f}%" y="14" text-anchor="{}">{}</text>').format(place, anchor, _plain(value))
        )
    return Markup('<svg class="scale" aria-hidden="true">{}</svg>').format(Markup("").join(words))


def differences_plot(found: BlandAltman, label: str) -> Markup:
    """Differences against means with mean, limits and the intervals of all three as bands."""
    y_steps = nice_steps(*_span(np.append(found.difference, _bounds(found))))
    x_steps = nice_steps(*_span(found.at))
    plot = _Plot(x_steps, y_steps)
    parts = [plot.grid()]
    for one in (found.lower, found.mean, found.upper):
        kind = "mean" if one is found.mean else "limit"
        if math.isfinite(one.low):
            parts.append(plot.band(one.low, one.high, kind))
        parts.append(plot.level(one.value, kind))
    parts.append(plot.dots(found.at, found.difference))
    return Markup('<svg class="differences" role="img" aria-label="{}" height="{}">{}</svg>').format(
        escape(label), _HEIGHT_PX, Markup("").join(parts)
    )


def dots_drawn(n: int) -> int:
    """How many of n dots are drawn."""
    return len(range(0, n, max(1, math.ceil(n / MOST_DOTS))))


class _Plot:
    """From values to places in per cent: the right margin is for the letters of the levels, the lower for
    the scale."""

    left, right, top, bottom = 11.0, 98.0, 4.0, 88.0

    def __init__(self, x_steps: Sequence[float], y_steps: Sequence[float]) -> None:
        self._x, self._y = x_steps, y_steps

    def x(self, value: float) -> float:
        share = (value - self._x[0]) / (self._x[-1] - self._x[0])
        return self.left + share * (self.right - self.left)

    def y(self, value: float) -> float:
        share = (value - self._y[0]) / (self._y[-1] - self._y[0])
        return self.bottom - share * (self.bottom - self.top)

    def grid(self) -> Markup:
        parts = []
        for value in self._y:
            kind = "zero" if abs(value) < 1e-12 else "axis"
            parts.append(self._across(value, kind))
            place = Markup('<text x="{:.2f}%" y="{:.2f}%" dx="-6" dy="4" text-anchor="end">{}</text>')
            parts.append(place.format(self.left, self.y(value), _plain(value)))
        for value in self._x:
            place = Markup('<text x="{:.2f}%" y="{:.2f}%" dy="18" text-anchor="middle">{}</text>')
            parts.append(place.format(self.x(value), self.bottom, _plain(value)))
        return Markup("").join(parts)

    def _across(self, value: float, kind: str) -> Markup:
        line = Markup('<line class="{0}" x1="{1}%" x2="{2}%" y1="{3:.2f}%" y2="{3:.2f}%"/>')
        return line.format(kind, self.left, self.right, self.y(value))

    def level(self, value: float, kind: str) -> Markup:
        return self._across(value, kind)

    def band(self, low: float, high: float, kind: str) -> Markup:
        top, height = self.y(high), self.y(low) - self.y(high)
        area = Markup('<rect class="band {}" x="{}%" width="{}%" y="{:.2f}%" height="{:.2f}%"/>')
        return area.format(kind, self.left, self.right - self.left, top, height)

    def dots(self, at: FloatArray, difference: FloatArray) -> Markup:
        """One dot for each place, larger where several attempts share it."""
        step = max(1, math.ceil(len(at) / MOST_DOTS))
        places = np.stack([at[::step], difference[::step]], axis=1).round(9)
        dot = Markup('<circle class="dot" cx="{:.2f}%" cy="{:.2f}%" r="{:.1f}"/>')
        found, counts = np.unique(places, axis=0, return_counts=True)
        return Markup("").join(
            dot.format(self.x(x), self.y(y), min(3.2 * math.sqrt(n), 16))
            for (x, y), n in zip(found, counts, strict=True)
        )


def _bounds(found: BlandAltman) -> FloatArray:
    bounds = [bound for one in (found.lower, found.upper) for bound in (one.value, one.low, one.high)]
    return np.array([0.0, *(bound for bound in bounds if math.isfinite(bound))])


def _span(values: FloatArray) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def _plain(value: float) -> str:
    return f"{value:.6g}".replace("-", "−")
