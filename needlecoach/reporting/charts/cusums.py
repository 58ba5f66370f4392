"""The three CUSUMs of a learner: their course over attempts, their lines, and where they cross."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import escape

from needlecoach.cohort.values import Cusum, LcCusum, LearnerReport, RiskAdjusted
from needlecoach.model import FloatArray
from needlecoach.reporting.charts.axes import LEFT, RIGHT, Axis, attempts_x, chart, frame, whole_axis
from needlecoach.reporting.charts.paths import corners, line

_SIZE = 11


@dataclass(frozen=True)
class CusumAxes:
    """One axis for each kind of CUSUM, the same for all learners, over `last` attempts."""

    two: Axis
    learning: Axis
    adjusted: Axis
    last: int

    def frames(self) -> str:
        """What all charts of one kind share, to stand once in the page."""
        kinds = (("two", self.two), ("learning", self.learning), ("adjusted", self.adjusted))
        return "".join(
            f'<g id="frame-{name}">{frame(axis, self.last, first=0, counted="trial")}</g>'
            for name, axis in kinds
        )


def cusum_axes(learners: Sequence[LearnerReport], limit: float) -> CusumAxes:
    """Axes that hold every learner's course and lines; `limit` is that of the LC-CUSUM."""
    two = [np.append(one.cusum.value, [one.cusum.up, one.cusum.down]) for one in learners]
    learning = [np.append(one.lc_cusum.value, limit) for one in learners]
    adjusted = [
        np.append(one.risk_adjusted.value, one.risk_adjusted.limit)
        for one in learners
        if one.risk_adjusted is not None
    ]
    last = max((len(one.cusum.value) for one in learners), default=1)
    return CusumAxes(whole_axis(two), whole_axis(learning), whole_axis(adjusted), max(last, 1))


def cusum_chart(cusum: Cusum, axes: CusumAxes, words: tuple[str, str], label: str) -> str:
    """The two-boundary CUSUM: triangles at the upper line, rings at the lower one, `words` at both."""
    body = _limit(cusum.up, axes.two, words[0]) + _limit(cusum.down, axes.two, words[1], below=True)
    body += _course(cusum.value, axes.two, axes)
    for one in cusum.signals:
        body += _sign(one.trial, cusum.value, axes.two, axes, bad=one.side == "unacceptable")
    return chart(body, label, "frame-two")


def lc_chart(lc_cusum: LcCusum, limit: float, axes: CusumAxes, label: str) -> str:
    """The learning-curve CUSUM with its limit; a ring where competence is declared."""
    body = _limit(limit, axes.learning) + _course(lc_cusum.value, axes.learning, axes)
    if lc_cusum.competent_at is not None:
        body += _sign(lc_cusum.competent_at, lc_cusum.value, axes.learning, axes, bad=False)
    return chart(body, label, "frame-learning")


def risk_chart(adjusted: RiskAdjusted, axes: CusumAxes, label: str) -> str:
    """The risk-adjusted CUSUM with its limit; triangles where results are worse than the targets explain."""
    body = _limit(adjusted.limit, axes.adjusted) + _course(adjusted.value, axes.adjusted, axes)
    for trial in adjusted.signals:
        body += _sign(trial, adjusted.value, axes.adjusted, axes, bad=True)
    return chart(body, label, "frame-adjusted")


def _course(value: FloatArray, axis: Axis, axes: CusumAxes) -> str:
    course = np.append(0.0, value)
    kept = corners(course)
    x = attempts_x(kept.astype(float), axes.last, first=0)
    return f'<path class="course" d="{line(x, axis.place(course[kept]))}"/>'


def _limit(value: float, axis: Axis, words: str = "limit", *, below: bool = False) -> str:
    """A dashed line with its word at the right, above it or below."""
    y = int(axis.place(np.array([value]))[0])
    return (
        f'<path class="limit" d="M{LEFT} {y}H{RIGHT}"/>'
        f'<text class="tick end" x="{RIGHT}" y="{y + (20 if below else -8)}">{escape(words)}</text>'
    )


def _sign(trial: int, value: FloatArray, axis: Axis, axes: CusumAxes, *, bad: bool) -> str:
    """A mark at a trial: a full triangle, or a ring."""
    x = attempts_x(np.array([float(trial)]), axes.last, first=0)[0]
    y = axis.place(value[trial - 1 : trial])[0]
    if bad:
        return f'<path class="worse" d="M{x - _SIZE} {y + 9}h{2 * _SIZE}l-{_SIZE}-{2 * _SIZE - 3}z"/>'
    return f'<circle class="fine" cx="{x}" cy="{y}" r="{_SIZE - 1}"/>'
