"""Charts of one attempt as inline SVG: the tip's path around the target, and its distance over time.

Colours are drawn from `PALETTE` and replaced by the page's CSS variables, so a chart follows light, dark and
print. Every state is told by form as well: solid or dashed, filled or hollow, and its own row.
"""

from __future__ import annotations

import html
import io
import re
from typing import TYPE_CHECKING, Any

import numpy as np

from needlecoach.model import Attempt, BoolArray, FloatArray, Scorecard

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Canvas

PALETTE = {
    "ink": "#1d2733",
    "muted": "#5a6672",
    "rule": "#c9ced3",
    "paper": "#fffefb",
    "seen": "#00687a",
    "inferred": "#b4500f",
    "target": "#6f4fa3",
    "target-fill": "#e9e1f4",
}
_MARGIN_S = 0.6
_STYLE: Any = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 9.0,
    "hatch.linewidth": 0.9,
    "axes.edgecolor": PALETTE["muted"],
    "axes.labelcolor": PALETTE["ink"],
    "axes.facecolor": "none",
    "xtick.color": PALETTE["muted"],
    "ytick.color": PALETTE["muted"],
    "text.color": PALETTE["ink"],
    "axes.spines.top": False,
    "axes.spines.right": False,
}


def plan_chart(card: Scorecard, attempt: Attempt) -> str:
    """Path of the tip in mm around the target, as the picture shows it (x right, y down): an SVG element.

    Solid where the tip was seen, dashed where it was inferred. Without a target the path starts at the
    origin. Empty text when the attempt has no tip position at all.
    """
    path, outline = _path_mm(card, attempt)
    if not np.isfinite(path).all(axis=1).any():
        return ""
    seen = card.track.tip_visible[attempt.first_frame : attempt.last_frame + 1]

    def draw(figure: Canvas) -> None:
        axes = figure.add_subplot()
        if outline is not None:
            axes.fill(*outline.T, facecolor=PALETTE["target-fill"], edgecolor=PALETTE["target"], lw=1.6)
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
        _mark_closest(axes, card, attempt, path)
        _number_passes(axes, attempt, path)
        _frame_plan(axes, path, outline)

    return _svg(
        draw, (4.0, 4.0), key=f"plan-{attempt.number}", label=_plan_label(attempt, outline is not None)
    )


def time_chart(card: Scorecard, attempt: Attempt, *, narrow: bool = False) -> str:
    """Distance from tip to target outline over time, and a strip of seen, not seen, absent: an SVG element.

    The band is one expected error of the tip either way. Without a target only the strip is drawn. `narrow`
    gives the shape for a phone.
    """
    edge = card.distances.get("edge_distance_mm")
    with_distance = edge is not None and bool(np.isfinite(edge).any())

    def draw(figure: Canvas) -> None:
        if with_distance and edge is not None:
            upper, strip = figure.subplots(2, 1, sharex=True, height_ratios=[3.2, 1])
            _draw_distance(upper, card, edge, _window(card, attempt))
            _mark_bounds(upper, card, attempt, with_words=True)
        else:
            strip = figure.add_subplot()
        _draw_strip(strip, card, _window(card, attempt))
        _mark_bounds(strip, card, attempt, with_words=not with_distance)
        strip.set_xlabel("time in the clip, s")
        strip.set_xlim(*_limits_s(card, attempt))

    size = (3.9 if narrow else 8.6, (4.0 if narrow else 3.7) if with_distance else 1.7)
    words = f"Attempt {attempt.number}: " + (
        "distance from the tip to the target's outline over time, below zero is inside the target; "
        if with_distance
        else ""
    )
    key = f"time-{attempt.number}-{'narrow' if narrow else 'wide'}"
    return _svg(
        draw, size, key=key, label=words + "strip of when the tip was seen, not seen, or no needle was in."
    )


