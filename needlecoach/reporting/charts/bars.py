"""Small bars that stand in a line of text or a table's cell."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from markupsafe import escape

from needlecoach.cohort.values import Estimate, Share

_WIDTH, _HEIGHT, _LEFT = 240, 24, 8
# A normal value lies within this many standard uncertainties in 95 of 100 cases.
_NINETY_FIVE = 1.96


def interval_bar(share: Share, label: str) -> str:
    """A share between 0 and 1: a dot at what was observed, a bar over its interval; empty without trials."""
    if not share.trials:
        return ""
    low, at, high = (_unit(one, 0.0, 1.0) for one in (share.low, share.successes / share.trials, share.high))
    return _bar(low, at, high, label)


def span_of(estimates: Sequence[Estimate]) -> tuple[float, float]:
    """An axis, alike on both sides of 0, that holds all bars in whole steps."""
    most = max((abs(one.value) + _NINETY_FIVE * one.sd for one in estimates), default=1.0)
    end = float(np.ceil(max(most, 1.0)))
    return -end, end


def dot_and_bar(estimate: Estimate, span: tuple[float, float], label: str) -> str:
    """An estimate as a dot, its 95 % range as a bar, on an axis over `span`, alike on both sides of 0."""
    half = _NINETY_FIVE * estimate.sd
    low, at, high = (_unit(estimate.value + off, *span) for off in (-half, 0.0, half))
    return _bar(low, at, high, label)


def _unit(value: float, low: float, high: float) -> int:
    share = min(max((value - low) / (high - low), 0.0), 1.0)
    return round(_LEFT + share * (_WIDTH - 2 * _LEFT))


def bar_frame() -> str:
    """What all bars share, to stand once in the page: a line with ticks at both ends and in the middle."""
    ends = (_LEFT, _WIDTH // 2, _WIDTH - _LEFT)
    marks = "".join(f"M{x} 4v16" for x in ends)
    return f'<path id="frame-bar" class="grid" d="M{_LEFT} 12H{_WIDTH - _LEFT}{marks}"/>'


def _bar(low: int, at: int, high: int, label: str) -> str:
    return (
        f'<svg class="bar" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(label)}">'
        f'<use href="#frame-bar"/>'
        f'<path class="range" d="M{low} 12H{max(high, low + 1)}"/>'
        f'<circle class="at" cx="{at}" cy="12" r="7"/></svg>'
    )
