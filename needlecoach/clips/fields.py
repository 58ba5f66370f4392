"""Interlaced recordings: fields of different moments woven into one frame, told by how they match."""

from __future__ import annotations

import cv2
import numpy as np

from needlecoach.model import FloatArray, GreyImage

# One pair of neighbouring frames in so many is compared: enough for a clip, and cheap.
EVERY = 10
# A place moves when it changes by so many grey levels, more than coding and a grabber's noise leave.
_MOVING_LEVELS = 12
_FEWEST_MOVING_PX = 200
_FEWEST_PAIRS = 3
# Movement roughens a picture woven of two frames by so much at least, or nothing can be told.
_LEAST_ROUGHENING = 0.03
# Share of that by which the better of both weaves is rougher than the frame itself: 1 when all rows of a
# frame are of one moment, 0 when they are of two.
_WOVEN_BELOW = 0.5

_ADVICE = "Record progressive, or deinterlace the file, before trusting fast movements."


def weave_roughness(before: GreyImage, after: GreyImage) -> FloatArray | None:
    """How rough the second frame is from row to row where it moves, alone and woven with the one before.

    Parameters
    ----------
    before, after : uint8 (h, w)

    Returns
    -------
    (3,) float or None
        Grey levels: the frame itself, its even rows among the odd ones of the frame before, its odd rows
        among the even ones. None when too little moves.
    """
    changed = cv2.blur(cv2.absdiff(before, after), (3, 5))[1:-1]
    moving = cv2.threshold(changed, _MOVING_LEVELS, 1, cv2.THRESH_BINARY)[1]
    if cv2.countNonZero(moving) < _FEWEST_MOVING_PX:
        return None
    # Only where something moves need anything be looked at: a needle takes a small part of the screen.
    left, top, width, height = cv2.boundingRect(moving)
    where, rows = moving[top : top + height, left : left + width], slice(top, top + height + 2)
    before, after = before[rows, left : left + width], after[rows, left : left + width]
    woven = [after.copy(), after.copy()]
    for parity, picture in enumerate(woven):
        picture[(top + 1 - parity) % 2 :: 2] = before[(top + 1 - parity) % 2 :: 2]
    return np.array([cv2.mean(_roughness(picture), mask=where)[0] for picture in (after, *woven)])


def _roughness(picture: GreyImage) -> np.ndarray:
    """Distance of each row from the mean of both its neighbours, shape (h - 2, w)."""
    between = cv2.addWeighted(picture[:-2], 0.5, picture[2:], 0.5, 0.0)
    return np.asarray(cv2.absdiff(picture[1:-1], between))


class FieldWatch:
    """Looks at frames in their order and tells, at the end, whether they are woven of two fields.

    Notes
    -----
    In frames taken in one go both weaves with the frame before are alike, and rougher than the frame. Where
    a frame holds two moments, one of the weaves holds moments as close as the frame's own and is no rougher,
    the other holds moments three times as far apart. Texture that moves by more than its grain from field to
    field matches in neither, so a picture that races as a whole tells nothing.
    """

    def __init__(self) -> None:
        self._pairs: list[FloatArray] = []
        self._before: tuple[int, GreyImage] | None = None
        self._flagged = self._seen = 0

    def see(self, number: int, pixels: GreyImage, *, flagged: bool = False) -> None:
        """Take one frame; `flagged` when the file calls it interlaced."""
        self._seen += 1
        self._flagged += flagged
        if self._before is not None and number == self._before[0] + 1:
            pair = weave_roughness(self._before[1], pixels) if pixels.shape[0] >= 8 else None
            self._pairs += [] if pair is None else [pair]
            self._before = None
        if number % EVERY == 0:
            self._before = (number, pixels)

    @property
    def flagged(self) -> bool:
        """The file calls at least half of its frames interlaced."""
        return 0 < self._seen <= 2 * self._flagged

    @property
    def woven(self) -> bool | None:
        """Whether frames are woven of two moments; None when too little moved to tell."""
        if len(self._pairs) < _FEWEST_PAIRS:
            return None
        alone, even, odd = np.mean(self._pairs, axis=0)
        better, worse = sorted((even - alone, odd - alone))
        if worse < _LEAST_ROUGHENING * alone:
            return None
        return bool(better < _WOVEN_BELOW * worse)

    def notes(self) -> list[str]:
        """Return a sentence for the reader when the recording is interlaced, nothing otherwise."""
        if self.woven:
            return [
                "The recording is interlaced: its odd and even rows show different moments, so what moves "
                f"fast is drawn double by up to half a frame's way. {_ADVICE}"
            ]
        if self.woven is None and self.flagged:
            return [f"The file says that it is interlaced; too little moves in it to tell. {_ADVICE}"]
        return []
