"""A folder of numbered images read as a recording."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from needlecoach.clips.reader import ClipReader, ColourImage, FileFacts, grey_from_bgr
from needlecoach.errors import ClipError
from needlecoach.model import Clip, Frame

# OpenCV's remarks on a broken image would break the rule of one line per error.
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)

_ENDINGS = {".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp"}
# Beyond these no scanner records; times would run together, or a clip would last for days.
SLOWEST_FPS, FASTEST_FPS = 0.1, 1000.0


def image_files(folder: Path) -> list[Path]:
    """Return the numbered images of a folder in order of their number (the last one in each name).

    Raises
    ------
    ClipError
        When there are none, or two carry the same number.
    """
    by_number: dict[int, Path] = {}
    for file in sorted(folder.iterdir()):
        number = _number_of(file)
        if number is None:
            continue
        if number in by_number:
            raise ClipError(
                f"{folder}: {by_number[number].name} and {file.name} have the same number; keep one series."
            )
        by_number[number] = file
    if not by_number:
        raise ClipError(
            f"{folder}: no numbered images (png, jpg, tif, bmp) in this folder; give a video instead."
        )
    return [by_number[number] for number in sorted(by_number)]


def check_fps(path: Path, fps: float) -> None:
    """Refuse a rate at which no scanner records, as ClipError."""
    if not SLOWEST_FPS <= fps <= FASTEST_FPS:
        raise ClipError(
            f"{path}: pictures a second must be from {SLOWEST_FPS:g} to {FASTEST_FPS:g}, got {fps:g}; "
            "give --fps again."
        )


def _number_of(file: Path) -> int | None:
    """Number in an image's name, None for other files and hidden ones."""
    if file.suffix.lower() not in _ENDINGS or file.name.startswith(".") or not file.is_file():
        return None
    digits = re.findall(r"[0-9]+", file.stem)
    return int(digits[-1]) if digits else None


class ImagesReader(ClipReader):
    """Numbered images as a recording: frames count in order, times follow the numbers.

    Numbers in steps of 5, say, count as one picture each; a gap in the series is a gap in time.
    """

    def __init__(self, folder: Path, *, fps: float | None) -> None:
        self._files = image_files(folder)
        if fps is None:
            raise ClipError(
                f"{folder}: a folder of images carries no times; give --fps, the pictures a second."
            )
        check_fps(folder, fps)
        numbers = [_number_of(file) or 0 for file in self._files]
        steps = np.diff(numbers)
        step = math.gcd(*steps.tolist()) if len(steps) else 1
        self._times_s = [(number - numbers[0]) / step / fps for number in numbers]
        first = _read(self._files[0])
        super().__init__(
            Clip(
                path=folder,
                kind="images",
                width_px=first.shape[1],
                height_px=first.shape[0],
                n_frames=len(self._files),
                nominal_fps=float(fps),
            )
        )
        gaps = int((steps > step).sum())
        if gaps:
            self.notes.append(
                f"The images' numbers have {gaps} gap{'s' * (gaps > 1)}, taken as gaps in time at {fps:g} "
                "a second."
            )

    @property
    def files(self) -> list[Path]:
        """The images in order."""
        return list(self._files)

    def close(self) -> None:
        """Do nothing: no file stays open."""

    def facts(self) -> FileFacts:
        endings = sorted({file.suffix.lower().lstrip(".") for file in self._files})
        n_bytes = sum(file.stat().st_size for file in self._files)
        return FileFacts(container="folder of images", codec=", ".join(endings), n_bytes=n_bytes)

    def times_s(self) -> list[float]:
        return list(self._times_s)

    def decode(self, *, wanted: frozenset[int] | None = None) -> Iterator[Frame]:
        for number in range(len(self._files)):
            if wanted is None or number in wanted:
                yield self._frame(number)[0]

    def _sample(self, count: int) -> Iterator[tuple[Frame, ColourImage]]:
        spread = np.linspace(0, len(self._files) - 1, min(count, len(self._files)))
        return (self._frame(number) for number in spread.round().astype(int).tolist())

    def _frame(self, number: int) -> tuple[Frame, ColourImage]:
        """Read one image: as a frame, and in colour."""
        colour = self._checked(self._files[number])
        return Frame(number=number, time_s=self._times_s[number], pixels=grey_from_bgr(colour)), colour

    def full_depth(self, file: Path) -> np.ndarray:
        """Read one of the images with the depth and the colours it has, upright: (h, w) or (h, w, 3)."""
        return self._checked(file, cv2.IMREAD_ANYCOLOR | cv2.IMREAD_ANYDEPTH)

    def _checked(self, file: Path, how: int = cv2.IMREAD_COLOR) -> np.ndarray:
        colour = _read(file, how)
        if colour.shape[:2] != (self.clip.height_px, self.clip.width_px):
            raise ClipError(
                f"{file}: is {colour.shape[1]} x {colour.shape[0]} px, the first image {self.clip.width_px} "
                f"x {self.clip.height_px}; all images of a folder must have one size."
            )
        return colour


def _read(file: Path, how: int = cv2.IMREAD_COLOR) -> np.ndarray:
    """Read one image, blue-green-red; through a buffer, since OpenCV's own reading trips over some names."""
    try:
        data = np.frombuffer(file.read_bytes(), dtype=np.uint8)
        image = cv2.imdecode(data, how) if len(data) else None
    except (OSError, cv2.error):
        image = None
    if image is None:
        raise ClipError(f"{file}: can't be read as an image; save it again or take it out of the folder.")
    return np.asarray(image)
