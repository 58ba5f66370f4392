"""One frame's region with shaft, tip, target and scale bar drawn on it."""

from __future__ import annotations

import cv2
import numpy as np

from needlecoach.model import Frame, Scorecard
from needlecoach.reporting.coredata import notch_ends_px

# Blue, green, red. Told apart by lightness and form too, so that colour blindness costs nothing.
SEEN = (227, 211, 111)
INFERRED = (100, 170, 255)
TARGET = (245, 180, 205)
NOTCH = (138, 224, 255)
HALO = (24, 20, 16)
BAR_BACK = (38, 30, 24)
BAR_TEXT = (240, 236, 230)

BAR_HEIGHT_PX = 40
TEXT_SIZE = 0.62
# OpenCV draws at 1 / 2**SHIFT of a pixel.
SHIFT = 4
MAX_ENLARGEMENT = 2.5
# The notch's bracket: how far beside the shaft, and the length of its two arms.
BESIDE_PX, ARM_PX = 13.0, 6.0
_BAR_LENGTHS_MM = (1, 2, 5, 10, 20, 50)


class Overlay:
    """Draws on the frames of one scored clip.

    Only the B-mode region is kept: what lies outside it, such as text on the scanner's screen, is black. With
    the option "keep_screen" of the card the whole frame is shown.

    Parameters
    ----------
    max_side_px : int
        Longest side of the picture; small regions are enlarged up to 2.5 times.
    """

    def __init__(self, card: Scorecard, *, max_side_px: int) -> None:
        self._card = card
        self._whole = bool(card.options.get("keep_screen"))
        whole_px = (0, 0, card.clip.width_px, card.clip.height_px)
        x, y, w, h = whole_px if self._whole else card.region.box_px
        # A region found near the edge may stand out of the frame by a pixel.
        self._left, self._top = max(x, 0), max(y, 0)
        self._width = min(x + w, card.clip.width_px) - self._left
        self._height = min(y + h, card.clip.height_px) - self._top
        mask = card.region.mask(card.clip.height_px, card.clip.width_px)
        mask = mask[self._top : self._top + self._height, self._left : self._left + self._width]
        self._inside = None if self._whole or mask.all() else mask.astype(np.uint8)
        self.zoom = min(max_side_px / max(self._width, self._height), MAX_ENLARGEMENT)
        # VP8 halves colour in both directions, so both sides are even.
        self._picture_px = (_even(self._width * self.zoom), _even(self._height * self.zoom))
        self.size_px = (self._picture_px[0], self._picture_px[1] + BAR_HEIGHT_PX)
        self._outline = self._outline_from_centre()
        self._notch_px = notch_ends_px(card)
        self._fired = [
            (one.core.fired_frame, one.last_frame)
            for one in card.attempts
            if one.core is not None and one.core.fired_frame is not None
        ]

    def to_picture(self, points_px: np.ndarray) -> np.ndarray:
        """Turn points of the frame, shape (..., 2), into pixels of the drawn picture."""
        corner = np.array([self._left, self._top])
        factor = np.array(self._picture_px) / (self._width, self._height)
        return np.asarray((np.asarray(points_px, dtype=float) - corner + 0.5) * factor - 0.5)

    def _outline_from_centre(self) -> np.ndarray | None:
        """Target's outline, closed, (n, 2) pixels of the drawn picture from its centre; None without one."""
        target = self._card.marks.target
        if target is None:
            return None
        points = self.to_picture(target.outline_px) - self.to_picture(np.array(target.centre_px))
        # Corners that stand out by less than a tenth of a pixel cost time in every frame and can't be seen.
        kept = cv2.approxPolyDP(points.astype(np.float32), 0.1, True).reshape(-1, 2)
        return np.vstack([kept, kept[:1]])

    def draw(self, frame: Frame, index: int) -> np.ndarray:
        """Draw what row `index` of the track holds on the frame: BGR, uint8 (height, width, 3)."""
        crop = frame.pixels[self._top : self._top + self._height, self._left : self._left + self._width]
        if self._inside is not None:
            crop = np.asarray(cv2.bitwise_and(crop, crop, mask=self._inside), dtype=np.uint8)
        # Down to two thirds no pixel is skipped by the fast way either.
        method = cv2.INTER_LINEAR if self.zoom > 0.67 else cv2.INTER_AREA
        enlarged = cv2.resize(crop, self._picture_px, interpolation=method)
        canvas = np.empty((self.size_px[1], self.size_px[0], 3), np.uint8)
        picture = canvas[: self._picture_px[1]]
        cv2.cvtColor(enlarged, cv2.COLOR_GRAY2BGR, dst=picture)
        self._draw_target(picture, index)
        self._draw_needle(picture, index)
        self._draw_notch(picture, index)
        self._draw_bar(canvas[self._picture_px[1] :], index)
        return canvas

    def _draw_target(self, picture: np.ndarray, index: int) -> None:
        """Outline of the target where it was followed to; dashed where its last place is held."""
        centre = self._card.track.target_px[index]
        if self._outline is None or not np.isfinite(centre).all():
            return
        closed = self._outline + self.to_picture(centre)
        pieces = [closed] if self._card.track.target_found[index] else _dashes(closed, 9, 7)
        for width, ink in ((4, HALO), (2, TARGET)):
            for points in pieces:
                _line(picture, points, ink, width)

    def _draw_needle(self, picture: np.ndarray, index: int) -> None:
        """Shaft as a fine line that stops short of the tip; tip as a full ring (seen) or a broken one."""
        needle = self._card.track.needle(index)
        if needle is None or needle.tip_px is None:
            return
        colour = SEEN if needle.tip_visible else INFERRED
        tip, entry = self.to_picture(np.array(needle.tip_px)), self.to_picture(np.array(needle.entry_px))
        radius = 9.0
        length = float(np.linalg.norm(tip - entry)) if np.isfinite(entry).all() else 0.0
        if length > radius:
            shaft = np.stack([entry, tip + (entry - tip) * radius / length])
            for points in [shaft] if needle.tip_visible else _dashes(shaft, 10, 8):
                _line(picture, points, colour, 1)
        turn = np.linspace(0, 2 * np.pi, 73)
        ring = tip + radius * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
        arcs = [ring] if needle.tip_visible else _dashes(ring, 7, 7)
        for width, ink in ((5, HALO), (2, colour)):
            for arc in arcs:
                _line(picture, arc, ink, width)
        if needle.tip_visible:
            _dot(picture, tip, 4.0, HALO)
            _dot(picture, tip, 3.0, colour)

    def _draw_notch(self, picture: np.ndarray, index: int) -> None:
        """Bracket beside the shaft, on its upper side, from end to end of a core needle's notch."""
        ends = self._notch_px[index]
        if not np.isfinite(ends).all():
            return
        near, far = self.to_picture(ends)
        way = near - far
        length = float(np.linalg.norm(way))
        if length < 1:
            return
        up = np.array([way[1], -way[0]]) / length * (1 if way[0] >= 0 else -1)
        bracket = np.stack([near + up * (BESIDE_PX - ARM_PX), near + up * BESIDE_PX])
        bracket = np.concatenate([bracket, (bracket + far - near)[::-1]])
        for width, ink in ((5, HALO), (2, NOTCH)):
            _line(picture, bracket, ink, width)

    def _draw_bar(self, bar: np.ndarray, index: int) -> None:
        """Strip below the picture: time, what is known of the tip in words, scale bar."""
        bar[:] = BAR_BACK
        track = self._card.track
        _text(bar, f"{track.time_s[index]:.2f} s", 10, BAR_TEXT)
        if not track.needle_present[index]:
            _text(bar, "no needle", 110, BAR_TEXT)
        elif track.tip_visible[index]:
            _text(bar, "tip seen", 110, SEEN)
        else:
            inferred = bool(np.isfinite(track.tip_px[index]).all())
            _text(bar, "tip inferred" if inferred else "tip lost", 110, INFERRED)
        if any(first <= index <= last for first, last in self._fired):
            _text(bar, "fired", 250, NOTCH)
        self._draw_scale_bar(bar)

    def _draw_scale_bar(self, bar: np.ndarray) -> None:
        """Horizontal length in mm at the right end of the strip."""
        px_per_mm = self._picture_px[0] / self._width / self._card.scale.x_mm_per_px
        room_px = max(bar.shape[1] / 5, 24)
        fitting = [mm for mm in _BAR_LENGTHS_MM if mm * px_per_mm <= room_px]
        if not fitting:
            return
        label, end, middle = f"{fitting[-1]} mm", bar.shape[1] - 10, bar.shape[0] // 2
        start = end - fitting[-1] * px_per_mm
        _line(bar, np.array([[start, middle], [end, middle]]), BAR_TEXT, 2)
        for x in (start, end):
            _line(bar, np.array([[x, middle - 5], [x, middle + 5]]), BAR_TEXT, 2)
        _text(bar, label, int(start) - _text_width(label) - 8, BAR_TEXT)


