"""What the screen shows besides the picture: grey wedge, ruler, a little text, a pointer and a clock."""

from __future__ import annotations

import cv2
import numpy as np

from needlecoach.model import GreyImage
from needlecoach.phantoms.beams import Screen
from needlecoach.phantoms.rulers import FONT, TEXT_GREY, draw_litter, draw_ruler, ruler_line_px
from needlecoach.phantoms.scene import Clock, Crosshair, Overlay


def ruler_points_px(screen: Screen) -> tuple[list[list[float]], float]:
    """Both ends of the longest stretch between numbered ticks, and its length in mm."""
    display, probe = screen.grid.display, screen.grid.probe
    x, face_y = float(ruler_line_px(screen)), float(display.face_px[1])
    length_mm = 10.0 * (probe.depth_mm // 10)
    return [[x, face_y], [x, round(face_y + length_mm / display.mm_per_px, 2)]], length_mm


def draw_furniture(screen: Screen) -> GreyImage:
    """Draw the screen without its picture, uint8, shape (height_px, width_px)."""
    display = screen.grid.display
    image: GreyImage = np.full((display.height_px, display.width_px), display.back_grey, np.uint8)
    draw_ruler(screen, image)
    draw_litter(screen, image)
    _draw_wedge(screen, image)
    for number, line in enumerate(display.lines):
        # Names at the top, settings at the bottom, as far from the picture as there is room.
        y = 20 if number == 0 else display.height_px - 10 - 16 * (len(display.lines) - 1 - number)
        cv2.putText(image, line, (10, y), FONT, 0.42, TEXT_GREY, 1, cv2.LINE_AA)
    return image


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