def _path_mm(card: Scorecard, attempt: Attempt) -> tuple[FloatArray, FloatArray | None]:
    """Tip path in mm, shape (n, 2), from the followed target's centre; and the outline or None."""
    rows = slice(attempt.first_frame, attempt.last_frame + 1)
    tip, target = card.track.tip_px[rows], card.marks.target
    if target is None:
        known = np.isfinite(tip).all(axis=1)
        origin = tip[known][:1] if known.any() else np.zeros((1, 2))
        return card.scale.to_mm(tip - origin), None
    outline = card.scale.to_mm(target.outline_px - np.array(target.centre_px))
    return card.scale.to_mm(tip - card.track.target_px[rows]), outline


def _spaced(points: FloatArray, *, gap_mm: float = 0.7) -> FloatArray:
    """Keep points, shape (n, 2), that lie at least a gap from the one kept before; NaN is left out."""
    kept: list[FloatArray] = []
    for point in points[np.isfinite(points).all(axis=1)]:
        if not kept or np.hypot(*(point - kept[-1])) >= gap_mm:
            kept.append(point)
    return np.array(kept).reshape(-1, 2)


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
        axes.add_patch(Circle((x, y), sd_mm, facecolor="none", edgecolor=PALETTE["ink"], lw=1, ls=":"))
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
    axes.set_aspect("equal")
    start = "target's centre" if outline is not None else "where the tip came in"
    axes.set_xlabel(f"mm to the right of the {start}" if outline is not None else f"mm right of {start}")
    axes.set_ylabel(f"mm below the {start}" if outline is not None else f"mm below {start}")
    axes.grid(color=PALETTE["rule"], lw=0.5)
    axes.set_axisbelow(True)


def _plan_label(attempt: Attempt, with_target: bool) -> str:
    """Words in place of the plan."""
    around = "around the target's outline" if with_target else "from where it came in"
    return f"Attempt {attempt.number}: path of the tip in millimetres {around}, closest approach marked."


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
    axes.set_ylabel("tip to outline, mm")
    axes.grid(axis="y", color=PALETTE["rule"], lw=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(labelbottom=False, length=0)


def _draw_strip(axes: Axes, card: Scorecard, rows: slice) -> None:
    """Three rows of bars: seen, inferred and no needle, each with its own place, fill and hatching."""
    times, spans = card.track.time_s[rows], card.track.frame_durations_s[rows]
    present, visible = card.track.needle_present[rows], card.track.tip_visible[rows]
    kinds = (
        ("no needle", ~present, "none", PALETTE["muted"], None),
        ("not seen", present & ~visible, PALETTE["paper"], PALETTE["inferred"], "////"),
        ("seen", visible, PALETTE["seen"], PALETTE["seen"], None),
    )
    for level, (_, mask, fill, edge, hatch) in enumerate(kinds):
        bars = [(times[a], times[b] + spans[b] - times[a]) for a, b in _runs(mask)]
        axes.broken_barh(bars, (level - 0.33, 0.66), facecolor=fill, edgecolor=edge, hatch=hatch, lw=0.8)
    axes.set_yticks(range(len(kinds)), [name for name, *_ in kinds])
    axes.set_ylim(-0.6, 2.6)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


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


def _svg(draw: Any, size_in: tuple[float, float], *, key: str, label: str) -> str:
    """Draw on a fresh canvas and return it as an SVG element that takes its colours from the page."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as Canvas

    with matplotlib.rc_context({**_STYLE, "svg.hashsalt": key}):
        figure = Canvas(figsize=size_in, layout="constrained", facecolor="none")
        draw(figure)
        file = io.StringIO()
        FigureCanvasSVG(figure).print_svg(  # type: ignore[no-untyped-call]
            file, metadata={"Date": None}
        )
    return _for_page(file.getvalue(), label)


def _for_page(text: str, label: str) -> str:
    """Cut the drawing out of its file, name it for those who can't see it, and hand its colours to CSS."""
    body = text[text.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    # Names of parts, such as line2d_1, would recur from chart to chart on a page; nothing refers to them.
    body = re.sub(r' id="[A-Za-z0-9.]+_\d+"', "", body)
    head_end = body.index(">")
    head = re.sub(r'\s(width|height)="[^"]*"', "", body[:head_end])
    for name, colour in PALETTE.items():
        body = body.replace(colour, f"var(--{name})")
    body = body[body.index(">") :]
    return f'{head} role="img" aria-label="{html.escape(label)}"{body}'
