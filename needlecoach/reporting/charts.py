"""Charts of an attempt as inline SVG: the tip's path around the target, and its distance over time.

Colours are drawn from `PALETTE` and replaced by the page's CSS variables, so a chart follows light, dark and
print. Every state is told by form as well: solid or dashed, filled or hollow, and its own row.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from needlecoach.model import Attempt, BoolArray, FloatArray, Scorecard
from needlecoach.reporting.sheet import PALETTE, Sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MARGIN_S = 0.6
_PLAN_SIZE_IN = (4.0, 4.0)
# So that the axes of the plan are square.
_PLAN_MARGINS_IN = (0.58, 0.06, 0.48, 0.16)
_TIME_MARGINS_IN = (0.71, 0.06, 0.45, 0.17)
_WIDE_IN, _NARROW_IN = 8.6, 3.9
_STATES = ("no needle", "not seen", "seen")


class TimeChart(NamedTuple):
    """One chart in two shapes, each an SVG element: for a wide page and for a phone."""

    wide: str
    narrow: str


class Charts:
    """Draws the charts of one clip's attempts, all on the same two sheets."""

    def __init__(self, card: Scorecard) -> None:
        self._card = card
        edge = card.distances.get("edge_distance_mm")
        self._edge_mm = edge if edge is not None and np.isfinite(edge).any() else None

    def plan(self, attempt: Attempt) -> str:
        """Path of the tip in mm around the target, as the picture shows it (x right, y down): an SVG element.

        Solid where the tip was seen, dashed where it was inferred. Without a target the path starts at the
        origin. Empty text when the attempt has no tip position at all.
        """
        path, outline = _path_mm(self._card, attempt)
        if not np.isfinite(path).all(axis=1).any():
            return ""
        seen = self._card.track.tip_visible[attempt.first_frame : attempt.last_frame + 1]
        with self._plan_sheet.drawing() as (axes,):
            _draw_path(axes, path, seen, outline)
            _mark_closest(axes, self._card, attempt, path)
            _number_passes(axes, attempt, path)
            _frame_plan(axes, path, outline)
            label = _plan_label(attempt, outline is not None)
            return self._plan_sheet.svg(_PLAN_SIZE_IN, key=f"plan-{attempt.number}", label=label)

    def time(self, attempt: Attempt) -> TimeChart:
        """Distance from tip to target outline over time, and a strip of seen, not seen, absent.

        The band is one expected error of the tip either way. Without a target only the strip is drawn.
        """
        card, edge = self._card, self._edge_mm
        rows = _window(card, attempt)
        with self._time_sheet.drawing() as (*upper, strip):
            if edge is not None:
                _draw_distance(upper[0], card, edge, rows)
                _mark_bounds(upper[0], card, attempt, with_words=True)
            _draw_strip(strip, card, rows)
            _mark_bounds(strip, card, attempt, with_words=edge is None)
            strip.set_xlim(*_limits_s(card, attempt))
            heights_in = (1.7, 1.7) if edge is None else (3.7, 4.0)
            return TimeChart(
                *(
                    self._time_sheet.svg(
                        (width_in, height_in),
                        key=f"time-{attempt.number}-{shape}",
                        label=_time_label(attempt, edge is not None),
                    )
                    for shape, width_in, height_in in zip(
                        TimeChart._fields, (_WIDE_IN, _NARROW_IN), heights_in, strict=True
                    )
                )
            )

    @cached_property
    def _plan_sheet(self) -> Sheet:
        """Sheet for plans, which share grid and labels."""
        sheet = Sheet((1,), margins_in=_PLAN_MARGINS_IN)
        with sheet.setting_up() as (axes,):
            start = "the target's centre" if self._card.marks.target is not None else "where the tip came in"
            axes.set_xlabel(
                f"mm to the right of {start}"
                if self._card.marks.target is not None
                else f"mm right of {start}"
            )
            axes.set_ylabel(f"mm below {start}")
            axes.set_aspect("equal")
            axes.grid(color=PALETTE["rule"], lw=0.5)
            axes.set_axisbelow(True)
        return sheet

    @cached_property
    def _time_sheet(self) -> Sheet:
        """Sheet for charts over time: the distance, where there is one, above the strip."""
        sheet = Sheet((1,) if self._edge_mm is None else (3.2, 1), margins_in=_TIME_MARGINS_IN)
        with sheet.setting_up() as (*upper, strip):
            for axes in upper:
                axes.set_ylabel("tip to outline, mm")
                axes.grid(axis="y", color=PALETTE["rule"], lw=0.5)
                axes.set_axisbelow(True)
                axes.tick_params(labelbottom=False, length=0)
            strip.set_yticks(range(len(_STATES)), _STATES)
            strip.set_ylim(-0.6, 2.6)
            strip.tick_params(axis="y", length=0)
            strip.spines["left"].set_visible(False)
            strip.set_xlabel("time in the clip, s")
        return sheet


