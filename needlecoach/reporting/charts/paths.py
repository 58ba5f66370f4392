"""Points, lines and bands as data of SVG paths, in whole units and relative steps: thousands fit a page."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

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


def stride(x: Units, *ys: Units, most_off: float = 1.0) -> int:
    """Every how many-th support point is enough for lines to be drawn within `most_off` units."""
    for step in (8, 4, 2):
        kept = kept_points(len(x), step)
        if all(np.abs(np.interp(x, x[kept], y[kept]) - y).max() <= most_off for y in ys):
            return step
    return 1


def kept_points(count: int, step: int) -> npt.NDArray[np.int64]:
    """Every step-th of `count` places, and the last."""
    return np.unique(np.append(np.arange(0, count, step), count - 1))


def _steps(x: Units, y: Units) -> list[str]:
    return [_pair(a, b) for a, b in zip(np.diff(x).tolist(), np.diff(y).tolist(), strict=True)]


def _pair(x: int, y: int) -> str:
    """Two numbers; a minus sign parts them as well as a space."""
    return f"{x}{y}" if y < 0 else f"{x} {y}"
