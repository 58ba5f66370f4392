"""The scanner's screen in a camera's recording: found or given, followed through shake, and set straight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from needlecoach.errors import UnscorableError
from needlecoach.model import BoolArray, FloatArray, Frame, GreyImage, ScreenView
from needlecoach.screen.outline import find_outline
from needlecoach.screen.register import FloatImage, Match, Reference, average, mapped

CORNERS_ADVICE = 'give its four corners on the first frame: --screen "x,y x,y x,y x,y"'
# Focal lengths of phones and webcams as a share of the frame's longer side, and how far they scatter (log):
# 26 mm for 36 mm is usual for a phone's main camera, its video cuts off some (from memory).
USUAL_FOCAL, FOCAL_SPREAD = 0.85, 0.3
CORNER_SD_PX = 1.5
# Panels are made in these shapes. The one nearest is taken up to half of the way between the closest two, as
# a lens that is not quite straight makes about 2 % (common practice, no source); a panel keeps to 2 parts in
# 1000.
PANELS = ((5, 4), (4, 3), (3, 2), (16, 10), (16, 9))
PANEL_SHARE, PANEL_SD = 0.032, 0.002
# Seen so much smaller at its far side, or this much foreshortened, half of the picture's detail is gone.
MOST_TAPER, LEAST_SIDE_PX = 2.0, 100.0
MOST_SIDE_PX = 2400
# The screen's surroundings that lie about in its plane, as a share of its size.
ROUND_SHARE = 1.08
LEAST_SAMPLES = 3
LOST_S = 2.0


@dataclass(frozen=True, eq=False)
class Straight:
    """The straight picture: `size_px` (width, height), and the screen's four corners on the first frame.

    `corners_px` (4, 2) run clockwise from the upper left. `shape_sd_share` is the uncertainty of the ratio of
    width to height, and so of all that is measured along x when the ruler runs along y.
    """

    size_px: tuple[int, int]
    corners_px: FloatArray
    shape_sd_share: float
    assumed: str

    @property
    def homography(self) -> FloatArray:
        """Matrix from px of the straight picture to px of the first frame."""
        width, height = self.size_px
        own = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], dtype=np.float32)
        whole = cv2.getPerspectiveTransform(own, self.corners_px.astype(np.float32))
        return np.asarray(whole, dtype=float)


class ScreenFollower:
    """Knows the screen and follows it through a recording.

    Parameters
    ----------
    first : the first frame, in whose pixels corners are given and found
    samples : frames spread over the recording
    corners_px : (4, 2) clockwise from the upper left as the user gave them; None to find them

    Attributes
    ----------
    straight : Straight
    found_in : int
        In how many of the samples the screen was made out.

    Raises
    ------
    UnscorableError
        When no outline is found, or it is seen too much from the side.
    """

    def __init__(self, first: Frame, samples: Sequence[Frame], corners_px: FloatArray | None) -> None:
        picture, spread, self.found_in = _pooled(first.pixels, samples)
        height, width = first.pixels.shape
        corners = _found(picture, spread) if corners_px is None else corners_px
        self._reference = Reference(picture, spread, _round_screen(corners, (height, width)))
        start = self._reference.match(first.pixels, np.eye(3))
        # The pooled picture may lie a fraction of a pixel beside the first frame.
        placed = mapped(start.homography, corners) if corners_px is None and start.found else corners
        self.straight = straight_view(placed, (width, height))
        undo = np.linalg.inv(start.homography) if start.found else np.eye(3)
        self._to_reference = undo @ self.straight.homography
        self._last = start if start.found else Match(np.eye(3), 1.0, 0.0, 1.0)
        self._found_s = first.time_s

    def place(self, frame: Frame) -> ScreenView:
        """Where the screen lies in a single frame, whatever came before."""
        return self._view(self._reference.match(frame.pixels))

    def follow(self, frame: Frame) -> ScreenView:
        """Where the screen lies in the frame after the one followed last; held where it can't be made out.

        Raises
        ------
        UnscorableError
            When the screen has not been made out for 2 s.
        """
        match = self._reference.match(frame.pixels, self._last.homography)
        if not match.found:
            match = self._reference.match(frame.pixels)
        if match.found:
            self._last, self._found_s = match, frame.time_s
            return self._view(match)
        if frame.time_s - self._found_s > LOST_S:
            raise UnscorableError(
                f"the screen is lost from {self._found_s:.1f} s on (covered, out of the picture, or not the "
                f"one outlined); film it whole, or {CORNERS_ADVICE}."
            )
        return self._view(Match(self._last.homography, self._last.gain, self._last.offset, match.likeness))

    def _view(self, match: Match) -> ScreenView:
        whole = match.homography @ self._to_reference
        return ScreenView(whole / whole[2, 2], match.gain, match.offset, match.found)


def _found(picture: FloatImage, spread: FloatImage) -> FloatArray:
    """Centres of the screen's corner pixels, which lie half a pixel inside of its outline."""
    edges = find_outline(picture, spread)
    if edges is None:
        raise UnscorableError(f"no outline of a screen was found in the camera's picture; {CORNERS_ADVICE}.")
    straight = straight_view(edges, (picture.shape[1], picture.shape[0]))
    width, height = straight.size_px
    near, right, below = 0.5, width - 1.5, height - 1.5
    return mapped(straight.homography, [[near, near], [right, near], [right, below], [near, below]])


def _pooled(first: GreyImage, samples: Sequence[Frame]) -> tuple[FloatImage, FloatImage, int]:
    """Mean and spread of the frames that can be laid on the first one, and how many those are."""
    reference = Reference(first)
    laid = [(frame.pixels, reference.match(frame.pixels)) for frame in samples]
    laid = [(pixels, match) for pixels, match in laid if match.found and _is_modest(match, first.shape)]
    if len(laid) < LEAST_SAMPLES:
        return first.astype(np.float32), np.zeros(first.shape, np.float32), len(laid)
    picture, spread = average([pixels for pixels, _ in laid], [match for _, match in laid])
    return picture, spread, len(laid)


