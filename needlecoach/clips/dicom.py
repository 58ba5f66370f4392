"""DICOM clips (PS3.3, Ultrasound Multi-frame Image and its like) read as recordings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from needlecoach.clips.dicom_header import BoundedFile, read_header
from needlecoach.clips.dicom_pixels import Pictures
from needlecoach.clips.dicom_regions import areas_of, choice_words
from needlecoach.clips.dicom_samples import Picture
from needlecoach.clips.dicom_times import frame_times
from needlecoach.clips.reader import ClipReader, ColourImage, FileFacts
from needlecoach.model import Clip, Frame

BURNED_IN = (
    "The file says that identifying text is burned into its pictures (Burned In Annotation: YES); look at "
    "everything before you pass it on."
)


class DicomReader(ClipReader):
    """A DICOM file: its pictures are decoded one at a time, its times, scale and regions are its own.

    Only attributes on the list `dicom_header.WANTED` are read, none of which tells of a person. The luma is
    the file's own where it holds one, by ITU-R BT.601 where it holds red, green and blue.

    Raises
    ------
    ClipError
        When the file holds no pictures, can't be decoded, or carries no times and `fps` is not given.
    """

    def __init__(self, path: Path, *, fps: float | None = None) -> None:
        header = read_header(path)
        self._pictures = Pictures(header)
        times = frame_times(header, fps=fps)
        self._path, self._times_s, self._coding = path, times.times_s, header.syntax.name
        super().__init__(
            Clip(
                path=path,
                kind="dicom",
                width_px=header.width_px,
                height_px=header.height_px,
                n_frames=header.n_frames,
                nominal_fps=times.fps,
            )
        )
        self.repaired_stamps = times.repaired
        self.areas, self.area_faults = areas_of(header)
        self.notes += [*times.notes, *self.area_faults, *choice_words(self.areas)]
        if header.word("BurnedInAnnotation") == "YES":
            self.notes.append(BURNED_IN)
        next(self.pictures([0]))  # what can't be decoded at all is told before any work is done

    def facts(self) -> FileFacts:
        """Tell how the recording is stored; a file holds little else than its pictures."""
        return FileFacts(container="DICOM", codec=self._coding, n_bytes=self._path.stat().st_size)

    def times_s(self) -> list[float]:
        return list(self._times_s)

    def close(self) -> None:
        """Do nothing: no file stays open."""

    def pictures(self, numbers: Iterable[int]) -> Iterator[tuple[int, Picture]]:
        """Yield pictures by number, each with its number, as the file holds them but for 8 bits a sample."""
        with BoundedFile(self._path) as file:
            for number in numbers:
                yield number, self._pictures.read(number, file)

    def decode(self, *, wanted: frozenset[int] | None = None) -> Iterator[Frame]:
        every = range(self.clip.n_frames)
        numbers = every if wanted is None else sorted(wanted.intersection(every))
        for number, picture in self.pictures(numbers):
            yield self._frame(number, picture)

    def _sample(self, count: int) -> Iterator[tuple[Frame, ColourImage]]:
        spread = np.linspace(0, self.clip.n_frames - 1, min(count, self.clip.n_frames))
        for number, picture in self.pictures(spread.round().astype(int).tolist()):
            yield self._frame(number, picture), picture.colour()

    def _frame(self, number: int, picture: Picture) -> Frame:
        return Frame(number=number, time_s=self._times_s[number], pixels=picture.grey())
