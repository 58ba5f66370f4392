"""A camera in front of the scanner's screen: drawn screens seen at a slant, shaken and spoilt as told."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray, Frame, GreyImage

FloatImage = npt.NDArray[np.float32]

# A hand shakes in all frequencies up to some 5 Hz, more in the slow ones (invented; a guess of ours).
SHAKE_HZ = (0.3, 0.8, 1.7, 3.1, 5.3)


@dataclass(frozen=True)
class Glare:
    """A lamp mirrored in the glass: place and radii in px of the frame, brightness added in its middle.

    It moves by `drift` px of the frame for every px that the screen moves.
    """

    centre_px: tuple[float, float]
    radii_px: tuple[float, float]
    grey: float
    drift: float = 0.3


@dataclass(frozen=True)
class CameraView:
    """How a screen is filmed; all lengths in px of the camera's frame, greys on a scale of 0 to 255.

    Attributes
    ----------
    size_px : (width, height) of the frame
    focal_px : focal length; the axis of the lens goes through the frame's middle
    turn_deg : (about the vertical, about the horizontal, in the picture's plane) of the screen
    fill : height of the screen as a share of the frame's height
    shift_px : where the screen's middle lies, from the frame's middle
    shake_px, shake_deg : standard deviation of the screen's shift, and of each of its turns
    bezel_px : width of the frame round the screen, in px of the screen; 0 for none
    bezel_grey, room_grey, black_grey, white_grey : of the frame round the screen, of what lies behind, and of
        what the camera makes of the screen's black and white
    gradient_grey : how much brighter the room is on one side than on the other
    clutter : how many bright and dark things stand in the room
    blur_px : standard deviation of the lens' blur
    moire : depth of the screen's pixel pattern as the camera samples it
    flicker, banding : change of exposure from frame to frame, and along the rows of one, as a share
    noise_grey : of the camera
    """

    size_px: tuple[int, int] = (1280, 720)
    focal_px: float = 1150.0
    turn_deg: tuple[float, float, float] = (6.0, -4.0, -1.0)
    fill: float = 0.86
    shift_px: tuple[float, float] = (10.0, -6.0)
    shake_px: float = 2.0
    shake_deg: float = 0.1
    bezel_px: float = 28.0
    bezel_grey: float = 19.0
    room_grey: float = 28.0
    black_grey: float = 10.0
    white_grey: float = 215.0
    gradient_grey: float = 8.0
    clutter: int = 0
    blur_px: float = 0.9
    moire: float = 0.03
    flicker: float = 0.03
    banding: float = 0.0
    noise_grey: float = 1.5
    glare: tuple[Glare, ...] = ()


class Camera:
    """Films drawn screens of one size; the same seed gives the same pixels.

    Notes
    -----
    A pinhole camera with square pixels. The screen's pixel pattern is multiplied in where each camera pixel
    looks, so that moiré arises by itself as the beat between both grids.
    """

    def __init__(self, view: CameraView, screen_px: tuple[int, int], *, seed: int) -> None:
        self.view, self.screen_px = view, screen_px
        self._rng = np.random.default_rng(seed)
        self._phases = self._rng.uniform(0, 2 * np.pi, (6, len(SHAKE_HZ)))
        self._flicker = self._rng.uniform(0, 2 * np.pi, 2)
        self._room = self._draw_room()

    def homography(self, time_s: float) -> FloatArray:
        """Matrix (3, 3) from px of the screen to px of the frame at a moment."""
        view = self.view
        width, height = self.screen_px
        sway = self._sway(time_s)
        turns = np.radians(np.array(view.turn_deg) + sway[:3] * view.shake_deg)
        distance = view.focal_px * height / (view.fill * view.size_px[1])
        shift = (np.array(view.shift_px) + sway[3:5] * view.shake_px) * distance / view.focal_px
        away = distance * (1 + sway[5] * view.shake_px / view.focal_px)
        turn = _rotation(*turns)
        centred = np.array([[1, 0, -(width - 1) / 2], [0, 1, -(height - 1) / 2], [0, 0, 1]])
        pose = np.column_stack([turn[:, 0], turn[:, 1], [*shift, away]])
        middle = (np.array(view.size_px) - 1) / 2
        lens = np.array([[view.focal_px, 0, middle[0]], [0, view.focal_px, middle[1]], [0, 0, 1]])
        whole = lens @ pose @ centred
        return np.asarray(whole / whole[2, 2])

    def _sway(self, time_s: float) -> FloatArray:
        hz = np.array(SHAKE_HZ)
        size = 1 / np.sqrt(hz)
        waves = np.sin(2 * np.pi * hz * time_s + self._phases) * size
        return np.asarray(waves.sum(axis=1) / np.sqrt((size**2).sum() / 2))

    def corners_px(self, time_s: float) -> FloatArray:
        """Centres of the screen's four corner pixels in the frame, (4, 2), clockwise from the upper left."""
        width, height = self.screen_px
        corners = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], dtype=float)
        return to_frame_px(self.homography(time_s), corners)

    def film(self, frames: Iterable[Frame]) -> Iterator[tuple[Frame, FloatArray]]:
        """Yield the camera's frame of every screen, and the homography from screen to frame."""
        for frame in frames:
            homography = self.homography(frame.time_s)
            yield (
                Frame(frame.number, frame.time_s, self._shot(frame.pixels, homography, frame.time_s)),
                homography,
            )

    def _shot(self, screen: GreyImage, homography: FloatArray, time_s: float) -> GreyImage:
        view = self.view
        width, height = view.size_px
        sharp = self._seen_screen(screen, homography)
        shown = np.asarray(cv2.GaussianBlur(sharp, (0, 0), view.blur_px) if view.blur_px else sharp)
        shown = shown + self._glare(homography)
        wave = 2 * np.pi * time_s
        gain = 1 + view.flicker * (
            np.sin(wave * 1.3 + self._flicker[0]) + 0.6 * np.sin(wave * 9.1 + self._flicker[1])
        )
        rows = np.arange(height)[:, None] / height
        gain = gain * (1 + view.banding * np.sin(2 * np.pi * (1.7 * rows + 3.3 * time_s)))
        noise = self._rng.normal(0, view.noise_grey, (height, width)) if view.noise_grey else 0.0
        return np.asarray(np.clip(np.rint(shown * gain + noise), 0, 255), dtype=np.uint8)

    def _seen_screen(self, screen: GreyImage, homography: FloatArray) -> FloatImage:
        """Room, bezel and screen as sharp as they are, with the beat of both pixel grids."""
        view = self.view
        size = view.size_px
        light = view.black_grey + screen.astype(np.float32) * ((view.white_grey - view.black_grey) / 255)
        lit = cv2.warpPerspective(
            light, homography, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        if view.moire:
            lit = lit * self._pattern(homography)
        bezel = self._cover(homography, view.bezel_px)
        inside = self._cover(homography, 0.0)
        room = self._moved_room(homography)
        around = room * (1 - bezel) + np.float32(view.bezel_grey) * bezel
        return np.asarray(around * (1 - inside) + lit * inside, dtype=np.float32)

    def _cover(self, homography: FloatArray, margin_px: float) -> FloatImage:
        """Share of every pixel that a rectangle covers: the screen grown by so many of its px."""
        width, height = self.screen_px
        low, right, below = -0.5 - margin_px, width - 0.5 + margin_px, height - 0.5 + margin_px
        corners = np.array([[low, low], [right, low], [right, below], [low, below]])
        fine = np.rint((to_frame_px(homography, corners) + 0.5) * 4 * 16 - 8).astype(np.int32)
        mask = np.zeros((self.view.size_px[1] * 4, self.view.size_px[0] * 4), np.uint8)
        cv2.fillConvexPoly(mask, fine, 255, lineType=cv2.LINE_8, shift=4)
        small = cv2.resize(mask, self.view.size_px, interpolation=cv2.INTER_AREA)
        return np.asarray(small, dtype=np.float32) / np.float32(255)

    def _pattern(self, homography: FloatArray) -> FloatImage:
        width, height = self.view.size_px
        x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
        u, v, w = (row[0] * x + row[1] * y + row[2] for row in np.linalg.inv(homography).astype(np.float32))
        beat = np.cos(2 * np.pi * u / w) + 0.6 * np.cos(2 * np.pi * v / w)
        return np.asarray(1 + self.view.moire * beat, dtype=np.float32)

    def _draw_room(self) -> FloatImage:
        """What lies behind the screen, larger than the frame by a border of 80 px."""
        view = self.view
        width, height = view.size_px[0] + 160, view.size_px[1] + 160
        slope = np.linspace(-0.5, 0.5, width)[None, :] + 0.4 * np.linspace(-0.5, 0.5, height)[:, None]
        room = (view.room_grey + view.gradient_grey * slope).astype(np.float32)
        for _ in range(view.clutter):
            x, y = self._rng.integers(0, (width, height))
            w, h = self._rng.integers(30, 260, 2)
            grey = float(view.room_grey + self._rng.uniform(-0.8, 3.0) * view.room_grey)
            box = cv2.boxPoints(
                ((float(x), float(y)), (float(w), float(h)), float(self._rng.uniform(-30, 30)))
            )
            cv2.fillConvexPoly(room, np.rint(box).astype(np.int32), max(grey, 0.0))
        return np.asarray(cv2.GaussianBlur(room, (0, 0), 2.0), dtype=np.float32)

    def _moved_room(self, homography: FloatArray) -> FloatImage:
        """The room is far behind: it moves less than the screen when the hand shifts."""
        dx, dy = 0.5 * (self._middle(homography) - self._middle(self.homography(0.0))) + 80
        shift = np.array([[1, 0, -dx], [0, 1, -dy]])
        return np.asarray(
            cv2.warpAffine(self._room, shift, self.view.size_px, borderMode=cv2.BORDER_REPLICATE)
        )

    def _middle(self, homography: FloatArray) -> FloatArray:
        width, height = self.screen_px
        return to_frame_px(homography, np.array([(width - 1) / 2, (height - 1) / 2]))

    def _glare(self, homography: FloatArray) -> FloatImage:
        width, height = self.view.size_px
        light = np.zeros((height, width), np.float32)
        x, y = np.arange(width)[None, :], np.arange(height)[:, None]
        moved = self._middle(homography) - self._middle(self.homography(0.0))
        for lamp in self.view.glare:
            cx, cy = np.array(lamp.centre_px) + lamp.drift * moved
            # Flat in its middle, as the picture of a lamp is, and soft at its rim.
            away = ((x - cx) / lamp.radii_px[0]) ** 2 + ((y - cy) / lamp.radii_px[1]) ** 2
            light += (lamp.grey * np.exp(-(away**2))).astype(np.float32)
        return light


def to_frame_px(homography: FloatArray, points_px: npt.ArrayLike) -> FloatArray:
    """Points of the screen (..., 2) in px of the frame."""
    points = np.asarray(points_px, dtype=float)
    whole = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1) @ homography.T
    return np.asarray(whole[..., :2] / whole[..., 2:])


