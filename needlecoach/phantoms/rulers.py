"""The ruler beside a drawn picture in several looks, and litter that is no ruler; all invented."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from needlecoach.model import GreyImage
from needlecoach.phantoms.beams import Screen

FONT = cv2.FONT_HERSHEY_SIMPLEX
TEXT_GREY = 190


def ruler_line_px(screen: Screen) -> int:
    """Where the ruler's ticks begin: x of an upright one, y of one above or below."""
    display = screen.grid.display
    x, y, width, height = screen.region.box_px
    gap = display.ruler_look.gap_px
    return {"left": x - gap, "above": y - gap, "below": y + height + gap}.get(display.ruler, x + width + gap)


def draw_ruler(screen: Screen, image: GreyImage) -> None:
    """Draw the ruler as its look says, in place; ticks lie on whole pixels."""
    display = screen.grid.display
    if display.ruler == "none":
        return
    look, line = display.ruler_look, ruler_line_px(screen)
    outward = -1 if display.ruler in ("left", "above") else 1
    ends = [ruler_place_px(screen, number) for number in ticks(screen)]
    if look.spine:
        _line(screen, image, (line, ends[0]), (line, ends[-1]))
    for number, place in zip(ticks(screen), ends, strict=True):
        if number in look.covered:
            continue
        long = number % look.major_every == 0
        size = look.long_px if long else look.short_px
        if look.mark == "bar":
            _line(screen, image, (line, place), (line + outward * size, place))
        else:
            cv2.circle(image, _xy(screen, (line, place)), size, TEXT_GREY, -1)
        if look.digits and long and number:
            _write(screen, image, place, f"{number * look.tick_mm:g}", outward)


def ticks(screen: Screen) -> Iterator[int]:
    """Numbers of the ruler's ticks, from 0 at the skin or at the picture's left edge."""
    grid = screen.grid
    length_mm = float(int(grid.probe.depth_mm))
    if grid.display.ruler in ("above", "below"):
        length_mm = screen.region.box_px[2] * grid.display.mm_per_px
    yield from range(int(length_mm / grid.display.ruler_look.tick_mm) + 1)


def ruler_place_px(screen: Screen, number: int) -> int:
    """Place of a tick along the ruler: y of an upright one, else x."""
    display = screen.grid.display
    across = display.ruler in ("above", "below")
    start = screen.region.box_px[0] if across else display.face_px[1]
    return round(start + number * display.ruler_look.tick_mm / display.mm_per_px)


def _xy(screen: Screen, place: tuple[int, int]) -> tuple[int, int]:
    """Turn (across, along) the ruler into (x, y)."""
    return place[::-1] if screen.grid.display.ruler in ("above", "below") else place


def _line(screen: Screen, image: GreyImage, first: tuple[int, int], last: tuple[int, int]) -> None:
    cv2.line(image, _xy(screen, first), _xy(screen, last), TEXT_GREY, 1)


def _write(screen: Screen, image: GreyImage, place: int, text: str, outward: int) -> None:
    line = ruler_line_px(screen)
    if screen.grid.display.ruler in ("above", "below"):
        corner = (place - 6, line + (24 if outward > 0 else -14))
    else:
        corner = (line + 14 if outward > 0 else line - 32, place + 4)
    cv2.putText(image, text, corner, FONT, 0.4, TEXT_GREY, 1, cv2.LINE_AA)


def draw_litter(screen: Screen, image: GreyImage) -> None:
    """Draw what else lies beside the picture and could be taken for ticks, in place."""
    x, y, width, height = screen.region.box_px
    free = x + width + 46 if screen.grid.display.ruler != "right" else 12
    for litter in screen.grid.display.litter:
        match litter:
            case "focus":
                at = (ruler_line_px(screen) + 6, y + height // 2)
                corners = np.array([at, (at[0] - 8, at[1] - 5), (at[0] - 8, at[1] + 5)])
                cv2.fillPoly(image, [corners], TEXT_GREY)
            case "block":
                for row in range(4):
                    wide = (26, 14, 22, 8)[row]
                    image[y + 8 + 7 * row : y + 12 + 7 * row, free : free + wide] = 150
            case "list":
                for row in range(7):
                    text = f"- {('GN', 'DR', 'FR', 'PW', 'EDGE', 'MAP', 'AVG')[row]}"
                    cv2.putText(image, text, (free, y + 60 + 17 * row), FONT, 0.35, TEXT_GREY, 1, cv2.LINE_AA)
            case "sliders":
                for row in range(8):
                    centre = (free + 20, round(y + height * (row + 0.6) / 8.3))
                    cv2.circle(image, centre, 2, TEXT_GREY, -1)
