"""A recording of a screen by a camera, read as if the screen itself had been recorded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import cv2
import numpy as np

from needlecoach.clips.reader import ClipReader, ColourImage, FileFacts
from needlecoach.model import BoolArray, FilmedScreen, FloatArray, Frame, GreyImage, Marks, ScreenView

Look = Callable[[Frame], ScreenView]
# A coarse mask of where glare hides the picture, packed to bits, and its shape; None without any.
Glare = tuple[GreyImage, tuple[int, int]] | None

# Of a change of exposure less than this is not worth a pass over the picture.
LEAST_GAIN, LEAST_OFFSET = 0.01, 1.0
# Brighter than this the camera tells no more differences; a patch counts when nearly all of it is.
BLIND_GREY, BLIND_SHARE = 245, 0.9
# Patches along the picture's shorter side. An echo of a needle is thinner than three of them.
PATCHES = 75
MANY_LOST = 0.02
# Bands of light are read from a picture of so few columns and rows, where it is not too dark to tell and so
# many columns are left, and smoothed over rows; weaker ones are not worth a pass over the picture.
BAND_SIZE, BAND_LEAST_GREY, BAND_COLUMNS, LEAST_BAND = (64, 80), 10.0, 8, 0.012
BAND_ROWS, BAND_SMOOTH_ROWS = 5, 2.0
# An outline is good to a few pixels.
RIM_SHARE = 0.01


class CameraReader(ClipReader):
    """Wraps the reader of a camera's recording; its frames show the screen set straight.

    Parameters
    ----------
    reader : of the camera's recording; it is closed with this one
    size_px : (width, height) of the straight picture
    follow : where the screen lies in a frame, asked frame by frame in order
    place : the same for a single frame out of order

    Notes
    -----
    Exposure is evened out to that of the first frame: gain and offset come with each view. Every frame is
    followed once; frames read again come out the same.
    """

    def __init__(self, reader: ClipReader, size_px: tuple[int, int], *, follow: Look, place: Look) -> None:
        super().__init__(replace(reader.clip, width_px=size_px[0], height_px=size_px[1]))
        self.notes = reader.notes
        self._reader, self._follow, self._place = reader, follow, place
        self._views: list[ScreenView] = []
        self._blind: dict[int, tuple[GreyImage, tuple[int, int]]] = {}
        self._patch_px = max(min(size_px) // PATCHES, 1)
        self._first: GreyImage | None = None

    def close(self) -> None:
        self._reader.close()

    def decode(self, *, wanted: frozenset[int] | None = None) -> Iterator[Frame]:
        for frame in self._reader.decode(wanted=self._needed(wanted)):
            if frame.number == len(self._views):
                self._views.append(self._follow(frame))
            if wanted is None or frame.number in wanted:
                yield self._straight(frame, self._views[frame.number])
        self.repaired_stamps = self._reader.repaired_stamps
        if wanted is None:
            self._note_lost()

    def _needed(self, wanted: frozenset[int] | None) -> frozenset[int] | None:
        """Frames to decode: those wanted, and those on the way where the screen was not followed yet."""
        if wanted is None:
            return None
        return wanted | frozenset(range(len(self._views), max(wanted, default=-1) + 1))

    def _read_wanted(self, wanted: frozenset[int]) -> dict[int, Frame]:
        if max(wanted) >= len(self._views):
            return super()._read_wanted(wanted)
        found = self._reader.read_frames(wanted)
        return {number: self._straight(frame, self._views[number]) for number, frame in found.items()}

    def _sample(self, count: int) -> Iterator[tuple[Frame, ColourImage]]:
        for frame, colour in self._reader._sample(count):
            view = self._place(frame)
            if view.found:
                yield self._straight(frame, view), _warped(colour, view, self._size)

    def facts(self) -> FileFacts:
        return self._reader.facts()

    def times_s(self) -> list[float]:
        return self._reader.times_s()

    def stretches(self, count: int, length: int) -> list[list[Frame]]:
        placed = [
            [(frame, self._place(frame)) for frame in run] for run in self._reader.stretches(count, length)
        ]
        straight = [[self._straight(frame, view) for frame, view in run if view.found] for run in placed]
        return [run for run in straight if run]

    @property
    def _size(self) -> tuple[int, int]:
        return self.clip.width_px, self.clip.height_px

    def _straight(self, frame: Frame, view: ScreenView) -> Frame:
        raw = _warped(frame.pixels, view, self._size)
        self._look_for_glare(frame.number, raw)
        pixels = _without_rim(self._unbanded(frame.number, _evened(raw, view)))
        pixels.setflags(write=False)
        return replace(frame, pixels=pixels)

    def straighten(self, frame: Frame, view: ScreenView | None = None) -> tuple[Frame, ScreenView, Glare]:
        """Set a frame straight that the camera took after the recording; nothing of it is kept.

        Frames are to be given in their order, as each is looked for near where the last one lay, unless
        its `view` is given.

        Raises
        ------
        UnscorableError
            As the follower of the screen does, while the screen is lost.
        """
        view = self._follow(frame) if view is None else view
        raw = _warped(frame.pixels, view, self._size)
        pixels = _without_rim(self._unbanded(-1, _evened(raw, view)))
        return replace(frame, pixels=pixels), view, self._glare_in(raw)

    def _unbanded(self, number: int, pixels: GreyImage) -> GreyImage:
        """Picture without the bands that a shutter run row by row draws of lamps and backlights.

        They are evened out to those of the first frame; before that is known nothing is.
        """
        small = np.asarray(cv2.resize(pixels, BAND_SIZE, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        if self._first is None and number == 0:
            self._first = small
        return pixels if self._first is None else without_bands(pixels, small, self._first)

    def _look_for_glare(self, number: int, raw: GreyImage) -> None:
        """Keep where glare hides the picture."""
        if (glare := self._glare_in(raw)) is not None:
            self._blind[number] = glare

    def _glare_in(self, raw: GreyImage) -> Glare:
        """Where a patch wider than any echo is as bright as the camera can tell."""
        size = (raw.shape[1] // self._patch_px, raw.shape[0] // self._patch_px)
        full = (raw >= BLIND_GREY).astype(np.uint8) * 255
        share = cv2.resize(full, size, interpolation=cv2.INTER_AREA)
        bright = (share > BLIND_SHARE * 255).astype(np.uint8)
        blind = np.asarray(
            cv2.morphologyEx(bright, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), dtype=np.uint8
        )
        return (np.packbits(blind), (size[1], size[0])) if blind.any() else None

    def is_blinded(self, points_px: FloatArray) -> BoolArray:
        """Tell in which frames glare covers a point or touches it: points (n, 2), one a frame."""
        blinded = np.zeros(len(points_px), dtype=bool)
        for number, glare in self._blind.items():
            if number < len(points_px):
                blinded[number] = self.is_under(glare, points_px[number])
        return blinded

    def is_under(self, glare: Glare, point_px: FloatArray) -> bool:
        """Tell whether glare covers a point (2,) of the straight picture or touches it; NaN it does not."""
        if glare is None or not np.isfinite(point_px).all():
            return False
        packed, shape = glare
        mask = np.unpackbits(packed, count=shape[0] * shape[1]).reshape(shape)
        column, row = (int(at) for at in point_px // self._patch_px)
        around = mask[max(row - 1, 0) : max(row + 2, 0), max(column - 1, 0) : max(column + 2, 0)]
        return bool(around.any())

    def view_of(self, number: int) -> ScreenView:
        """How a frame shows the screen; the recording is followed up to it.

        Raises
        ------
        ClipError
            When the recording has no such frame.
        """
        if number >= len(self._views):
            self.read_frames([number])
        return self._views[number]

    def filmed(self, corners_px: FloatArray, given: Marks) -> FilmedScreen:
        """All views so far as one value that travels on.

        Parameters
        ----------
        corners_px : (4, 2) the screen's corners on the first frame
        given : the user's marks in px of the original frames
        """
        return FilmedScreen(
            frame_size_px=(self._reader.clip.width_px, self._reader.clip.height_px),
            size_px=self._size,
            corners_px=corners_px,
            homographies=np.array([view.homography for view in self._views]).reshape(-1, 3, 3),
            gains=np.array([view.gain for view in self._views]),
            offsets=np.array([view.offset for view in self._views]),
            found=np.array([view.found for view in self._views], dtype=bool),
            given=given,
        )

    def _note_lost(self) -> None:
        lost = sum(not view.found for view in self._views)
        if lost > MANY_LOST * len(self._views):
            frames = f"In {lost} of {len(self._views)} frames"
            note = f"{frames} the screen could not be made out; its last place was held."
            self.notes.extend([note] if note not in self.notes else [])


def straightened(reader: ClipReader, screen: FilmedScreen) -> CameraReader:
    """Read a camera's recording once more, with the views that are known already."""
    return CameraReader(
        reader,
        screen.size_px,
        follow=lambda frame: screen.view(frame.number),
        place=lambda frame: screen.view(frame.number),
    )


