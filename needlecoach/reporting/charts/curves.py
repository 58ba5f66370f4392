"""One learning curve: every point, the smooth through them with its band, and what lies beyond the axis."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import numpy.typing as npt
from markupsafe import escape

from needlecoach.cohort.values import Curve, Smooth
from needlecoach.reporting.charts.axes import BOTTOM, TOP, Axis, attempts_x, chart, frame
from needlecoach.reporting.charts.paths import Units, band, bends, carets, dots, line


def curve_frame(axis: Axis, last: int, frame_id: str) -> str:
    """What all curves of one measure share, to stand once in the page."""
    return f'<g id="{frame_id}">{frame(axis, last)}</g>'


def curve_chart(
    curve: Curve | None,
    axis: Axis,
    last: int,
    frame_id: str,
    label: str,
    titles: Sequence[str] | None = None,
) -> str:
    """A learner's curve of one measure as SVG; without one an empty chart.

    `last` is the highest attempt number of any learner; `titles` (n,) say under the pointer which attempt a
    point is. With them each point is an element of its own, without them all are one.
    """
    if curve is None:
        return chart("", label, frame_id)
    body = (_smooth(curve.smooth, axis, last) if curve.smooth is not None else "") + _points(
        curve, axis, last, titles
    )
    return chart(body, label, frame_id)


def _points(curve: Curve, axis: Axis, last: int, titles: Sequence[str] | None) -> str:
    known = np.flatnonzero(np.isfinite(curve.value))
    x, value = attempts_x(curve.order[known], last), curve.value[known]
    above, below = axis.beyond(value)
    within = ~(above | below)

    def drawn(kind: str, which: npt.NDArray[np.bool_], paths: Callable[[Units, Units], str], y: Units) -> str:
        if titles is None:
            return _path(kind, paths(x[which], y))
        places = enumerate(np.flatnonzero(which))
        each = (_titled(paths(x[[i]], y[[n]]), titles[known[i]]) for n, i in places)
        return f'<g class="{kind}">{"".join(each)}</g>' if which.any() else ""

    body = drawn("dots", within, dots, axis.place(value[within]))
    for which, up, edge in ((above, True, TOP - 8), (below, False, BOTTOM + 8)):
        body += drawn("beyond", which, partial(carets, up=up), np.full(which.sum(), edge))
    return body


def _titled(data: str, title: str) -> str:
    return f'<path d="{data}"><title>{escape(title)}</title></path>'


def _smooth(smooth: Smooth, axis: Axis, last: int) -> str:
    lines = [axis.exact(one) for one in (smooth.middle, smooth.low, smooth.high)]
    kept = bends(*lines)
    x = attempts_x(smooth.at[kept], last)
    middle, low, high = (np.rint(one[kept]).astype(np.int64) for one in lines)
    return _path("band", band(x, low, high)) + _path("mid", line(x, middle))


def _path(kind: str, data: str) -> str:
    return f'<path class="{kind}" d="{data}"/>' if data else ""