def _path_mm(card: Scorecard, attempt: Attempt) -> tuple[FloatArray, FloatArray | None]:
    """Tip path in mm, shape (n, 2), from the followed target's centre; and the outline or None."""
    rows = slice(attempt.first_frame, attempt.last_frame + 1)
    track, target = card.measured_track, card.measured_target
    tip = track.tip_px[rows]
    if target is None:
        known = np.isfinite(tip).all(axis=1)
        origin = tip[known][:1] if known.any() else np.zeros((1, 2))
        return card.scale.to_mm(tip - origin), None
    outline = card.scale.to_mm(target.outline_px - np.array(target.centre_px))
    return card.scale.to_mm(tip - track.target_px[rows]), outline


def _spaced(points: FloatArray, *, gap_mm: float = 0.7) -> FloatArray:
    """Keep points, shape (n, 2), that lie at least a gap from the one kept before; NaN is left out."""
    kept: list[FloatArray] = []
    for point in points[np.isfinite(points).all(axis=1)]:
        if not kept or np.hypot(*(point - kept[-1])) >= gap_mm:
            kept.append(point)
    return np.array(kept).reshape(-1, 2)


def _draw_path(axes: Axes, path: FloatArray, seen: BoolArray, outline: FloatArray | None) -> None:
    """Line of the tip, shape (n, 2): solid where seen, dashed and dotted elsewhere; the target below it."""
    from matplotlib.patches import Polygon

    if outline is not None:
        # As patches go, adding one would measure it in order to fit the axes, whose limits are ours.
        axes.add_artist(
            Polygon(outline, facecolor=PALETTE["target-fill"], edgecolor=PALETTE["target"], lw=1.6)
        )
        axes.plot(0, 0, "+", color=PALETTE["target"], ms=9, mew=1.4)
    axes.plot(*path.T, color=PALETTE["inferred"], lw=1.4, dashes=(3, 2))
    axes.plot(*np.where(seen[:, None], path, np.nan).T, color=PALETTE["seen"], lw=1.9)
    # Hollow dots on top: the way back, when seen, would hide a dashed way in.
    axes.plot(
        *_spaced(path[~seen]).T,
        "o",
        ms=4.5,
        mfc=PALETTE["paper"],
        mec=PALETTE["inferred"],
        mew=1.2,
        zorder=4,
    )


def _mark_closest(axes: Axes, card: Scorecard, attempt: Attempt, path: FloatArray) -> None:
    """Diamond at the closest approach, with a circle of one expected error of the tip."""
    if attempt.closest_frame is None:
        return
    from matplotlib.patches import Circle

    x, y = (float(value) for value in path[attempt.closest_frame - attempt.first_frame])
    sd_mm = float(card.track.tip_sd_mm[attempt.closest_frame])
    if not np.isfinite([x, y]).all():
        return
    if np.isfinite(sd_mm):
        axes.add_artist(Circle((x, y), sd_mm, facecolor="none", edgecolor=PALETTE["ink"], lw=1, ls=":"))
    axes.plot(x, y, "D", ms=6, mfc=PALETTE["paper"], mec=PALETTE["ink"], mew=1.5, zorder=5)


def _number_passes(axes: Axes, attempt: Attempt, path: FloatArray) -> None:
    """Number each pass at its deepest point, when there are several."""
    if len(attempt.passes) < 2:
        return
    for number, one in enumerate(attempt.passes, start=1):
        x, y = path[one.deepest_frame - attempt.first_frame]
        if np.isfinite([x, y]).all():
            axes.annotate(
                str(number),
                (x, y),
                (7, -7),
                textcoords="offset points",
                va="top",
                weight="bold",
                clip_on=True,
            )


def _frame_plan(axes: Axes, path: FloatArray, outline: FloatArray | None) -> None:
    """Equal axes around the target; a path that comes from far away may leave the picture."""
    known = path[np.isfinite(path).all(axis=1)]
    if outline is not None:
        radius = float(np.abs(outline).max())
        half = float(np.clip(np.abs(known).max() * 1.08, radius * 1.3, radius * 2.0 + 8.0))
        middle = np.zeros(2)
    else:
        middle = (known.min(axis=0) + known.max(axis=0)) / 2
        half = max(float(np.ptp(known, axis=0).max()) * 0.6, 2.0)
    axes.set_xlim(middle[0] - half, middle[0] + half)
    axes.set_ylim(middle[1] + half, middle[1] - half)


def _plan_label(attempt: Attempt, with_target: bool) -> str:
    """Words in place of the plan."""
    around = "around the target's outline" if with_target else "from where it came in"
    return f"Attempt {attempt.number}: path of the tip in millimetres {around}, closest approach marked."


