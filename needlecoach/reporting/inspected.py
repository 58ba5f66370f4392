"""What was seen of a clip before scoring: a table in words, a record for programs, and a picture."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import cv2
import numpy as np

from needlecoach.model import Frame, Inspection, Region, Target
from needlecoach.reporting.overlay import BAR_BACK, BAR_HEIGHT_PX, BAR_TEXT, HALO, SEEN, TARGET, TEXT_SIZE
from needlecoach.reporting.record import plain

SCHEMA = 1
MAX_SIDE_PX, MAX_ENLARGEMENT, MARGIN_PX = 1000, 2.0, 12
_UNKNOWN = "not known"
# A small square round each tick of the ruler.
_TICK_MARK_PX = 4.0 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
NEEDS_TICKS = "; give --tick-mm, the mm from each tick to the next, short ones too"


def table_rows(found: Inspection) -> list[tuple[str, str]]:
    """Return the table as pairs of a label and its words; advice comes last."""
    clip, timing = found.clip, found.timing
    rows = [
        ("Recording", clip.path.name),
        ("Stored as", _storage_words(found)),
        ("Screen", f"{clip.width_px} x {clip.height_px} px"),
        ("Frames", f"{timing.n_frames} over {timing.length_s:.1f} s"),
        ("Rate", _rate_words(found)),
        ("Repeated frames", _repeat_words(found)),
        ("Interlaced", _INTERLACED[timing.interlaced]),
        ("Filmed screen", _screen_words(found)),
        ("Picture", _region_words(found.region)),
        ("Doubt", found.region_problem),
        ("Ruler", found.ruler + (NEEDS_TICKS if len(found.ticks_px) and found.scale is None else "")),
        ("Scale", _scale_words(found)),
        *(("Doubt", note) for note in found.scale_notes),
        ("Colour", _TINT[found.tint]),
        ("Compression", _compression_words(found)),
        ("Brightness", _grey_words(found)),
        ("Moving lines", _line_words(found)),
        *(("Next time", advice) for advice in found.advice or ("Nothing to improve was seen.",)),
    ]
    return [(label, words) for label, words in rows if words]


_INTERLACED = {
    "woven": "yes: odd and even rows show different moments",
    "flagged": "the file says so; too little moved to tell",
    "no": "no",
    "not known": "not known: too little moved to tell",
}
_TINT = {
    "grey": "grey",
    "tinted": "one tint",
    "coloured": "more than one colour: a colour map, flow, or no ultrasound picture",
    "not known": _UNKNOWN,
}


def _storage_words(found: Inspection) -> str:
    storage = found.storage
    return ", ".join(filter(None, (storage.container, storage.codec, storage.pixel_format))) or _UNKNOWN


def _repeat_words(found: Inspection) -> str:
    """A lower bound: coded anew, a repeat can differ."""
    share = found.timing.same_share
    return (
        f"at least {share:.0%} of the {found.looked_at} frames looked at"
        if math.isfinite(share)
        else _UNKNOWN
    )


def _rate_words(found: Inspection) -> str:
    """Usual rate, how even it is, and what is left of it without repeats."""
    timing = found.timing
    if not math.isfinite(timing.fps):
        return _UNKNOWN
    even = timing.step_spread_share < 0.1
    digits = ".4g" if timing.fps < 1e4 else ".0f"
    words = f"{timing.fps:{digits}} a second, " + (
        "constant" if even else f"uneven: most steps within {timing.step_spread_share:.0%} of the usual one"
    )
    if timing.same_share > 0.02:
        words += f"; at most {timing.fps * (1 - timing.same_share):.3g} new pictures a second"
    return words


def _screen_words(found: Inspection) -> str:
    """Corners that --screen takes, and what the other px are then of."""
    if found.screen_corners_px is None:
        return ""
    corners = " ".join(f"{x:.0f},{y:.0f}" for x, y in found.screen_corners_px)
    return (
        f'corners "{corners}" on the first frame; below, px are of the screen set straight, no use for marks'
    )


def _region_words(region: Region | None) -> str:
    if region is None:
        return "none found"
    x, y, w, h = region.box_px
    source = {"given": "by --region or the marks", "from the file": "told by the file"}
    words = f"{region.kind}, x,y,w,h {x},{y},{w},{h}, {source.get(region.source, 'found by itself')}"
    if region.kind == "sector" and region.apex_px is not None:
        words += (
            f"; apex at {region.apex_px[0]:.1f}, {region.apex_px[1]:.1f} px, radii {region.r_min_px:.1f} to "
            f"{region.r_max_px:.1f} px, beams up to {region.half_angle_deg:.1f}° from straight down"
        )
    return words


def _scale_words(found: Inspection) -> str:
    scale = found.scale
    if scale is None:
        return 'none: give --scale "x1,y1,x2,y2=40mm", --mm-per-px or --tick-mm'
    x, y = scale.x_mm_per_px, scale.y_mm_per_px
    size = f"{x:.4g}" if x == y else f"{x:.4g} x {y:.4g}"
    sure = f"± {scale.sd_share:.1%}" if scale.sd_share else "uncertainty not stated"
    words = f"{size} mm per px ({scale.source}; {sure})"
    if found.region is not None:
        words += f"; the picture is then {found.region.depth_range_px * y:.1f} mm deep"
    return words


def _compression_words(found: Inspection) -> str:
    storage = found.storage
    bits = f"{storage.bits_per_px:.2g} bits per px" if math.isfinite(storage.bits_per_px) else ""
    known = math.isfinite(storage.blockiness)
    blocks = f"steps at block borders {storage.blockiness:.2f} times the others" if known else ""
    measured = ", ".join(filter(None, (bits, blocks)))
    return storage.compression + (f" ({measured})" if measured else "")


def _grey_words(found: Inspection) -> str:
    greys = found.greys
    flicker = f"; usual change per frame {greys.flicker:.2g}" if math.isfinite(greys.flicker) else ""
    return (
        f"mean {greys.mean:.0f} of 255, 90 % within {greys.range:.0f} levels, "
        f"{greys.saturated_share:.1%} white{flicker}"
    )


def _line_words(found: Inspection) -> str:
    if not found.looks:
        return "not looked for: too few frames on end"
    return (
        f"a straight bright line came or went in {found.looks_with_line} of {found.looks} stretches looked "
        "at (a needle does, and so does what slides under the probe)"
    )


def record(found: Inspection) -> dict[str, Any]:
    """Return what was seen as values that JSON can hold; None is unknown."""
    values = {key: value for key, value in asdict(found).items() if key != "clip"}
    values["ticks_px"] = found.ticks_px.round(2).tolist()
    corners = found.screen_corners_px
    values["screen_corners_px"] = None if corners is None else corners.round(2).tolist()
    clip = {
        "file": found.clip.path.name,
        "kind": found.clip.kind,
        "width_px": found.clip.width_px,
        "height_px": found.clip.height_px,
    }
    return {"schema": SCHEMA, "clip": clip, **plain(values)}


def picture(
    frame: Frame, found: Inspection, *, target: Target | None = None, keep_screen: bool = False
) -> np.ndarray:
    """Draw the region's outline, the target, the ruler's ticks and 10 mm on a frame: BGR, uint8 (h, w, 3).

    What lies outside the region is black unless `keep_screen` is set. Where no region was found nothing of
    the frame is shown without it.
    """
    height, width = frame.pixels.shape
    region = found.region
    shown = region.mask(height, width) if region is not None else np.zeros((height, width), bool)
    pixels = frame.pixels if keep_screen else np.where(shown, frame.pixels, 0).astype(np.uint8)
    left, top, right, bottom = (0, 0, width, height) if keep_screen else _shown_box(found, width, height)
    part = pixels[top:bottom, left:right]
    zoom = min(MAX_SIDE_PX / max(part.shape), MAX_ENLARGEMENT)
    method = cv2.INTER_LINEAR if zoom > 0.67 else cv2.INTER_AREA
    canvas = cv2.cvtColor(cv2.resize(part, None, fx=zoom, fy=zoom, interpolation=method), cv2.COLOR_GRAY2BGR)

    def draw(points_px: np.ndarray, colour: tuple[int, int, int]) -> None:
        corners = ((points_px - (left, top) + 0.5) * zoom - 0.5).round().astype(np.int32).reshape(-1, 1, 2)
        for thick, ink in ((4, HALO), (2, colour)):
            cv2.polylines(canvas, [corners], True, ink, thick, cv2.LINE_AA)

    if region is not None:
        draw(region.outline_px, SEEN)
    if target is not None:
        draw(target.outline_px, TARGET)
    for tick_px in found.ticks_px:
        draw(tick_px + _TICK_MARK_PX, BAR_TEXT)
    return np.vstack([canvas, _strip(canvas.shape[1], found, zoom)])


def _shown_box(found: Inspection, width: int, height: int) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of what is shown: the region and the ruler's ticks, with a margin."""
    x, y, w, h = (0, 0, width, height) if found.region is None else found.region.box_px
    points = np.vstack([[[x, y], [x + w, y + h]], found.ticks_px])
    left, top = np.maximum(np.floor(points.min(axis=0)).astype(int) - MARGIN_PX, 0).tolist()
    right, bottom = (np.ceil(points.max(axis=0)).astype(int) + MARGIN_PX).tolist()
    return left, top, min(right, width), min(bottom, height)


def _strip(width_px: int, found: Inspection, zoom: float) -> np.ndarray:
    """Strip below the picture: what is drawn, and a length of 10 mm when the scale is known."""
    strip = np.full((BAR_HEIGHT_PX, width_px, 3), BAR_BACK, np.uint8)
    words = "no picture found" if found.region is None else f"picture: {found.region.kind}"
    _write(strip, words, 10, SEEN)
    if found.scale is None:
        return strip
    length = 10 * zoom / found.scale.x_mm_per_px
    if length < width_px - 300:
        end = width_px - 12
        cv2.line(strip, (round(end - length), 20), (end, 20), BAR_TEXT, 2)
        _write(strip, "10 mm", round(end - length) - 75, BAR_TEXT)
    return strip


def _write(strip: np.ndarray, words: str, left_px: int, colour: tuple[int, int, int]) -> None:
    cv2.putText(strip, words, (left_px, 26), cv2.FONT_HERSHEY_SIMPLEX, TEXT_SIZE, colour, 1, cv2.LINE_AA)