def _warped(pixels: GreyImage, view: ScreenView, size_px: tuple[int, int]) -> GreyImage:
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(pixels, view.homography, size_px, flags=how), dtype=np.uint8)


def without_bands(pixels: GreyImage, small: GreyImage, first: GreyImage) -> GreyImage:
    """Picture whose rows are as bright as in the first one, where only the light has changed.

    Parameters
    ----------
    pixels : (h, w)
    small, first : the picture, and the first one, brought to `BAND_SIZE`

    Notes
    -----
    A band changes a whole row by one factor, a needle only a part of it: the middle of all columns tells.
    """
    lit = (first > BAND_LEAST_GREY) & (small > BAND_LEAST_GREY) & (small < BLIND_GREY)
    known = np.flatnonzero(lit.sum(axis=1) >= BAND_COLUMNS)
    if not len(known):
        return pixels
    ratios = np.where(lit, small / np.maximum(first, 1.0), np.nan)[known]
    bands = np.interp(np.arange(len(small)), known, np.nanmedian(ratios, axis=1))
    # A flat needle can lie across most columns of a few rows.
    column = cv2.medianBlur(bands.astype(np.float32)[:, None], BAND_ROWS)
    bands = cv2.GaussianBlur(column, (1, 0), 1, sigmaY=BAND_SMOOTH_ROWS, borderType=cv2.BORDER_REPLICATE)[
        :, 0
    ]
    if np.abs(bands - 1).max() < LEAST_BAND:
        return pixels
    places = (np.arange(len(pixels)) + 0.5) * len(small) / len(pixels) - 0.5
    light = np.interp(places, np.arange(len(small)), bands).astype(np.float32)
    return np.asarray(np.clip(np.rint(pixels / light[:, None]), 0, 255), dtype=np.uint8)


def _without_rim(pixels: GreyImage) -> GreyImage:
    """Picture whose outermost pixels repeat those further in: what shows there may be the bezel's edge."""
    rim = max(round(RIM_SHARE * min(pixels.shape)), 1)
    inner = np.ascontiguousarray(pixels[rim:-rim, rim:-rim])
    return np.asarray(cv2.copyMakeBorder(inner, rim, rim, rim, rim, cv2.BORDER_REPLICATE), dtype=np.uint8)


def _evened(pixels: GreyImage, view: ScreenView) -> GreyImage:
    """Picture as bright as the first one; black outside the frame stays black."""
    if abs(view.gain - 1) < LEAST_GAIN and abs(view.offset) < LEAST_OFFSET:
        return pixels
    table = np.clip(np.rint((np.arange(256) - view.offset) / view.gain), 0, 255).astype(np.uint8)
    return np.asarray(cv2.LUT(pixels, table), dtype=np.uint8)