def _time_label(attempt: Attempt, with_distance: bool) -> str:
    """Words in place of the chart over time."""
    distance = "distance from the tip to the target's outline over time, below zero is inside the target; "
    strip = "strip of when the tip was seen, not seen, or no needle was in."
    return f"Attempt {attempt.number}: {distance if with_distance else ''}{strip}"


def _limits_s(card: Scorecard, attempt: Attempt) -> tuple[float, float]:
    """Time shown: the attempt and a little of what lies around it."""
    times = card.track.time_s
    start, end = float(times[attempt.first_frame]), float(times[attempt.last_frame])
    return max(float(times[0]), start - _MARGIN_S), min(float(times[-1]), end + _MARGIN_S) + 1e-3


def _window(card: Scorecard, attempt: Attempt) -> slice:
    """Rows of the track that lie in the time shown."""
    start, end = np.searchsorted(card.track.time_s, _limits_s(card, attempt))
    return slice(int(start), int(end) + 1)


def _draw_distance(axes: Axes, card: Scorecard, edge: FloatArray, rows: slice) -> None:
    """Line of the distance with its band, the target's inside shaded below zero."""
    times, distance, sd = card.track.time_s[rows], edge[rows], card.track.tip_sd_mm[rows]
    seen = card.track.tip_visible[rows]
    known = distance[np.isfinite(distance)]
    low = min(float(known.min()) if known.size else 0.0, 0.0)
    high = max(float(known.max()) if known.size else 1.0, 1.0)
    room = 0.06 * (high - low) + 0.8
    axes.axhspan(low - 2 * room, 0, color=PALETTE["target-fill"], lw=0)
    axes.axhline(0, color=PALETTE["target"], lw=1.4)
    axes.text(
        0.01, low - 0.9 * room, "inside the target", color=PALETTE["target"], ha="left", va="bottom",
        transform=axes.get_yaxis_transform(), fontsize=8.5, style="italic",
    )  # fmt: skip
    axes.fill_between(
        times,
        distance - sd,
        distance + sd,
        where=np.isfinite(distance),
        color=PALETTE["muted"],
        alpha=0.28,
        lw=0,
    )
    axes.plot(times, distance, color=PALETTE["inferred"], lw=1.3, dashes=(3, 2))
    axes.plot(times, np.where(seen, distance, np.nan), color=PALETTE["seen"], lw=1.8)
    axes.set_ylim(low - room, high + room)


def _draw_strip(axes: Axes, card: Scorecard, rows: slice) -> None:
    """Three rows of bars: seen, inferred and no needle, each with its own place, fill and hatching."""
    times, spans = card.track.time_s[rows], card.track.frame_durations_s[rows]
    present, visible = card.track.needle_present[rows], card.track.tip_visible[rows]
    kinds = (  # in the order of _STATES
        (~present, "none", PALETTE["muted"], None),
        (present & ~visible, PALETTE["paper"], PALETTE["inferred"], "////"),
        (visible, PALETTE["seen"], PALETTE["seen"], None),
    )
    for level, (mask, fill, edge, hatch) in enumerate(kinds):
        bars = [(times[a], times[b] + spans[b] - times[a]) for a, b in _runs(mask)]
        axes.broken_barh(bars, (level - 0.33, 0.66), facecolor=fill, edgecolor=edge, hatch=hatch, lw=0.8)


def _runs(mask: BoolArray) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    steps = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(int(start), int(end) - 1) for start, end in zip(steps[::2], steps[1::2], strict=True)]


def _mark_bounds(axes: Axes, card: Scorecard, attempt: Attempt, *, with_words: bool) -> None:
    """Solid lines at the attempt's bounds, dotted ones where a pass starts, a diamond at the closest."""
    times = card.track.time_s
    for frame in (attempt.first_frame, attempt.last_frame):
        axes.axvline(times[frame], color=PALETTE["ink"], lw=1.1)
    above = axes.get_xaxis_transform()
    for number, one in enumerate(attempt.passes, start=1):
        axes.axvline(times[one.first_frame], color=PALETTE["ink"], lw=0.9, ls=(0, (1, 2)))
        if with_words:
            axes.annotate(
                f"pass {number}", (times[one.first_frame], 1), (3, 3), xycoords=above,
                textcoords="offset points", fontsize=8, color=PALETTE["ink"], annotation_clip=False,
            )  # fmt: skip
    edge = card.distances.get("edge_distance_mm")
    if with_words and attempt.closest_frame is not None and edge is not None:
        at = attempt.closest_frame
        axes.plot(times[at], edge[at], "D", ms=6, mfc=PALETTE["paper"], mec=PALETTE["ink"], mew=1.5, zorder=5)
