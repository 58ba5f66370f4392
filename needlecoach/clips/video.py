"""Video files read as recordings: in order with the file's own time stamps, or single frames by seeking."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice, pairwise
from pathlib import Path
from typing import NamedTuple

import av
import numpy as np

from needlecoach.clips.decoding import VideoFile, colour_of, grey_of, why_unreadable
from needlecoach.clips.fields import FieldWatch
from needlecoach.clips.reader import ClipReader, ColourImage, FileFacts
from needlecoach.errors import ClipError
from needlecoach.model import Clip, Frame

# Up to so many frames for each one sampled, all are decoded: exact and evenly spread, at little cost.
_CHEAP_IN_ORDER = 20
# So many are decoded in a few seconds at any usual size, to have runs of frames where they are wanted.
_SHORT_FRAMES = 600


class _Place(NamedTuple):
    """A frame met in reading: its stamp in ticks, its time, and whether it is a key frame."""

    stamp: int | None
    time_s: float
    is_key: bool


# Frames of files read through in this run, by path, size and date: opened again, they are entered by seeking.
_known_places: dict[tuple[str, int, int], list[_Place]] = {}


class VideoReader(ClipReader):
    """A video file: any container and codec that FFmpeg reads; full-range luma of 8 bits comes out.

    Where the file holds luma, be it that of ITU-R BT.601 or of BT.709, a frame is the file's own; pictures
    in red, green and blue are turned to BT.601's.
    """

    def __init__(self, path: Path, *, fps: float | None = None) -> None:
        _check_name(path)
        if path.stat().st_size == 0:
            raise ClipError(f"{path}: the file is empty (0 bytes); copy or export the recording again.")
        self._path = path
        self._file = VideoFile(path)
        first = next(self._file.pictures(), None)
        if first is None:
            self._file.close()
            raise ClipError(f"{path}: {why_unreadable(path)}")
        about = path.stat()
        self._key = (str(path.absolute()), about.st_size, about.st_mtime_ns)
        self._places = _known_places.get(self._key, [])
        height_px, width_px = grey_of(first).shape
        super().__init__(
            Clip(
                path=path,
                kind="video",
                width_px=width_px,
                height_px=height_px,
                n_frames=self._file.n_frames,
                nominal_fps=self._file.fps,
            )
        )
        if fps is not None:
            self.notes.append("--fps is for folders of images; the video's own time stamps were used.")

    def close(self) -> None:
        self._file.close()

    def decode(self, *, wanted: frozenset[int] | None = None) -> Iterator[Frame]:
        watch = FieldWatch()
        for number, time_s, picture in self._in_order(wanted):
            frame = self._frame(picture, number=number, time_s=time_s)
            if wanted is None:
                watch.see(number, frame.pixels, flagged=picture.interlaced_frame)
            yield frame
        self._note(watch.notes())

    def pictures(self) -> Iterator[tuple[float, av.VideoFrame]]:
        """Yield time and decoded picture of every frame in order, in the file's own colours."""
        for _, time_s, picture in self._in_order(None):
            yield time_s, picture

    def facts(self) -> FileFacts:
        with VideoFile(self._path) as file:
            facts = file.facts(file.packets().n_bytes)
        # One name stands for a family of formats; the file's ending tells which of them is meant.
        family, ending = facts.container.split(","), self._path.suffix.lower().lstrip(".")
        return replace(facts, container=ending if ending in family else family[0])

    def times_s(self) -> list[float]:
        with VideoFile(self._path) as file:
            clock = _Clock(nominal_fps=self.clip.nominal_fps)
            packets = file.packets()
            stamps = packets.shown if len(packets.shown) == len(packets.stamps) else packets.stamps
            return [clock.time_s(file.seconds(stamp)) for stamp in stamps]

    def stretches(self, count: int, length: int) -> list[list[Frame]]:
        with VideoFile(self._path) as file:
            packets = file.packets()
            if len(packets.stamps) <= _SHORT_FRAMES:
                return self._runs(len(packets.stamps), count, length)
            latest = packets.shown[-length:][:1]
            usable = [key for key in packets.keys if latest and key <= latest[0]]
            starts = sorted({usable[place] for place in _spread(len(usable), count)}) if usable else []
            runs = [self._run(file, start, length) for start in starts]
        # A file that can't be entered is read from its start.
        return [run for run in runs if run] or [list(islice(self.decode(), length))]

    def _run(self, file: VideoFile, stamp: int, length: int) -> list[Frame]:
        """Frames on end from a key frame on."""
        pictures = islice(file.pictures_from(stamp), length)
        return [
            self._frame(picture, number=number, time_s=file.seconds(file.stamp(picture)))
            for number, picture in enumerate(pictures)
        ]

    def _in_order(self, wanted: frozenset[int] | None) -> Iterator[tuple[int, float, av.VideoFrame]]:
        """Decode from the start; yield number, time and picture of each wanted frame (None: all)."""
        clock = _Clock(nominal_fps=self.clip.nominal_fps)
        places: list[_Place] = []
        last = math.inf if wanted is None else max(wanted, default=-1)
        with VideoFile(self._path) as file:
            try:
                for number, picture in enumerate(file.pictures()):
                    stamp = file.stamp(picture)
                    places.append(_Place(stamp, clock.time_s(file.seconds(stamp)), picture.key_frame))
                    if wanted is None or number in wanted:
                        yield number, places[-1].time_s, picture
                    if number >= last:
                        break
            finally:
                if len(places) > len(self._places):
                    self._places = places
        if wanted is None:
            _known_places[self._key] = places
            self.repaired_stamps = clock.repaired
            self._note_oddities(len(places), clock, file.damaged)

    def _sample(self, count: int) -> Iterator[tuple[Frame, ColourImage]]:
        with VideoFile(self._path) as file:
            stamps, keys, _ = file.packets()
            n_frames = len(stamps) or self.clip.n_frames or count
            many = n_frames > _CHEAP_IN_ORDER * count
            alone = _key_pictures(file, keys, count) if many and 2 * len(keys) >= count else []
        met: Iterable[tuple[int, float, av.VideoFrame]] = alone
        if 2 * len(alone) < count:
            # A frame that the file announces but lacks is left out.
            met = self._in_order(frozenset(_spread(n_frames, count)))
        for number, time_s, picture in met:
            yield self._frame(picture, number=number, time_s=time_s), colour_of(picture)

    def _read_wanted(self, wanted: frozenset[int]) -> dict[int, Frame]:
        found = {
            number: self._frame(picture, number=number, time_s=self._places[number].time_s)
            for number, picture in self._sought(sorted(wanted))
        }
        missing = wanted - found.keys()
        return found | super()._read_wanted(missing) if missing else found

    def _sought(self, numbers: Sequence[int]) -> Iterator[tuple[int, av.VideoFrame]]:
        """Yield pictures by seeking, up to the first that the stamps read earlier don't prove right."""
        stamps = [-math.inf if place.stamp is None else place.stamp for place in self._places]
        if any(later <= earlier for earlier, later in pairwise(stamps)):
            return
        pictures: Iterator[av.VideoFrame] = iter(())
        self._file.only = frozenset(int(stamps[number]) for number in numbers if 0 <= number < len(stamps))
        reached = -1
        for number in numbers:
            keys = [k for k, place in enumerate(self._places[: number + 1]) if place.is_key]
            if not keys or not 0 <= number < len(stamps):
                return
            if not keys[-1] <= reached < number:
                pictures = self._file.pictures_from(int(stamps[keys[-1]]))
            picture = next((one for one in pictures if (self._file.stamp(one) or 0) >= stamps[number]), None)
            if picture is None or self._file.stamp(picture) != stamps[number]:
                return
            reached = number
            yield number, picture

    def _frame(self, picture: av.VideoFrame, *, number: int, time_s: float) -> Frame:
        pixels = grey_of(picture)
        if pixels.shape != (self.clip.height_px, self.clip.width_px):
            raise ClipError(
                f"{self._path}: frame {number} can't be decoded at {self.clip.width_px} x "
                f"{self.clip.height_px} px; export the recording again."
            )
        return Frame(number=number, time_s=time_s, pixels=pixels)

    def _note_oddities(self, n_read: int, clock: _Clock, damaged: int) -> None:
        notes = []
        if damaged:
            places = f"{damaged} place{'s' * (damaged > 1)}"
            notes.append(f"The file is damaged in {places}: frames are missing or spoilt there.")
        if clock.repaired:
            notes.append(
                f"{clock.repaired} of {n_read} time stamps did not rise and were replaced by guesses."
            )
        announced_s = self.clip.n_frames / self.clip.nominal_fps if self.clip.nominal_fps else 0.0
        short_s = announced_s - clock.last_s - 3 * clock.step_s
        if n_read < self.clip.n_frames - 2 and short_s > 0.02 * announced_s:
            notes.append(
                f"The file announces {self.clip.n_frames} frames ({announced_s:.1f} s) but {n_read} could "
                f"be read ({clock.last_s:.1f} s): it was trimmed or cut short."
            )
        self._note(notes)

    def _note(self, notes: list[str]) -> None:
        self.notes.extend(note for note in notes if note not in self.notes)


