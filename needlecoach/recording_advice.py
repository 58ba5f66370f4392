"""What to do better in the next recording, from what was seen of this one."""

from __future__ import annotations

import math
from typing import Literal

from needlecoach.model import Inspection, Timing

# What the advice hangs on: choices of ours, common practice where any, no source.
FASTEST_FPS = 500.0
SLOW_FPS, MANY_SAME_SHARE, UNEVEN_SHARE = 15.0, 0.2, 0.5
SMALL_SHARE, SMALL_PX, COARSE_MM_PER_PX, FILLED_SHARE = 0.2, 240, 0.2, 0.97
GLARING_SHARE, DARK_GREY, FLAT_GREY = 0.05, 15.0, 30.0
# Measured on drawn clips, see `compression`.
HEAVY_BITS, FINE_BITS, HEAVY_BLOCKS, FINE_BLOCKS = 0.02, 0.05, 1.5, 1.3


def advice(found: Inspection) -> tuple[str, ...]:
    """What to do better in the next recording, from plain thresholds; the most telling first."""
    rules = (*_advice_on_place(found), *_advice_on_time(found.timing), *_advice_on_picture(found))
    return tuple(words for holds, words in rules if holds)


def _advice_on_place(found: Inspection) -> tuple[tuple[bool, str], ...]:
    region, scale = found.region, found.scale
    size_px = found.clip.width_px * found.clip.height_px
    share = region.box_px[2] * region.box_px[3] / size_px if region else 1.0
    small_px = region is not None and min(region.box_px[2:]) < SMALL_PX
    coarse = scale is not None and max(scale.x_mm_per_px, scale.y_mm_per_px) > COARSE_MM_PER_PX
    return (
        (
            region is None,
            "No picture was found: give its place with --region, and record the whole screen sharply.",
        ),
        (
            region is not None and region.source == "found" and share > FILLED_SHARE,
            "The picture was taken to fill the whole frame: if a camera filmed the screen, give --screen "
            "auto; else give --region.",
        ),
        (
            scale is None,
            "No scale is known: mark two points on the depth ruler, and keep the ruler on the screen.",
        ),
        (
            share < SMALL_SHARE or small_px,
            "The picture is small on the screen: enlarge it on the scanner, or record with more pixels.",
        ),
        (
            coarse,
            f"A pixel is larger than {COARSE_MM_PER_PX:g} mm: reduce the depth, enlarge the picture, or "
            "record with more pixels.",
        ),
    )


def _advice_on_time(timing: Timing) -> tuple[tuple[bool, str], ...]:
    return (
        (
            timing.fps > FASTEST_FPS,
            "The time stamps give more frames a second than any scanner does, so times and speeds can't be "
            "right: export the recording again.",
        ),
        (
            timing.fps < SLOW_FPS,
            f"Fewer than {SLOW_FPS:g} frames a second: record faster, or fast movements are missed.",
        ),
        (
            timing.step_spread_share > UNEVEN_SHARE,
            "The steps in time are uneven: they are used as they are, but a constant rate is better.",
        ),
        (
            timing.same_share > MANY_SAME_SHARE,
            "Many frames repeat the one before: the scanner gives fewer pictures than are recorded, the "
            "picture stood still, or the recorder dropped some. Less depth or fewer focal zones give more "
            "pictures.",
        ),
        (
            timing.interlaced in {"woven", "flagged"},
            "The recording is interlaced: set the recorder to progressive, or deinterlace the file.",
        ),
    )


def _advice_on_picture(found: Inspection) -> tuple[tuple[bool, str], ...]:
    greys = found.greys
    return (
        (
            found.storage.compression == "heavy",
            "The file is heavily compressed, which wipes out faint needles: record at a higher quality.",
        ),
        (greys.saturated_share > GLARING_SHARE, "Much of the picture is white: turn the gain down."),
        (greys.mean < DARK_GREY or greys.range < FLAT_GREY, "The picture is dark or flat: turn the gain up."),
        (
            found.looks > 0 and found.looks_with_line == 0,
            "No straight line came or went where it was looked for: record the whole way in and out, and "
            "keep the needle in the beam's plane.",
        ),
    )


def compression(bits_per_px: float, blockiness: float) -> Literal["fine", "noticeable", "heavy", "not known"]:
    """Put the compression in a word.

    Drawn clips coded again and again more coarsely (H.264, MPEG-4 part 2, motion JPEG) lost a tenth of their
    finest detail or more where this says heavy, and 3 % or less where it says fine.
    """
    if bits_per_px < HEAVY_BITS or blockiness > HEAVY_BLOCKS:
        return "heavy"
    if bits_per_px < FINE_BITS or blockiness > FINE_BLOCKS:
        return "noticeable"
    return "fine" if math.isfinite(bits_per_px) and math.isfinite(blockiness) else "not known"
