"""The picture held steady against slow drift of the probe."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import BoolArray, FloatArray, GreyImage

SURE = 0.3
LARGEST_SHIFT_MM = 6.0
# The reference is renewed only when it has become unlike: renewing it all the time lets small errors add up.
RENEW = 0.5
FADE_SHARE = 0.2
# How often a picture is registered, and how far the picture may move meanwhile for a straight line to do.
REGISTER_S = 0.095
CALM_MM = 0.1
SMALLEST_SHIFT_PX = 0.03


@dataclass(frozen=True, eq=False)
class Held:
    """A picture held steady.

    A thing at (x, y) in `picture` lies at (x, y) + `shift` in the original one, in pixels. `likeness`, 0-1,
    is the response of the registration: low where the picture has changed altogether (a sweep, a cut).
    """

    picture: GreyImage
    time_s: float
    shift: FloatArray
    likeness: float


def steady(pictures: Iterable[tuple[float, GreyImage]], *, mask: BoolArray, step_mm: float) -> Iterator[Held]:
    """Shift every picture onto the ones before it.

    Parameters
    ----------
    pictures : presentation times, and working pictures that are all of one shape
    mask : (height, width) bool, where they show anything; its outline stands still while the picture drifts
    step_mm : width of a pixel

    Yields
    ------
    Held
        One per picture, in order, a few pictures late.

    Notes
    -----
    Phase correlation (Kuglin & Hines, Proc IEEE Int Conf Cybernetics and Society 1975) against a kept
    reference. A probe in the hand drifts slowly: a picture every tenth of a second is registered, those in
    between only where it moved.
    """
    registration: Registration | None = None
    waiting: list[tuple[float, GreyImage]] = []
    last = Held(np.zeros((1, 1), dtype=np.uint8), -np.inf, np.zeros(2), 1.0)
    for time_s, picture in pictures:
        if registration is None:
            registration = Registration(picture, mask, step_mm)
            last = Held(picture, time_s, np.zeros(2), 1.0)
            yield last
        elif time_s - last.time_s < REGISTER_S:
            waiting.append((time_s, picture))
        else:
            held = registration.hold(time_s, picture, last.shift)
            for earlier in _between(registration, waiting, last, held):
                last = earlier
                yield earlier
            if held.likeness < SURE:
                held = registration.hold(time_s, picture, last.shift)
            yield held
            registration.renew(held)
            last, waiting = held, []
    for time_s, picture in waiting:
        assert registration is not None
        last = registration.hold(time_s, picture, last.shift)
        yield last


def _between(
    registration: Registration, waiting: Sequence[tuple[float, GreyImage]], before: Held, after: Held
) -> Iterator[Held]:
    """Hold the pictures between two that were registered."""
    moved_mm = np.hypot(*(after.shift - before.shift)) * registration.step_mm
    last = before.shift
    calm = moved_mm < CALM_MM and min(before.likeness, after.likeness) >= SURE
    for time_s, picture in waiting:
        if calm:
            share = (time_s - before.time_s) / (after.time_s - before.time_s)
            shift = before.shift + share * (after.shift - before.shift)
            yield Held(shifted(picture, shift), time_s, shift, min(before.likeness, after.likeness))
        else:
            held = registration.hold(time_s, picture, last)
            last = held.shift
            yield held


class Registration:
    """The reference that pictures are shifted onto."""

    def __init__(self, picture: GreyImage, mask: BoolArray, step_mm: float) -> None:
        self.step_mm = step_mm
        self._window = _soft_window(mask)
        self._reference = _windowed(picture.astype(np.float32), self._window)
        # OpenCV is half a pixel off where it pads to an odd size: a picture against itself tells.
        self._nought = np.array(cv2.phaseCorrelate(self._reference, self._reference)[0])

    def hold(self, time_s: float, picture: GreyImage, last: FloatArray) -> Held:
        """Register one picture; where that fails the last shift before it is kept."""
        grey = _windowed(picture.astype(np.float32), self._window)
        found, response = cv2.phaseCorrelate(self._reference, grey)
        shift = np.array(found) - self._nought
        if response < SURE or np.hypot(*shift) * self.step_mm > LARGEST_SHIFT_MM:
            shift = last
        likeness = float(min(max(response, 0.0), 1.0))
        return Held(shifted(picture, shift), time_s, shift, likeness)

    def renew(self, held: Held) -> None:
        """Take a picture for the new reference where the old one has become unlike."""
        if held.likeness < RENEW:
            self._reference = _windowed(held.picture.astype(np.float32), self._window)


def shifted(picture: GreyImage, shift: FloatArray) -> GreyImage:
    """The picture with what lay at (x, y) + `shift` now at (x, y)."""
    if np.abs(shift).max() < SMALLEST_SHIFT_PX:
        return picture
    matrix = np.array([[1, 0, shift[0]], [0, 1, shift[1]]])
    size, how = (picture.shape[1], picture.shape[0]), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    held = cv2.warpAffine(picture, matrix, size, flags=how, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(held, dtype=np.uint8)


def _soft_window(mask: BoolArray) -> npt.NDArray[np.float32]:
    """Weight that falls to nothing towards the edge of the region."""
    depth = cv2.distanceTransform(np.pad(mask, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    reach = max(4.0, FADE_SHARE * min(mask.shape))
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(depth / reach, 0, 1)), dtype=np.float32)


def _windowed(grey: npt.NDArray[np.float32], window: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """The picture about its own mean, faded out towards the edge of the region."""
    mean = float((grey * window).sum() / max(float(window.sum()), 1e-6))
    return (grey - mean) * window