def _even(value: float) -> int:
    """Nearest even whole number of at least 2."""
    return max(2, 2 * round(value / 2))


def _line(picture: np.ndarray, points: np.ndarray, colour: tuple[int, int, int], width: int) -> None:
    """Draw an open line through points, shape (n, 2)."""
    corners = np.round(points * 2**SHIFT).astype(np.int32)
    cv2.polylines(picture, [corners.reshape(-1, 1, 2)], False, colour, width, cv2.LINE_AA, SHIFT)


def _dot(picture: np.ndarray, centre: np.ndarray, radius: float, colour: tuple[int, int, int]) -> None:
    """Draw a full circle."""
    x, y = (round(float(value) * 2**SHIFT) for value in centre)
    cv2.circle(picture, (x, y), round(radius * 2**SHIFT), colour, -1, cv2.LINE_AA, SHIFT)


def _dashes(points: np.ndarray, dash_px: float, gap_px: float) -> list[np.ndarray]:
    """Cut a line, shape (n, 2), into dashes."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    dashes = []
    for start in np.arange(0, along[-1], dash_px + gap_px):
        at = np.linspace(start, min(start + dash_px, along[-1]), 6)
        dashes.append(np.stack([np.interp(at, along, points[:, axis]) for axis in (0, 1)], axis=-1))
    return dashes


def _text(bar: np.ndarray, words: str, left_px: int, colour: tuple[int, int, int]) -> None:
    """Write one line in the strip."""
    cv2.putText(bar, words, (left_px, 26), cv2.FONT_HERSHEY_SIMPLEX, TEXT_SIZE, colour, 1, cv2.LINE_AA)


def _text_width(words: str) -> int:
    """Width in pixels of a line written by `_text`."""
    return int(cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, TEXT_SIZE, 1)[0][0])
