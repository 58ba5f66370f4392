"""Figures and findings in plain words, with no more digits than are known."""

from __future__ import annotations

import math

from needlecoach.model import Attempt, Figure, Scorecard

_DECIMALS = {"mm": 1, "s": 1, "deg": 0, "°": 0, "mm/s": 0, "bits": 1, "count": 0, "px": 0}
_UNIT_SIGNS = {"deg": "°", "share": "%", "count": ""}
# Shares of time: shown as percent.
_SHARES = {
    "tip_visibility_share",
    "tip_visibility_advancing",
    "path_efficiency",
    "scale_sd_share",
    "confidence",
}


def figure_text(figure: Figure) -> str:
    """Return a figure with its uncertainty and unit, such as "0.7 ± 0.3 mm"; a dash when it is unknown."""
    value = figure.value
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    percent = figure.name in _SHARES
    factor, unit = (100, "%") if percent else (1, _UNIT_SIGNS.get(figure.unit, figure.unit))
    sd = None if figure.sd is None or not math.isfinite(figure.sd) else figure.sd * factor
    return with_uncertainty(value * factor, sd, unit, decimals=_decimals(figure, percent))


def with_uncertainty(value: float, sd: float | None, unit: str, *, decimals: int) -> str:
    """Return "value ± sd unit", rounded to where the uncertainty begins; `decimals` rules when there is none."""
    if sd is not None and sd > 0:
        decimals = max(0, min(decimals + 1, -math.floor(math.log10(sd))))
    number = f"{value:.{decimals}f}"
    if float(number) == 0:
        number = number.removeprefix("-")
    text = number.replace("-", "−")
    if sd is not None:
        smallest = 10**-decimals
        text += f" ± {max(sd, smallest):.{decimals}f}" if sd > 0 else ""
    gap = "" if unit in ("", "°", "%") else " "
    return f"{text}{gap}{unit}"


def headline(attempt: Attempt, *, with_target: bool) -> str:
    """Return one sentence that says what happened in an attempt."""
    start = f"Attempt {attempt.number}: "
    if attempt.outcome == "unscorable" and (with_target or attempt.reason):
        return f"{start}can’t be scored{': ' if attempt.reason else ''}{attempt.reason.rstrip('.')}."
    passes = _passes_words(attempt)
    if not with_target:
        return f"{start}{_joined(_text(attempt, 'duration_s', 'the needle was in for {}'), passes)}."
    edge = attempt.figures.get("closest_edge_mm")
    if attempt.outcome == "hit":
        words = _text(attempt, "time_to_target_s", "the tip reached the target after {}")
        words = words or "the tip reached the target"
        return f"{start}{_joined(words, passes, _text(attempt, 'closest_centre_mm', 'closest to the centre {}'))}."
    if attempt.outcome == "borderline":
        close = _text(attempt, "closest_edge_mm", "closest to its outline {}")
        return f"{start}{_joined('too close to call whether the tip reached the target', passes, close)}."
    if edge is not None and isinstance(edge.value, (int, float)) and edge.value < 0:
        words = "the tip was in the target too briefly to count as reaching it"
        return f"{start}{_joined(words, passes)}."
    words = _text(attempt, "closest_edge_mm", "the tip missed the target by {}") or "the tip missed the target"
    return f"{start}{_joined(words, passes)}."


def _joined(*parts: str) -> str:
    """Join the parts that say something."""
    return ", ".join(part for part in parts if part)


def _passes_words(attempt: Attempt) -> str:
    """Return "1 pass", "3 passes" or "no full pass"."""
    figure = attempt.figures.get("passes")
    count = figure.value if figure is not None else len(attempt.passes)
    if not isinstance(count, int):
        return ""
    return {0: "no full pass", 1: "1 pass"}.get(count, f"{count} passes")


def _text(attempt: Attempt, name: str, sentence: str) -> str:
    """Put a figure into a sentence; empty when it is missing or unknown."""
    figure = attempt.figures.get(name)
    text = figure_text(figure) if figure is not None else "–"
    return "" if text == "–" else sentence.format(text)


def _decimals(figure: Figure, percent: bool) -> int:
    """Decimals of a figure without uncertainty."""
    if percent or isinstance(figure.value, int):
        return 1 if figure.name == "scale_sd_share" else 0
    return _DECIMALS.get(figure.unit, 2)


def confidence_words(confidence: float) -> str:
    """Say how far the result can be trusted. The bounds are a choice of ours."""
    if not math.isfinite(confidence):
        return "not known"
    if confidence >= 0.8:
        return "high: the needle was followed well"
    if confidence >= 0.5:
        return "fair: check the replay before relying on single figures"
    return "low: take the figures as hints only and look at the replay"


def scale_words(card: Scorecard) -> str:
    """Say where millimetres come from and how sure they are."""
    scale = card.scale
    x, y = scale.x_mm_per_px, scale.y_mm_per_px
    size = f"{x:.3g}" if math.isclose(x, y, rel_tol=0.002) else f"{x:.3g} across and {y:.3g} down"
    return f"{size} mm per pixel, from {scale.source}; uncertainty {with_uncertainty(scale.sd_share * 100, None, '%', decimals=1)}"
