"""Captured frames as they are followed: grey, and set straight where a camera films the screen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecoach.clips.camera import Glare
from needlecoach.clips.reader import ColourImage, grey_from_bgr
from needlecoach.errors import UnscorableError
from needlecoach.live.laid import Laid
from needlecoach.model import FloatArray, Frame, GreyImage, ScreenView
from needlecoach.screen.register import mapped

# At 30 pictures a second the screen is looked for in every other one, as that takes 8 ms. In between a phone
# in a hand moves it by 0.03 mm root mean square, 0.08 mm at most (one filmed recording of 254 frames).
HELD_S = 0.045


@dataclass(frozen=True, eq=False)
class Straightened:
    """A frame's grey picture as it is followed; `view` leads back to px of the frame, None without camera."""

    pixels: GreyImage
    view: ScreenView | None = None
    glare: Glare = None


class Straightener:
    """Sets captured frames straight, in their order; without a camera they are only made grey."""

    def __init__(self, laid: Laid) -> None:
        self._laid = laid
        self._view: ScreenView | None = None
        self._looked_s = -np.inf

    def see(self, number: int, time_s: float, pixels: ColourImage) -> Straightened | None:
        """Return the picture to be followed; None while the screen can't be made out in it."""
        grey = grey_from_bgr(pixels)
        if self._laid.filmed is None:
            return Straightened(grey)
        held = self._view if time_s - self._looked_s < HELD_S else None
        try:
            frame, view, glare = self._laid.filmed.reader.straighten(Frame(number, time_s, grey), held)
        except UnscorableError:
            self._view = None
            return None
        if held is None:
            self._view, self._looked_s = view if view.found else None, time_s
        return Straightened(frame.pixels, view, glare) if view.found else None


def is_hidden(laid: Laid, picture: Straightened, point_px: FloatArray) -> bool:
    """Tell whether glare lies over a point of the followed picture."""
    return laid.filmed is not None and laid.filmed.reader.is_under(picture.glare, point_px)


def to_frame_px(points_px: FloatArray, view: ScreenView | None) -> FloatArray:
    """Points (..., 2) of the followed picture in px of the captured frame; NaN stays NaN."""
    points = np.asarray(points_px, dtype=float)
    return points if view is None else np.asarray(mapped(view.homography, points), dtype=float)
