"""A sheet for charts: axes set up once, drawn on again and again, handed out as SVG that fits a page."""

from __future__ import annotations

import html
import importlib
import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
_GAP_IN = 0.08


def load() -> None:
    """Load the drawing library, which takes a third of a second: worth doing while another core is idle."""
    for name in ("backends.backend_svg", "figure", "patches"):
        importlib.import_module(f"matplotlib.{name}")


class Sheet:
    """One figure for many charts, since setting up axes and their ticks costs more than drawing.

    Parameters
    ----------
    heights : sequence of float
        Relative heights of the axes, from top to bottom; they share the horizontal axis.
    margins_in : tuple of float
        Room in inches left, right, below and above, for the labels. It is fixed: fitting it to them would
        mean to draw everything twice.
    """

    def __init__(self, heights: Sequence[float], *, margins_in: tuple[float, float, float, float]) -> None:
        # Imported here: a clip without attempts has no chart.
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure

        self._margins_in = margins_in
        self._figure = Figure(facecolor="none")
        self._canvas = FigureCanvasSVG(self._figure)
        with _styled():
            grid = self._figure.subplots(len(heights), 1, sharex=True, squeeze=False, height_ratios=heights)
        self._axes: list[Axes] = list(grid[:, 0])

    @contextmanager
    def drawing(self) -> Iterator[list[Axes]]:
        """Give the axes to draw on; what was drawn is taken off at the end, limits and labels stay."""
        try:
            with _styled():
                yield self._axes
        finally:
            for axes in self._axes:
                for artist in [*axes.lines, *axes.patches, *axes.collections, *axes.texts]:
                    artist.remove()

    @contextmanager
    def setting_up(self) -> Iterator[list[Axes]]:
        """Give the axes to set up what all charts have in common."""
        with _styled():
            yield self._axes

    def svg(self, size_in: tuple[float, float], *, key: str, label: str) -> str:
        """Return what is drawn at the moment as an SVG element that takes its colours from the page.

        `key` tells the element's ids from those of other charts on the page, `label` says it in words.
        """
        self._set_size(size_in)
        file = io.StringIO()
        with _styled(**{"svg.hashsalt": key}):
            self._canvas.print_svg(file, metadata={"Date": None})  # type: ignore[no-untyped-call]
        return _for_page(file.getvalue(), label)

    def _set_size(self, size_in: tuple[float, float]) -> None:
        """Set the figure's size and place the axes in it."""
        left, right, bottom, top = self._margins_in
        width, height = size_in
        n = len(self._axes)
        mean_height = (height - bottom - top - _GAP_IN * (n - 1)) / n
        self._figure.set_size_inches(width, height)
        self._figure.subplots_adjust(
            left=left / width,
            right=1 - right / width,
            bottom=bottom / height,
            top=1 - top / height,
            hspace=_GAP_IN / mean_height,
        )


def _styled(**more: Any) -> Any:
    """Context in which things are made and drawn in our style."""
    import matplotlib

    return matplotlib.rc_context(_STYLE | more)


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
