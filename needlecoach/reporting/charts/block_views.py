"""A block drawn to scale, from above and from the side: strings of SVG whose units are millimetres."""

from __future__ import annotations

from collections.abc import Iterator
from math import hypot

from markupsafe import escape

from needlecoach.model import BlockShape
from needlecoach.model.plan import Casting, Ending, PlannedTarget

# Scales that a ruler can be used with: so many mm of the block to one mm of paper.
_RATIOS = (1, 2, 4, 5, 10)
# Width of a printed page between its margins, and what is left round the block for rulers and above it; mm of
# paper.
_PAGE_MM, _MARGIN_MM, _ABOVE_MM = 180.0, 9.0, 3.5
# Right of the view from the side, for the names of layers, mm of paper; letters that fit there.
_NAMES_MM, _LETTERS = 30.0, 18
# Sizes of text and lines, mm of paper.
_TEXT_MM, _LINE_MM = 3.2, 0.35
# A thing that ends this near to where it is wanted is drawn once.
_SAME_MM = 1.0


def ratio_of(casting: Casting) -> int:
    """How many mm of the block are one of paper, so that both views fit across a page."""
    length = casting.plan.container.length_mm
    return next((one for one in _RATIOS if length / one + _MARGIN_MM + _NAMES_MM <= _PAGE_MM), _RATIOS[-1])


def plan_view(casting: Casting, title: str) -> str:
    """From above, the front at the bottom: walls, things, and the needles' ways."""
    container, ratio = casting.plan.container, ratio_of(casting)
    half_x, half_y = container.length_mm / 2, container.width_mm / 2
    if container.kind == "box":
        wall = f'<rect class="wall" {_box(-half_x, -half_y, 2 * half_x, 2 * half_y)}/>'
    else:
        wall = f'<ellipse class="wall" cx="0" cy="0" rx="{half_x:.1f}" ry="{half_y:.1f}"/>'
    cross = f'<path class="fine" d="M{-half_x:.1f} 0H{half_x:.1f}M0 {-half_y:.1f}V{half_y:.1f}"/>'
    parts = [wall, cross, *_ruler_across(half_x, half_y, ratio), *_ruler_down(-half_x, half_y, ratio)]
    for number, target in enumerate(casting.plan.targets, start=1):
        parts += _thing(number, target, target.place_mm, target.size_mm[:2], ratio)
    for target, entry in zip(casting.plan.targets, casting.entries_mm, strict=True):
        parts.append(_way(entry, target.place_mm))
    return _drawing(parts, (-half_x, -half_y, 2 * half_x, 2 * half_y), ratio, title)


def side_view(casting: Casting, title: str) -> str:
    """From the front, the surface on top: layers, things where they end and where they are wanted."""
    plan, ratio = casting.plan, ratio_of(casting)
    half, deep = plan.container.length_mm / 2, plan.container.height_mm
    parts = list(_layers(casting, half, ratio))
    parts.append(f'<path class="wall" d="M{-half:.1f} 0V{deep:.1f}H{half:.1f}V0"/>')
    parts += [*_ruler_across(half, deep, ratio), *_ruler_down(-half, deep, ratio, from_mm=0.0)]
    things = list(zip(plan.targets, casting.endings, strict=True))
    for number, (target, ending) in enumerate(things, start=1):
        size = (target.size_mm[2], target.size_mm[1])
        for depth in _elsewhere(target, ending):
            parts.append(_shape(target.shape, (target.place_mm[0], depth), size, "wanted"))
        parts += _thing(number, target, (target.place_mm[0], ending.depth_mm), size, ratio)
    for (target, ending), entry in zip(things, casting.entries_mm, strict=True):
        if target.approach.side in ("left", "right"):
            parts.append(_way((entry[0], 0.0), (target.place_mm[0], ending.depth_mm)))
    # What would break the surface is shown whole.
    tops = [depth - target.size_mm[2] / 2 for target, end in things for depth in end.range_mm]
    top = min([0.0, *tops])
    return _drawing(parts, (-half, top, 2 * half, deep - top), ratio, title, right_mm=_NAMES_MM)


def _elsewhere(target: PlannedTarget, ending: Ending) -> list[float]:
    """Depths at which a thing is drawn dashed: where it is wanted, and where else it may end."""
    depths = {target.depth_mm, *ending.range_mm}
    return sorted(depth for depth in depths if abs(depth - ending.depth_mm) > _SAME_MM)


def _layers(casting: Casting, half: float, ratio: int) -> Iterator[str]:
    plan = casting.plan
    for number, layer in enumerate(plan.layers):
        top, bottom = plan.span_mm(number)
        kind = "layer opaque" if layer.opaque else "layer"
        yield f'<rect class="{kind}" {_box(-half, top, 2 * half, bottom - top)}/>'
        x, middle = half + 1.5 * ratio, (top + bottom) / 2 + 0.35 * _TEXT_MM * ratio
        lines = (_short(layer.name), f"{layer.gelatin_g_l:g} g/l")
        for words, y in zip(
            lines, (middle - 0.6 * _TEXT_MM * ratio, middle + 0.6 * _TEXT_MM * ratio), strict=True
        ):
            yield f'<text x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>'


