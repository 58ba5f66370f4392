"""A block's pictures with what was found drawn on them, and its brightness over depth: SVG as strings."""

from __future__ import annotations

import base64

import cv2
import numpy as np
from markupsafe import Markup, escape

from needlecoach.model import CheckedPicture, DepthFall, FloatArray, GreyImage, NeedlePath, Point

# Ways drawn for each target; the table has all.
DRAWN_WAYS = 3
_WIDE, _HIGH, _LEFT, _RIGHT, _TOP, _BOTTOM = 460, 250, 56, 450, 14, 206


def found_on(picture: CheckedPicture, label: str) -> Markup:
    """A picture with gas, shadows, layer lines, targets and the best ways drawn on it."""
    parts = [
        *(_polygon(spot.shadow_px, picture, "shadow") for spot in picture.gas),
        *(_line(line.ends_px, picture, "level") for line in picture.layer_lines),
        *(_polygon(target.outline_px, picture, "target") for target in picture.targets),
    ]
    for target in picture.targets:
        ways = target.clear[:DRAWN_WAYS]
        parts += [_way(way, picture, number) for number, way in reversed(list(enumerate(ways, start=1)))]
    parts += [
        _gas(number, spot.centre_px, spot.width_mm, picture) for number, spot in enumerate(picture.gas, 1)
    ]
    return _over(picture, "".join(parts), label)


def texture_on(picture: CheckedPicture, label: str) -> Markup:
    """A picture with the blocks of gel that were measured; those that are not even are crossed."""
    wide, high = picture.texture.size_px
    corner = np.asarray(picture.corner_px)
    parts = []
    for (x, y), even in zip(picture.texture.corner_px - corner, picture.texture.even, strict=True):
        kind = "even" if even else "odd"
        box = f'<rect class="{kind}" x="{x:.0f}" y="{y:.0f}" width="{wide}" height="{high}"/>'
        cross = (
            ""
            if even
            else f'<path class="cross" d="M{x:.0f} {y:.0f}l{wide} {high}m0 {-high}l{-wide} {high}"/>'
        )
        parts.append(box + cross)
    return _over(picture, "".join(parts), label)


def _over(picture: CheckedPicture, body: str, label: str) -> Markup:
    h, w = picture.greys.shape
    return Markup(
        f'<svg class="scan" role="img" aria-label="{escape(label)}" viewBox="-0.5 -0.5 {w} {h}" '
        f'style="--u:{max(w, h) / 400:.3f}px; max-width:{1.5 * w:.0f}px">'
        f'<image href="{_png(picture.greys)}" x="-0.5" y="-0.5" width="{w}" height="{h}"/>{body}</svg>'
    )


def _png(greys: GreyImage) -> str:
    data = cv2.imencode(".png", greys, [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes()
    return "data:image/png;base64," + base64.b64encode(data).decode()


def _local(points_px: FloatArray, picture: CheckedPicture) -> FloatArray:
    return np.asarray(np.asarray(points_px, dtype=float) - picture.corner_px, dtype=float)


def _points(points_px: FloatArray, picture: CheckedPicture) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in _local(points_px, picture))


def _polygon(outline_px: FloatArray, picture: CheckedPicture, kind: str) -> str:
    every = max(len(outline_px) // 90, 1)
    return f'<polygon class="{kind}" points="{_points(outline_px[::every], picture)}"/>'


def _line(ends_px: tuple[Point, Point], picture: CheckedPicture, kind: str) -> str:
    return f'<polyline class="{kind}" points="{_points(np.array(ends_px), picture)}"/>'


def _way(way: NeedlePath, picture: CheckedPicture, number: int) -> str:
    """A way with its number, where it comes into the picture."""
    start, end = _local(np.array([way.start_px, way.end_px]), picture)
    at = start + (end - start) * (0.1 + 0.11 * number)
    kind = "way best" if number == 1 else "way"
    return (
        f'<polyline class="halo" points="{start[0]:.1f},{start[1]:.1f} {end[0]:.1f},{end[1]:.1f}"/>'
        f'<polyline class="{kind}" points="{start[0]:.1f},{start[1]:.1f} {end[0]:.1f},{end[1]:.1f}"/>'
        f'<text class="number" x="{at[0]:.1f}" y="{at[1]:.1f}">{number}</text>'
    )


def _gas(number: int, centre_px: Point, width_mm: float, picture: CheckedPicture) -> str:
    x, y = _local(np.array(centre_px), picture)
    across = max(0.6 * width_mm / picture.scale.x_mm_per_px, 5.0)
    is_far = x > 0.75 * picture.greys.shape[1]  # the name would be cut off
    at, anchor = (x - across, ' text-anchor="end"') if is_far else (x + across, "")
    return (
        f'<ellipse class="gas" cx="{x:.1f}" cy="{y:.1f}" rx="{across:.1f}" ry="{max(across * 0.6, 5):.1f}"/>'
        f'<text class="gas-name" x="{at:.1f}" y="{y:.1f}"{anchor}>gas {number}</text>'
    )


def depth_course(depth: DepthFall, label: str) -> Markup:
    """Brightness over depth: the medians that were measured and the straight fall through them."""
    mm, level = depth.profile.T
    low, high = 10 * np.floor(min(level.min(), -10) / 10), 10 * np.ceil(max(level.max(), -10) / 10)
    far = 10 * np.ceil(mm.max() / 10)

    def place(at_mm: FloatArray, at_db: FloatArray) -> str:
        x = _LEFT + at_mm / far * (_RIGHT - _LEFT)
        y = _BOTTOM - (at_db - low) / (high - low) * (_BOTTOM - _TOP)
        return " ".join(f"{a:.0f},{b:.0f}" for a, b in zip(x, y, strict=True))

    ends = np.array(depth.span_mm)
    middle = float(np.median(level - depth.db_per_cm / 10 * mm))
    rungs = "".join(_rung(float(db), low, high) for db in np.arange(low, high + 1, 10))
    steps = "".join(_step(float(one), far) for one in np.arange(0, far + 1, 10 if far <= 60 else 20))
    return Markup(
        f'<svg class="course" role="img" aria-label="{escape(label)}" viewBox="0 0 {_WIDE} {_HIGH}">'
        f'{rungs}{steps}<text class="mid" x="{(_LEFT + _RIGHT) / 2:.0f}" y="{_HIGH - 6}">'
        "depth as shown, mm</text>"
        f'<polyline class="measured" points="{place(mm, level)}"/>'
        f'<polyline class="fall" points="{place(ends, middle + depth.db_per_cm / 10 * ends)}"/></svg>'
    )


def _rung(db: float, low: float, high: float) -> str:
    y = _BOTTOM - (db - low) / (high - low) * (_BOTTOM - _TOP)
    words = "white" if db == 0 else f"{db:.0f} dB".replace("-", "−")
    return (
        f'<line class="rule" x1="{_LEFT}" x2="{_RIGHT}" y1="{y:.0f}" y2="{y:.0f}"/>'
        f'<text class="end" x="{_LEFT - 6}" y="{y + 4:.0f}">{words}</text>'
    )


def _step(mm: float, far: float) -> str:
    x = _LEFT + mm / far * (_RIGHT - _LEFT)
    return f'<text class="mid" x="{x:.0f}" y="{_BOTTOM + 18}">{mm:.0f}</text>'