def filmed_truth(truth: dict[str, Any], homographies: list[FloatArray], camera: Camera) -> dict[str, Any]:
    """Return the truth of a screen's recording as truth of the camera's, all places in px of the frame."""
    frames = []
    for frame, homography in zip(truth["frames"], homographies, strict=True):
        moved = dict(frame, homography_screen_to_frame=homography.tolist())
        for key in [key for key in frame if key.endswith("_xy_px") and frame[key] is not None]:
            moved[key] = to_frame_px(homography, frame[key]).round(3).tolist()
        if frame.get("target"):
            centre = to_frame_px(homography, frame["target"]["centre_px"]).round(3).tolist()
            moved["target"] = dict(frame["target"], centre_px=centre)
        frames.append(moved)
    return dict(
        truth,
        frames=frames,
        screen_size=list(camera.screen_px),
        frame_size=list(camera.view.size_px),
        camera=True,
    )


def _rotation(yaw: float, pitch: float, roll: float) -> FloatArray:
    cy, sy, cp, sp, cr, sr = *_turn(yaw), *_turn(pitch), *_turn(roll)
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    about_x = np.array([[1, 0, 0], [0, cp, -sp], [0, sp, cp]])
    about_z = np.array([[cr, -sr, 0], [sr, cr, 0], [0, 0, 1]])
    return np.asarray(about_z @ about_x @ about_y)


def _turn(angle: float) -> tuple[float, float]:
    return float(np.cos(angle)), float(np.sin(angle))