def _key_pictures(file: VideoFile, keys: list[int], count: int) -> list[tuple[int, float, av.VideoFrame]]:
    """Number, time and picture of up to `count` key frames, spread over all of them, each decoded alone."""
    alone = [file.key_picture(keys[place]) for place in _spread(len(keys), count)]
    return [
        (number, file.seconds(file.stamp(picture)), picture)
        for number, picture in enumerate(alone)
        if picture is not None
    ]


def _spread(n_places: int, count: int) -> list[int]:
    """Up to `count` places out of so many, from the first to the last."""
    places: list[int] = np.linspace(0, n_places - 1, min(count, n_places)).round().astype(int).tolist()
    return places


class _Clock:
    """Turns stamps into times that rise: a stamp that does not is replaced by one half a usual step on.

    Half a step, so that the repair falls behind the true stamps that follow instead of pushing them off.
    """

    def __init__(self, *, nominal_fps: float) -> None:
        self.repaired = 0
        self.last_s = -math.inf
        self._nominal_step_s = 1 / nominal_fps if nominal_fps > 0 else 0.04
        self._steps_s: list[float] = []

    @property
    def step_s(self) -> float:
        """Usual time from frame to frame so far."""
        return statistics.median(self._steps_s) if self._steps_s else self._nominal_step_s

    def time_s(self, stamp_s: float) -> float:
        if not math.isfinite(stamp_s):
            stamp_s = -math.inf
        if self.last_s == -math.inf:
            self.last_s = max(stamp_s, 0.0)
        elif stamp_s > self.last_s + 1e-6:
            if len(self._steps_s) < 101:
                self._steps_s.append(stamp_s - self.last_s)
            self.last_s = stamp_s
        else:
            self.repaired += 1
            self.last_s += self.step_s / 2 if self._steps_s else self.step_s
        return self.last_s


def _check_name(path: Path) -> None:
    """Refuse a name that can't be written into the results, and what would let the reader wait for ever."""
    try:
        str(path.absolute()).encode()
    except UnicodeEncodeError:
        raise ClipError(
            f"{path}: the name or its folder's is not valid UTF-8, so the video can't be opened; rename it."
        ) from None
    if not path.is_file():
        raise ClipError(f"{path}: is neither a file nor a folder; give the recording itself.")