def _thing(
    number: int,
    target: PlannedTarget,
    centre: tuple[float, float],
    across_and_along: tuple[float, ...],
    ratio: int,
) -> list[str]:
    kind = "thing gas" if target.material.gas else f"thing {target.kind or 'unknown'}"
    high, wide = across_and_along[0], across_and_along[1]
    place = (centre[0] + wide / 2 + 0.6 * ratio, centre[1] - high / 2 + 1.2 * ratio)
    return [
        _shape(target.shape, centre, (high, wide), kind),
        f'<text class="number" x="{place[0]:.1f}" y="{place[1]:.1f}">{number}</text>',
    ]


def _shape(shape: BlockShape, centre: tuple[float, float], size: tuple[float, float], kind: str) -> str:
    """Outline of a thing, `size` up and down the drawing, then along it."""
    (x, y), (high, wide) = centre, size
    if shape in ("ball", "egg"):
        return f'<ellipse class="{kind}" cx="{x:.1f}" cy="{y:.1f}" rx="{wide / 2:.2f}" ry="{high / 2:.2f}"/>'
    return f'<rect class="{kind}" {_box(x - wide / 2, y - high / 2, wide, high)}/>'


def _way(start: tuple[float, float], end: tuple[float, float]) -> str:
    """The needle's way, with a ring where it enters."""
    if hypot(end[0] - start[0], end[1] - start[1]) < 0.1:
        return ""
    return (
        f'<path class="way" d="M{start[0]:.1f} {start[1]:.1f}L{end[0]:.1f} {end[1]:.1f}"/>'
        f'<circle class="entry" cx="{start[0]:.1f}" cy="{start[1]:.1f}" r="1.6"/>'
    )


def _ruler_across(half: float, base: float, ratio: int) -> Iterator[str]:
    """Ticks every 10 mm from the middle, below the drawing."""
    ticks, words = [], []
    for step in range(-int(half // 10), int(half // 10) + 1):
        long = step % _word_every(ratio) == 0
        ticks.append(f"M{10 * step} {base:.1f}v{(2.2 if long else 1.2) * ratio:.1f}")
        if long:
            y = base + (2.4 + _TEXT_MM) * ratio
            words.append(f'<text class="tick mid" x="{10 * step}" y="{y:.1f}">{10 * abs(step)}</text>')
    yield f'<path class="fine" d="{"".join(ticks)}"/>'
    yield from words


def _ruler_down(left: float, base: float, ratio: int, from_mm: float | None = None) -> Iterator[str]:
    """Ticks every 10 mm at the left: from the surface down, or from the middle both ways."""
    first = -int(base // 10) if from_mm is None else 0
    ticks, words = [], []
    for step in range(first, int(base // 10) + 1):
        long = step % _word_every(ratio) == 0
        ticks.append(f"M{left:.1f} {10 * step}h{-(2.2 if long else 1.2) * ratio:.1f}")
        if long:
            x, y = left - 2.8 * ratio, 10 * step + _TEXT_MM * 0.35 * ratio
            words.append(f'<text class="tick end" x="{x:.1f}" y="{y:.1f}">{10 * abs(step)}</text>')
    yield f'<path class="fine" d="{"".join(ticks)}"/>'
    yield from words


def _word_every(ratio: int) -> int:
    """Of ticks, each how manieth has its number: not closer than some 10 mm of paper."""
    return 1 if ratio == 1 else 2 if ratio == 2 else 5 if ratio <= 5 else 10


def _short(name: str) -> str:
    return name if len(name) <= _LETTERS else name[: _LETTERS - 1] + "…"


def _drawing(
    parts: list[str],
    box: tuple[float, float, float, float],
    ratio: int,
    title: str,
    *,
    right_mm: float = _MARGIN_MM,
) -> str:
    """The parts within a frame; printed, one mm of paper is `ratio` of the block."""
    edge = _MARGIN_MM * ratio
    wide, high = box[2] + edge + right_mm * ratio, box[3] + edge + _ABOVE_MM * ratio
    size = (
        f"--paper: {wide / ratio:.1f}mm; --text: {_TEXT_MM * ratio:.1f}px; --line: {_LINE_MM * ratio:.2f}px"
    )
    left, top = box[0] - edge, box[1] - _ABOVE_MM * ratio
    return (
        f'<svg class="view" style="{size}" viewBox="{left:.1f} {top:.1f} {wide:.1f} {high:.1f}" '
        f'role="img" aria-label="{escape(title)}">' + "".join(parts) + "</svg>"
    )


def hatches(casting: Casting) -> str:
    """Patterns of both views, which print in black and white: dots for opaque gel, lines for what holds
    gas."""
    ratio = ratio_of(casting)
    step = 1.8 * ratio
    return (
        '<svg class="patterns" aria-hidden="true" width="0" height="0"><defs>'
        f'<pattern id="dots" width="{step:.1f}" height="{step:.1f}" patternUnits="userSpaceOnUse">'
        f'<circle class="dot" cx="{step / 2:.2f}" cy="{step / 2:.2f}" r="{0.17 * ratio:.2f}"/></pattern>'
        f'<pattern id="lines" width="{step / 2:.2f}" height="{step / 2:.2f}" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><path class="hatch" d="M0 0V{step / 2:.2f}"/></pattern></defs></svg>'
    )


def _box(x: float, y: float, wide: float, high: float) -> str:
    return f'x="{x:.1f}" y="{y:.1f}" width="{wide:.2f}" height="{high:.2f}"'
