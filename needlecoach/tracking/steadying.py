"""Live pictures held steady, each at once; and whether anything stirs in them."""

from __future__ import annotations

from collections import deque

import cv2
import numpy as np

from needlecoach.model import GreyImage
from needlecoach.tracking.drift import CALM_MM, REGISTER_S, SURE, TURN_S, Held, Registration, steadied
from needlecoach.tracking.plane import Plane

# Something stirs where squares of so many pixels, this many of them, changed by so many greys since then.
SQUARE_PX, FEWEST_SQUARES, STIR_GREY, STIR_S = 3, 10, 15, 0.25


class Steadier:
    """Does what `drift.steady` does without waiting for the next pictures: the last drift known holds on."""

    def __init__(self, plane: Plane) -> None:
        self._plane = plane
        self._registration: Registration | None = None
        self._drift = np.zeros(3)
        self._registered_s, self._looked_s = -np.inf, -np.inf
        self._likeness, self._calm = 1.0, True

    def hold(self, picture: GreyImage, time_s: float) -> Held:
        """Hold the next picture steady."""
        if self._registration is None:
            self._registration = Registration(picture, self._plane.mask, self._plane.step_mm)
            self._registered_s = time_s
            return Held(picture, time_s, self._drift, 1.0)
        if self._calm and time_s - self._registered_s < REGISTER_S:
            return Held(steadied(picture, self._drift), time_s, self._drift, self._likeness)
        look = time_s - self._looked_s > TURN_S
        self._looked_s = time_s if look else self._looked_s
        held = self._registration.hold(time_s, picture, self._drift, look=look)
        moved_mm = self._registration.way_mm(self._drift, held.drift)
        self._calm = moved_mm < CALM_MM and held.likeness >= SURE
        self._registration.renew(held)
        self._drift, self._likeness, self._registered_s = held.drift, held.likeness, time_s
        return held


class Stir:
    """Tells whether anything moves in steadied pictures, for next to nothing."""

    def __init__(self) -> None:
        self._small: deque[tuple[float, GreyImage]] = deque()

    def stirs(self, picture: GreyImage, time_s: float) -> bool:
        """Whether the next picture differs from that of a quarter of a second ago."""
        size = (max(1, picture.shape[1] // SQUARE_PX), max(1, picture.shape[0] // SQUARE_PX))
        small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        while len(self._small) > 1 and self._small[1][0] <= time_s - STIR_S:
            self._small.popleft()
        before = self._small[0][1] if self._small else small
        self._small.append((time_s, small))
        changed = cv2.threshold(cv2.absdiff(small, before), STIR_GREY, 1, cv2.THRESH_BINARY)[1]
        return cv2.countNonZero(changed) >= FEWEST_SQUARES
