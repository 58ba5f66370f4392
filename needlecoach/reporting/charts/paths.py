"""Points, lines and bands as data of SVG paths, in whole units and relative steps: thousands fit a page."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray

Units = npt.NDArray[np.int64]


def dots(x: Units, y: Units) -> str:
    """Points (n,) as one path of strokes without length: a round line cap draws each as a disc."""
    if not len(x):
        return ""
    return f"M{_pair(x[0], y[0])}h0" + "".join(f"m{step}h0" for step in _steps(x, y))


def line(x: Units, y: Units) -> str:
    """A line through points (n,)."""
    if not len(x):
        return ""
    steps = _steps(x, y)
    return f"M{_pair(x[0], y[0])}" + ("l" + " ".join(steps) if steps else "")


def band(x: Units, low: Units, high: Units) -> str:
    """The area between two lines over the same places (n,)."""
    return line(np.concatenate([x, x[::-1]]), np.concatenate([high, low[::-1]])) + "z"


def carets(x: Units, y: Units, *, up: bool, size: int = 8) -> str:
    """Open arrow heads (n,) with their points at (x, y): what lies beyond an axis, at its edge."""
    fall = 2 * size if up else -2 * size
    return "".join(
        f"M{_pair(a - size, b + fall)}L{_pair(a, b)}L{_pair(a + size, b + fall)}"
        for a, b in zip(x, y, strict=True)
    )


def bends(*lines: FloatArray, most_off: float = 0.5) -> npt.NDArray[np.int64]:
    """Which points (m,) of lines over the same, evenly spaced places are enough to draw them all.

    Straight pieces between them stay within about `most_off` units: a piece of length h is off by h² / 8
    times the second derivative, so that points lie close where a line bends and far apart where it
    is straight.
    """
    last = len(lines[0]) - 1
    bent = np.abs(np.diff(np.array(lines), 2, axis=1)).max(axis=0, initial=0.0)
    pieces = np.concatenate([[0.0], np.cumsum(np.sqrt(bent / (8 * most_off)))])
    steps = np.linspace(0, pieces[-1], int(np.ceil(pieces[-1])) + 1)[:-1]
    return np.unique(np.append(np.searchsorted(pieces, steps), [0, last]))


def corners(value: FloatArray) -> npt.NDArray[np.int64]:
    """Which points (n,) of a line over evenly spaced places are no part of a straight run; both ends are."""
    inner = np.flatnonzero(np.abs(np.diff(value, 2)) > 1e-9) + 1
    return np.unique(np.concatenate([[0], inner, [len(value) - 1]]))


def _steps(x: Units, y: Units) -> list[str]:
    return [_pair(a, b) for a, b in zip(np.diff(x).tolist(), np.diff(y).tolist(), strict=True)]


def _pair(x: int, y: int) -> str:
    """Two numbers; a minus sign parts them as well as a space."""
    return f"{x}{y}" if y < 0 else f"{x} {y}"
