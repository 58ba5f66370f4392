"""The picture held steady against slow drift of the probe."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

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
# A first turn is looked for so often; once the picture has turned, at every registration. What drags on one
# half (a needle, a pushed target) looks like up to 0.4 degrees; over 3 at once is a picture that has changed.
TURN_S = 0.15
SMALLEST_TURN_RAD = 0.01
LEAST_STEP_RAD = 0.002
LARGEST_STEP_RAD = 0.05
# Half the side of the square about the peak of a correlation that tells its place.
PEAK_PX = 2

FloatImage = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Held:
    """A picture held steady.

    `drift` is (x, y, turn), in pixels and radians: a thing at p in `picture` lies at `moved(p, drift)` in the
    original one. `likeness`, 0-1, is the response of the registration: low where the picture has changed
    altogether (a sweep, a cut).
    """

    picture: GreyImage
    time_s: float
    drift: FloatArray
    likeness: float


def moved(points: npt.ArrayLike, drift: FloatArray) -> FloatArray:
    """Turn points (..., 2) about the first pixel and shift them by a drift (3,), or one each (..., 3)."""
    p, d = np.asarray(points, dtype=float), np.asarray(drift, dtype=float)
    cos, sin = np.cos(d[..., 2]), np.sin(d[..., 2])
    x, y = cos * p[..., 0] - sin * p[..., 1], sin * p[..., 0] + cos * p[..., 1]
    return np.stack([x + d[..., 0], y + d[..., 1]], axis=-1)


def back(drift: FloatArray) -> FloatArray:
    """The drift that takes another one back, (..., 3)."""
    turn = np.asarray(-drift[..., 2:])
    rest = moved(-drift[..., :2], np.concatenate([np.zeros_like(drift[..., :2]), turn], axis=-1))
    return np.concatenate([rest, turn], axis=-1)


def after(second: FloatArray, first: FloatArray) -> FloatArray:
    """The drift that does what `first` does and then `second`, (..., 3)."""
    return np.concatenate([moved(first[..., :2], second), first[..., 2:] + second[..., 2:]], axis=-1)


def steady(pictures: Iterable[tuple[float, GreyImage]], *, mask: BoolArray, step_mm: float) -> Iterator[Held]:
    """Shift, and where need be turn, every picture onto the ones before it.

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
    looked_s = -np.inf
    last = Held(np.zeros((1, 1), dtype=np.uint8), -np.inf, np.zeros(3), 1.0)
    for time_s, picture in pictures:
        if registration is None:
            registration = Registration(picture, mask, step_mm)
            last = Held(picture, time_s, np.zeros(3), 1.0)
            yield last
        elif time_s - last.time_s < REGISTER_S:
            waiting.append((time_s, picture))
        else:
            look = time_s - looked_s > TURN_S
            looked_s = time_s if look else looked_s
            held = registration.hold(time_s, picture, last.drift, look=look)
            for earlier in _between(registration, waiting, last, held):
                last = earlier
                yield earlier
            if held.likeness < SURE:
                held = registration.hold(time_s, picture, last.drift, look=look)
            yield held
            registration.renew(held)
            last, waiting = held, []
    for time_s, picture in waiting:
        assert registration is not None
        last = registration.hold(time_s, picture, last.drift)
        yield last


def _between(
    registration: Registration, waiting: Sequence[tuple[float, GreyImage]], before: Held, end: Held
) -> Iterator[Held]:
    """Hold the pictures between two that were registered."""
    moved_mm = registration.way_mm(before.drift, end.drift)
    # A turn that has been found only now began before.
    last = end.drift if end.drift[2] and not before.drift[2] else before.drift
    calm = moved_mm < CALM_MM and min(before.likeness, end.likeness) >= SURE
    for time_s, picture in waiting:
        if calm:
            share = (time_s - before.time_s) / (end.time_s - before.time_s)
            drift = before.drift + share * (end.drift - before.drift)
            yield Held(steadied(picture, drift), time_s, drift, min(before.likeness, end.likeness))
        else:
            held = registration.hold(time_s, picture, last)
            last = held.drift
            yield held


