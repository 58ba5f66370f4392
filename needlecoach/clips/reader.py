"""What every recording offers: its description, its frames in order, and single frames."""

from __future__ import annotations

import queue
import threading
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from types import TracebackType

import cv2
import numpy as np
import numpy.typing as npt

from needlecoach.errors import ClipError
from needlecoach.model import Area, Clip, Frame, GreyImage

ColourImage = npt.NDArray[np.uint8]

# Colour is judged by the picture's large parts; small pictures of it keep the memory low.
_COLOUR_SIDE_PX = 320
# Enough to ride out a slow frame, little enough that 1080p pictures stay below 20 MB.
_QUEUE_FRAMES = 8


@dataclass(frozen=True)
class FileFacts:
    """How a recording is stored: names of container, codec and pixel format, and the pictures' size in all.

    `n_bytes` is 0 when the file does not tell it; `flagged_interlaced` is what the file says of itself.
    """

    container: str = ""
    codec: str = ""
    pixel_format: str = ""
    n_bytes: int = 0
    flagged_interlaced: bool = False


class ClipReader(ABC):
    """A recording open for reading: iterate over it for all frames, use `with` to close it.

    Attributes
    ----------
    clip : Clip
        What the recording is.
    notes : list of str
        Sentences about what was odd in the file; complete once it has been read through.
    areas : tuple of Area
        Ultrasound pictures with their scale, where the file tells them; the largest first.
    area_faults : tuple of str
        Why a scale that the file tells was not used; also among the notes.
    repaired_stamps : int
        Time stamps that did not rise and were replaced, in the last reading.
    """

    def __init__(self, clip: Clip) -> None:
        self.clip = clip
        self.notes: list[str] = []
        self.areas: tuple[Area, ...] = ()
        self.area_faults: tuple[str, ...] = ()
        self.repaired_stamps = 0
        self._colours: dict[int, list[ColourImage]] = {}

    def __enter__(self) -> ClipReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @abstractmethod
    def close(self) -> None:
        """Let go of the file; safe to call twice."""

    def area_for(self, box_px: tuple[int, int, int, int] | None) -> Area | None:
        """Return the file's own area under a box (x, y, width, height), the largest one without a box.

        None where the file tells of none there: the scale of one picture need not hold for another.
        """
        if box_px is None:
            return self.areas[0] if self.areas else None
        best = max(self.areas, key=lambda area: _shared_px(area.box_px, box_px), default=None)
        return best if best is not None and _shared_px(best.box_px, box_px) > 0 else None

    @abstractmethod
    def decode(self, *, wanted: frozenset[int] | None = None) -> Iterator[Frame]:
        """Yield the frames in decode order on the calling thread, only the `wanted` ones when given."""

    @abstractmethod
    def _sample(self, count: int) -> Iterator[tuple[Frame, ColourImage]]:
        """Yield up to `count` frames spread over the recording, each with its picture in colour."""

    def sample_frames(self, count: int) -> list[Frame]:
        """Return up to `count` frames spread over the recording, quickly.

        Numbers and times of these frames are for orientation only, as a video is entered by seeking;
        use `read_frames` for frames that must be the right ones.
        """
        frames, self._colours[count] = [], []
        for frame, colour in self._sample(count):
            frames.append(frame)
            self._colours[count].append(_shrunk(colour))
        return frames

    def sample_colour(self, count: int) -> list[ColourImage]:
        """Return the frames of `sample_frames` as small pictures, each uint8 (h, w, 3), blue-green-red.

        They show the whole frame, its longer side at most 320 px; a pixel is the mean of those it stands for.
        """
        if count not in self._colours:
            self.sample_frames(count)
        return self._colours[count]

    def __iter__(self) -> Iterator[Frame]:
        """Yield every frame in order; decoding runs beside the caller's work and ends with the loop."""
        waiting: queue.Queue[Frame | BaseException | None] = queue.Queue(maxsize=_QUEUE_FRAMES)
        stop = threading.Event()
        worker = threading.Thread(
            target=self._feed, args=(waiting, stop), name="needlecoach-decode", daemon=True
        )
        worker.start()
        try:
            while (item := waiting.get()) is not None:
                if isinstance(item, BaseException):
                    raise item
                yield item
        finally:
            stop.set()
            worker.join()

    def _feed(self, waiting: queue.Queue[Frame | BaseException | None], stop: threading.Event) -> None:
        last: BaseException | None = None
        try:
            for frame in self.decode():
                if not _put(waiting, frame, stop):
                    return
        except BaseException as problem:  # handed to the reading thread, which raises it
            last = problem
        if last is not None:
            _put(waiting, last, stop)
        _put(waiting, None, stop)

    def facts(self) -> FileFacts:
        """Tell how the recording is stored, as far as its kind of file tells."""
        return FileFacts()

    def times_s(self) -> list[float]:
        """Return the times of all frames as the file tells them, without decoding where that can be."""
        return [frame.time_s for frame in self.decode()]

    def stretches(self, count: int, length: int) -> list[list[Frame]]:
        """Return up to `count` runs of up to `length` frames on end, spread over the recording.

        As with `sample_frames`, numbers and times are for orientation only.
        """
        return self._runs(self.clip.n_frames, count, length)

    def _runs(self, n_frames: int, count: int, length: int) -> list[list[Frame]]:
        """Read runs out of so many frames by their numbers."""
        last = max(n_frames - length, 0)
        starts = sorted({round(place) for place in np.linspace(0, last, count)})
        found = self._read_wanted(frozenset(n for start in starts for n in range(start, start + length)))
        runs = [[found[n] for n in range(s, s + length) if n in found] for s in starts]
        return [run for run in runs if run]

    def read_frames(self, numbers: Iterable[int]) -> dict[int, Frame]:
        """Return single frames by number: exactly those that iterating yields under these numbers.

        Raises
        ------
        ClipError
            When the recording has no such frame.
        """
        wanted = frozenset(int(number) for number in numbers)
        found = self._read_wanted(wanted) if wanted else {}
        missing = sorted(wanted - found.keys())
        if missing:
            raise ClipError(f"{self.clip.path.name}: there is no frame {missing[0]}; frames count from 0.")
        return found

    def _read_wanted(self, wanted: frozenset[int]) -> dict[int, Frame]:
        return {frame.number: frame for frame in self.decode(wanted=wanted)}