def _is_modest(match: Match, shape: tuple[int, ...]) -> bool:
    """Tell whether a frame lies on the reference as one taken by the same hand can."""
    height, width = shape
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float)
    moved = mapped(match.homography, corners)
    return bool(np.abs(moved - corners).max() < 0.35 * width)


def _round_screen(corners: FloatArray, shape: tuple[int, int]) -> BoolArray:
    centre = corners.mean(axis=0)
    wide = np.rint(centre + (corners - centre) * ROUND_SHARE).astype(np.int32)
    return np.asarray(cv2.fillConvexPoly(np.zeros(shape, np.uint8), wide, 1) > 0)


def in_order(corners_px: FloatArray) -> FloatArray:
    """Corners (4, 2) clockwise as seen, from the one nearest to the upper left."""
    centre = corners_px.mean(axis=0)
    angle = np.arctan2(*(corners_px - centre).T[::-1])
    turned = corners_px[np.argsort(angle)]
    return np.roll(turned, -int((turned - centre).sum(axis=1).argmin()), axis=0)


def straight_view(corners_px: FloatArray, frame_size_px: tuple[int, int]) -> Straight:
    """Shape and size of the straight picture for a screen with these corners.

    Raises
    ------
    UnscorableError
        When the screen is seen too small or too much from the side.
    """
    corners = in_order(np.asarray(corners_px, dtype=float))
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    taper = max(max(a, b) / max(min(a, b), 1e-6) for a, b in ((sides[0], sides[2]), (sides[1], sides[3])))
    if sides.min() < LEAST_SIDE_PX or taper > MOST_TAPER:
        raise UnscorableError(
            f"the screen is seen too small or too much from the side (sides of "
            f"{', '.join(f'{side:.0f}' for side in sides)} px); film it from the front, or {CORNERS_ADVICE}."
        )
    ratio, sd, assumed = _panel(*side_ratio(corners, frame_size_px))
    across, down = (sides[0] + sides[2]) / 2, (sides[1] + sides[3]) / 2
    height = min(float(np.sqrt(across * down / ratio)), MOST_SIDE_PX / max(ratio, 1.0))
    return Straight((round(height * ratio), round(height)), corners, sd, assumed)


def _panel(ratio: float, sd: float) -> tuple[float, float, str]:
    """Ratio of the panel that is taken to be seen, its uncertainty, and a sentence for the reader."""
    a, b = min(PANELS, key=lambda one: abs(np.log(one[0] / one[1] / ratio)))
    off = abs(float(np.log(a / b / ratio)))
    if off > PANEL_SHARE:
        note = f"The screen was taken to be {ratio:.3f} times as wide as high, as its outline shows."
        return ratio, sd, note
    note = f"The screen was taken for a panel of {a}:{b}; its outline shows {ratio:.3f} to 1."
    # What the outline says otherwise is doubt.
    return a / b, float(np.hypot(min(sd, PANEL_SD), off)), note


def side_ratio(corners_px: FloatArray, frame_size_px: tuple[int, int]) -> tuple[float, float]:
    """Width of a rectangle over its height from its corners in a picture, and its relative uncertainty.

    Notes
    -----
    Square camera pixels and a principal point in the frame's middle: then both directions of the plane must
    come out at right angles, which gives the focal length, and with it their lengths (Zhang & He, Whiteboard
    scanning and image enhancement, Digital Signal Processing 2007;17:414; from memory). Seen from the front
    the focal length can't be told and hardly matters; it is therefore weighed against the usual ones.
    """
    middle = (np.array(frame_size_px, dtype=float) - 1) / 2
    half = max(frame_size_px) / 2
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)

    def of(corners: FloatArray) -> tuple[float, float]:
        scaled = ((corners - middle) / half).astype(np.float32)
        return _ratio(np.asarray(cv2.getPerspectiveTransform(unit, scaled), dtype=float), half)

    ratio, open_share = of(corners_px)
    moved = []
    for corner in range(4):
        for axis in range(2):
            other = corners_px.copy()
            other[corner, axis] += CORNER_SD_PX
            moved.append(of(other)[0] / ratio - 1)
    return ratio, float(np.linalg.norm([*moved, open_share, 0.003]))


def _ratio(homography: FloatArray, half: float) -> tuple[float, float]:
    """Ratio of both directions' lengths over the focal lengths that fit: mean and relative spread."""
    focal = 2 * USUAL_FOCAL * np.exp(np.linspace(-3, 3, 241) * FOCAL_SPREAD)
    h1, h2 = homography[:, 0], homography[:, 1]
    flat = np.array([h1[0] * h2[0] + h1[1] * h2[1]]) / focal**2 + h1[2] * h2[2]
    long1 = np.sqrt((h1[0] ** 2 + h1[1] ** 2) / focal**2 + h1[2] ** 2)
    long2 = np.sqrt((h2[0] ** 2 + h2[1] ** 2) / focal**2 + h2[2] ** 2)
    # Corners off by so much turn a right angle by about this.
    spread = 2 * CORNER_SD_PX / half / np.sqrt(abs(np.linalg.det(homography[:2, :2])))
    off = flat / (long1 * long2) / spread
    weight = np.exp(-0.5 * (off**2 - (off**2).min()) - 0.5 * np.linspace(-3, 3, 241) ** 2)
    logs, weight = np.log(long1 / long2), weight / weight.sum()
    mean = float((weight * logs).sum())
    return float(np.exp(mean)), float(np.sqrt((weight * (logs - mean) ** 2).sum()))