class Registration:
    """The reference that pictures are shifted and turned onto."""

    def __init__(self, picture: GreyImage, mask: BoolArray, step_mm: float) -> None:
        self.step_mm = step_mm
        middle = mask.shape[1] // 2
        left = np.arange(mask.shape[1]) < middle
        self._whole = _Part(mask, slice(None))
        self._halves = [_Part(mask & left, slice(0, middle)), _Part(mask & ~left, slice(middle, None))]
        self._apart_px = self._halves[1].middle_px[0] - self._halves[0].middle_px[0]
        self._refer(picture)

    def way_mm(self, one: FloatArray, other: FloatArray) -> float:
        """How far the middle of the picture, or its rim by turning, moves from one drift to another."""
        turned_px = abs(other[2] - one[2]) * self._apart_px
        return float(np.hypot(*(self._at(other) - self._at(one))) + turned_px) * self.step_mm

    def _at(self, drift: FloatArray) -> FloatArray:
        """Where the middle of the picture lies, (2,)."""
        return moved(self._whole.middle_px, drift)

    def hold(self, time_s: float, picture: GreyImage, last: FloatArray, *, look: bool = False) -> Held:
        """Register one picture; where that fails the last drift before it is kept.

        Whether it has turned is told when asked to `look`, or once it has turned before.
        """
        # A picture that has turned is compared turned back; one that has not, as it was recorded.
        known = last if last[2] else np.zeros(3)
        grey = steadied(picture, known).astype(np.float32)
        shift, response = self._whole.compare(grey)
        found = after(known, np.array([*shift, 0.0]))
        far_mm = np.hypot(*(self._at(found) - self._whole.middle_px)) * self.step_mm
        if response < SURE or far_mm > LARGEST_SHIFT_MM:
            found = last
        elif (look or last[2]) and (turn := self._turn(grey, turning=bool(last[2]))):
            about_middle = self._whole.middle_px - self._at(np.array([0, 0, turn]))
            found = after(known, np.array([*(about_middle + shift), turn]))
        likeness = float(min(max(response, 0.0), 1.0))
        return Held(steadied(picture, found), time_s, found, likeness)

    def _turn(self, grey: FloatImage, *, turning: bool) -> float:
        """Turn of a picture against the reference, in radians, 0 where none is told.

        Where a picture turns, its right half moves down by more than its left half, or by less.
        """
        (left, sure_left), (right, sure_right) = (half.compare(grey) for half in self._halves)
        turn = float(right[1] - left[1]) / self._apart_px
        told = min(sure_left, sure_right) >= SURE and abs(turn) < LARGEST_STEP_RAD
        return turn if told and abs(turn) > (LEAST_STEP_RAD if turning else SMALLEST_TURN_RAD) else 0.0

    def renew(self, held: Held) -> None:
        """Take a picture for the new reference where the old one has become unlike."""
        if held.likeness < RENEW:
            self._refer(held.picture)

    def _refer(self, picture: GreyImage) -> None:
        for part in (self._whole, *self._halves):
            part.refer(picture.astype(np.float32))


class _Part:
    """A part of the picture that is registered by itself."""

    def __init__(self, mask: BoolArray, columns: slice) -> None:
        self._columns = columns
        self._window = _soft_window(mask[:, columns])
        weight = self._window / max(float(self._window.sum()), 1e-6)
        x, y = np.arange(weight.shape[1]), np.arange(weight.shape[0])
        self.middle_px = np.array([weight.sum(axis=0) @ x + (columns.start or 0), weight.sum(axis=1) @ y])
        height, width = self._window.shape
        # Zeros beside the picture: a shift must not come in again at the other side.
        self._size = (fft.next_fast_len(height, real=True), fft.next_fast_len(width, real=True))
        self._reference = self._spectrum(self._window)

    def refer(self, grey: FloatImage) -> None:
        """Take a picture for the reference."""
        self._reference = self._spectrum(_windowed(grey[:, self._columns], self._window))

    def compare(self, grey: FloatImage) -> tuple[FloatArray, float]:
        """Shift of a picture against the reference, (2,), and the response, about 1 for the same picture.

        Pixels about the peak tell the fraction of a pixel and the response, as in OpenCV's phaseCorrelate,
        which transforms the reference anew each time and takes twice as long.
        """
        cross = self._spectrum(_windowed(grey[:, self._columns], self._window))
        cross *= np.conj(self._reference)
        cross /= np.maximum(np.abs(cross), 1e-9)
        surface = fft.irfft2(cross, self._size)
        peak = np.array(np.unravel_index(np.argmax(surface), self._size))
        places = [np.arange(at - PEAK_PX, at + PEAK_PX + 1) for at in peak]
        near = surface[np.ix_(*(at % n for at, n in zip(places, self._size, strict=True)))]
        response = float(near.sum())
        y, x = (
            float(near.sum(axis=1 - axis) @ at) / response - (n if middle > n / 2 else 0)
            for axis, (at, middle, n) in enumerate(zip(places, peak, self._size, strict=True))
        )
        return np.array([x, y]), response

    def _spectrum(self, picture: FloatImage) -> npt.NDArray[np.complex64]:
        return np.asarray(fft.rfft2(picture, self._size))


def steadied(picture: GreyImage, drift: FloatArray) -> GreyImage:
    """The picture with what lay at `moved(p, drift)` now at p."""
    if np.abs(drift[:2]).max() < SMALLEST_SHIFT_PX and not drift[2]:
        return picture
    size = (picture.shape[1], picture.shape[0])
    if not drift[2]:  # most are only shifted, which this does in a tenth of the time
        middle = [(side - 1) / 2 + shift for side, shift in zip(size, drift[:2], strict=True)]
        return np.asarray(cv2.getRectSubPix(picture, size, middle), dtype=np.uint8)
    cos, sin = np.cos(drift[2]), np.sin(drift[2])
    matrix = np.array([[cos, -sin, drift[0]], [sin, cos, drift[1]]])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    held = cv2.warpAffine(picture, matrix, size, flags=how, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(held, dtype=np.uint8)


def _soft_window(mask: BoolArray) -> FloatImage:
    """Weight that falls to nothing towards the edge of the region."""
    depth = cv2.distanceTransform(np.pad(mask, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    reach = max(4.0, FADE_SHARE * min(mask.shape))
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(depth / reach, 0, 1)), dtype=np.float32)


def _windowed(grey: FloatImage, window: FloatImage) -> FloatImage:
    """The picture about its own mean, faded out towards the edge of the region."""
    mean = float((grey * window).sum() / max(float(window.sum()), 1e-6))
    return (grey - mean) * window