def _shared_px(one: tuple[int, int, int, int], other: tuple[int, int, int, int]) -> int:
    """Count the pixels that two boxes share."""
    sides = [
        min(one[axis] + one[axis + 2], other[axis] + other[axis + 2]) - max(one[axis], other[axis])
        for axis in (0, 1)
    ]
    return max(sides[0], 0) * max(sides[1], 0)


def _put(
    waiting: queue.Queue[Frame | BaseException | None],
    item: Frame | BaseException | None,
    stop: threading.Event,
) -> bool:
    """Queue an item, giving up as soon as the reader has stopped; tell whether it was queued."""
    while not stop.is_set():
        try:
            waiting.put(item, timeout=0.05)
            return True
        except queue.Full:
            continue
    return False


def _shrunk(colour: ColourImage) -> ColourImage:
    height, width = colour.shape[:2]
    share = min(_COLOUR_SIDE_PX / max(height, width), 1.0)
    size = max(round(width * share), 1), max(round(height * share), 1)
    return np.asarray(cv2.resize(colour, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def grey_from_bgr(image: ColourImage) -> GreyImage:
    """Turn a decoded picture, (h, w) or (h, w, 3) blue-green-red, into luma, read-only.

    Luma Y' = 0.299 R + 0.587 G + 0.114 B (ITU-R BT.601). Grey and tinted maps come out in order of
    brightness.
    """
    grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY) if image.ndim == 3 else image
    grey.setflags(write=False)
    return np.asarray(grey, dtype=np.uint8)
