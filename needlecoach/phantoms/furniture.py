"""What the screen shows besides the picture: grey wedge, ruler, a little text, a pointer and a clock."""

from __future__ import annotations

import cv2
import numpy as np

from needlecoach.model import GreyImage
from needlecoach.phantoms.beams import Screen
from needlecoach.phantoms.scene import Clock, Crosshair, Overlay

FONT = cv2.FONT_HERSHEY_SIMPLEX
TEXT_GREY = 190


def _ruler_x(screen: Screen) -> int:
    display = screen.grid.display
    x, _, width, _ = screen.region.box_px
    return x + width + 14 if display.ruler == "right" else x - 14


def ruler_points_px(screen: Screen) -> tuple[list[list[float]], float]:
    """Both ends of the longest stretch between numbered ticks, and its length in mm."""
    display, probe = screen.grid.display, screen.grid.probe
    x, face_y = float(_ruler_x(screen)), float(display.face_px[1])
    length_mm = 10.0 * (probe.depth_mm // 10)
    return [[x, face_y], [x, round(face_y + length_mm / display.mm_per_px, 2)]], length_mm


def draw_furniture(screen: Screen) -> GreyImage:
    """Draw the screen without its picture, uint8, shape (height_px, width_px)."""
    display = screen.grid.display
    image: GreyImage = np.full((display.height_px, display.width_px), display.back_grey, np.uint8)
    _draw_ruler(screen, image)
    _draw_wedge(screen, image)
    for number, line in enumerate(display.lines):
        # Names at the top, settings at the bottom, as far from the picture as there is room.
        y = 20 if number == 0 else display.height_px - 10 - 16 * (len(display.lines) - 1 - number)
        cv2.putText(image, line, (10, y), FONT, 0.42, TEXT_GREY, 1, cv2.LINE_AA)
    return image


def _draw_ruler(screen: Screen, image: GreyImage) -> None:
    display, probe = screen.grid.display, screen.grid.probe
    x, outward = _ruler_x(screen), 1 if display.ruler == "right" else -1
    for depth in range(0, int(probe.depth_mm) + 1, 5):
        y = round(display.face_px[1] + depth / display.mm_per_px)
        long = depth % 10 == 0
        cv2.line(image, (x, y), (x + outward * (9 if long else 4), y), TEXT_GREY, 1)
        if long and depth:
            left = x + 14 if outward > 0 else x - 32
            cv2.putText(image, str(depth), (left, y + 4), FONT, 0.4, TEXT_GREY, 1, cv2.LINE_AA)


def _draw_wedge(screen: Screen, image: GreyImage) -> None:
    display = screen.grid.display
    x = 14 if display.wedge == "left" else display.width_px - 26
    top, height = 60, 170
    ramp = np.rint(np.linspace(255, 0, height)).astype(np.uint8)
    image[top : top + height, x : x + 12] = ramp[:, None]
    cv2.rectangle(image, (x - 1, top - 1), (x + 12, top + height), 90, 1)


def draw_overlays(overlays: tuple[Overlay, ...], image: GreyImage, time_s: float) -> None:
    """Draw pointer and clock as they are at a moment over the screen, in place."""
    for overlay in overlays:
        match overlay:
            case Crosshair():
                _draw_crosshair(overlay, image, time_s)
            case Clock():
                text = f"{int(time_s // 60):02d}:{time_s % 60:05.2f}"
                cv2.putText(image, text, overlay.place_px, FONT, 0.42, overlay.grey, 1, cv2.LINE_AA)


def _draw_crosshair(cross: Crosshair, image: GreyImage, time_s: float) -> None:
    turns = 2 * np.pi * time_s / cross.period_s
    x = round(cross.centre_px[0] + cross.reach_px[0] * float(np.sin(turns)))
    y = round(cross.centre_px[1] + cross.reach_px[1] * float(np.sin(2 * turns)))
    cv2.line(image, (x - cross.size_px, y), (x + cross.size_px, y), cross.grey, 1)
    cv2.line(image, (x, y - cross.size_px), (x, y + cross.size_px), cross.grey, 1)
