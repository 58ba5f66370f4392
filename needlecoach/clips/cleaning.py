"""A copy of a recording that holds its ultrasound picture and nothing else: black around it, no tags."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from av.bitstream import BitStreamFilterContext
from av.codec.context import Flags
from av.container import OutputContainer
from av.video.reformatter import ColorRange, Colorspace

from needlecoach.clips.decoding import grey_of, is_full_range
from needlecoach.clips.images import ImagesReader
from needlecoach.clips.reader import ClipReader
from needlecoach.clips.video import VideoReader
from needlecoach.errors import OutputError
from needlecoach.model import BoolArray, Region

Progress = Callable[[int, int], None]

# Fine enough that scoring finds the same; no frame builds on later ones, so times stay plain.
_ENCODER = {"crf": "15", "preset": "veryfast", "rc-lookahead": "10", "bf": "0"}
# A clock that holds any recorder's steps to a hundredth of a millisecond.
_CLOCK = Fraction(1, 90_000)
# The encoder's note of itself travels as supplemental information, unit 6 (ITU-T H.264, table 7-1).
_WITHOUT_REMARKS = "filter_units=remove_types=6"
_ENDINGS = {"video": ".mp4", "images": "", "dicom": ".dcm"}
# No colour, and the two blacks and matrices that files tell by number (ITU-T H.273, tables 3 and 4).
_NEUTRAL, _LIMITED_BLACK = 128, 16
_RGB, _BT601 = 0, 6


def write_clean(reader: ClipReader, out: Path, region: Region, progress: Progress | None = None) -> None:
    """Write a copy of an open recording with everything outside the region black.

    A video becomes H.264 in an mp4 file: frames, their times and their places in px are kept, an odd side
    gets one black row or column more; there is no sound, no further stream and no tag. Images become PNG
    files of the same names in a new folder, at their own depth. For DICOM see `dicom_clean`.

    Parameters
    ----------
    out : path of the copy; there must be nothing yet
    progress : called with frames done and frames in all

    Raises
    ------
    OutputError
        When there is something at `out`, it has the wrong ending, or it can't be written.
    ClipError
        When the recording can't be read to its end.
    """
    check_free(reader.clip.path, out, ending=_ENDINGS[reader.clip.kind])
    with appearing(out) as partial:
        if isinstance(reader, VideoReader):
            _write_video(reader, partial, region, progress)
        elif isinstance(reader, ImagesReader):
            _write_images(reader, partial, region, progress)
        else:
            # Imported here: the tool starts faster without it.
            from needlecoach.clips.dicom_clean import clean_dicom

            clean_dicom(reader.clip.path, partial, region, progress=progress)


def check_free(clip: Path, out: Path, *, ending: str) -> None:
    """Refuse a place for a copy that is taken, is the recording's own, or has another ending.

    Raises
    ------
    OutputError
        One line that says which.
    """
    if os.path.realpath(out) == os.path.realpath(clip):
        raise OutputError(f"{out} is the recording itself; give the copy another name.")
    if os.path.lexists(out):
        raise OutputError(f"{out} exists already; give the copy another name.")
    if not out.absolute().parent.is_dir():
        raise OutputError(f"{out.parent} is no folder; make it first, or give another place.")
    if not ending and out.suffix and out.suffix.lower() in _ENDINGS.values():
        raise OutputError(f"{out}: the copy of a folder is a folder; give it a name without {out.suffix}.")
    if ending and out.suffix.lower() != ending:
        raise OutputError(
            f"{out}: the copy of this recording has the ending {ending}; let its name end in {ending}."
        )


@contextmanager
def appearing(out: Path) -> Iterator[Path]:
    """Give a path beside `out` to write to; moved to `out` at the end, gone if anything goes wrong.

    Raises
    ------
    OutputError
        When the system or the encoder refuses to write.
    """
    partial = out.absolute().with_name(f".{out.name[:40]}.{secrets.token_hex(4)}.partial")
    try:
        yield partial
        if os.path.lexists(out):
            raise OutputError(f"{out} came into being meanwhile; give the copy another name.")
        os.rename(partial, out)
    except (OSError, av.FFmpegError) as problem:
        reason = getattr(problem, "strerror", None) or str(problem)
        raise OutputError(f"{out} can't be written ({reason}); make room or give another place.") from problem
    finally:
        if partial.is_dir():
            shutil.rmtree(partial, ignore_errors=True)
        else:
            partial.unlink(missing_ok=True)


def _write_video(reader: VideoReader, path: Path, region: Region, progress: Progress | None) -> None:
    clip = reader.clip
    cover = _Cover(region, clip.width_px, clip.height_px)
    with av.open(str(path), "w", format="mp4", options={"fflags": "+bitexact"}) as container:
        stream = container.add_stream("libx264", rate=_rate(clip.nominal_fps), options=dict(_ENCODER))
        stream.width, stream.height = cover.even_size_px
        stream.pix_fmt = "yuv420p"
        stream.codec_context.flags |= int(Flags.bitexact)
        stream.time_base = stream.codec_context.time_base = _CLOCK
        strip, last = None, -1
        for done, (time_s, picture) in enumerate(reader.pictures(), start=1):
            if strip is None:
                _keep_colours(stream.codec_context, picture)
                strip = BitStreamFilterContext(_WITHOUT_REMARKS, stream)
            covered = cover.of_video(picture)
            last = max(round(time_s / _CLOCK), last + 1)
            covered.pts, covered.time_base = last, _CLOCK
            _mux(container, strip, stream.encode(covered))
            if progress is not None:
                progress(done, clip.n_frames)
        if strip is not None:
            _mux(container, strip, [*stream.encode(), None])


def _rate(fps: float) -> Fraction:
    """Nominal rate for the encoder; what a frame is shown at is said by its stamp."""
    return Fraction(min(max(fps, 1.0), 1000.0) if fps else 25.0).limit_denominator(1001)


def _keep_colours(context: av.VideoCodecContext, picture: av.VideoFrame) -> None:
    """Tell in the copy how its numbers mean colours, as the recording does."""
    context.color_range = ColorRange.JPEG if is_full_range(picture) else ColorRange.MPEG
    context.colorspace = _BT601 if picture.colorspace == _RGB else picture.colorspace
    context.color_primaries, context.color_trc = picture.color_primaries, picture.color_trc


def _mux(
    container: OutputContainer,
    strip: BitStreamFilterContext,
    packets: Iterable[av.Packet[av.VideoStream] | None],
) -> None:
    """Write packets without the encoder's remarks; None stands for the end."""
    for packet in packets:
        for bare in strip.filter(packet):
            container.mux(bare)


def _write_images(reader: ImagesReader, folder: Path, region: Region, progress: Progress | None) -> None:
    cover = _Cover(region, reader.clip.width_px, reader.clip.height_px)
    folder.mkdir()
    for done, file in enumerate(reader.files, start=1):
        image = reader.full_depth(file)
        image[~cover.inside] = 0
        encoded, data = cv2.imencode(".png", image)
        if not encoded:
            raise OutputError(f"{file.name} can't be written as PNG; save it as an 8- or 16-bit image.")
        (folder / f"{file.stem}.png").write_bytes(data.tobytes())
        if progress is not None:
            progress(done, reader.clip.n_frames)


class _Cover:
    """Blackens what lies outside the region in pictures of one size."""

    def __init__(self, region: Region, width_px: int, height_px: int) -> None:
        self.inside: BoolArray = region.mask(height_px, width_px)
        self._outside: dict[int, tuple[BoolArray, BoolArray, BoolArray]] = {}
        self.even_size_px = (width_px + width_px % 2, height_px + height_px % 2)

    def of_video(self, picture: av.VideoFrame) -> av.VideoFrame:
        """Upright copy of a decoded picture as yuv420p, black outside, with even sides."""
        quarters = round(picture.rotation / 90)
        black = 0 if is_full_range(picture) else _LIMITED_BLACK
        planes = [np.array(plane) for plane in _planes(picture)]
        for plane, outside, nothing in zip(
            planes, self._outside_of(quarters), (black, _NEUTRAL, _NEUTRAL), strict=True
        ):
            plane[outside] = nothing
        width, height = self.even_size_px
        turned = [np.rot90(plane, quarters) for plane in planes]
        turned[0] = np.pad(
            turned[0],
            ((0, height - turned[0].shape[0]), (0, width - turned[0].shape[1])),
            constant_values=black,
        )
        numbers = np.concatenate([plane.ravel() for plane in turned]).astype(np.uint8)
        return av.VideoFrame.from_ndarray(numbers.reshape(-1, width), format="yuv420p")

    def _outside_of(self, quarters: int) -> tuple[BoolArray, BoolArray, BoolArray]:
        """What to blacken of Y', Cb and Cr as stored, when they are turned by so many quarters to be upright.

        A place of colour stands for four of brightness; where one of them is outside it says nothing.
        """
        if quarters not in self._outside:
            inside = np.rot90(self.inside, -quarters)
            quads = ~_whole_quads(inside)
            self._outside[quarters] = (~inside, quads, quads)
        return self._outside[quarters]


def _whole_quads(inside: BoolArray) -> BoolArray:
    """Tell of each 2 x 2 px whether all of them that exist are inside."""
    high, wide = inside.shape[0] % 2, inside.shape[1] % 2
    even = np.pad(inside, ((0, high), (0, wide)), mode="edge")
    return np.asarray(even.reshape(even.shape[0] // 2, 2, even.shape[1] // 2, 2).all(axis=(1, 3)))


def _planes(picture: av.VideoFrame) -> list[np.ndarray]:
    """Y', Cb and Cr as stored, uint8, colour at half the size; the range stays what it is."""
    height, width = picture.height, picture.width
    half = ((height + 1) // 2, (width + 1) // 2)
    if picture.format.name.startswith("gray"):
        turned_back = np.rot90(grey_of(picture), -round(picture.rotation / 90))
        return [turned_back, *(np.full(half, _NEUTRAL, np.uint8) for _ in range(2))]
    same = ColorRange.JPEG if is_full_range(picture) else ColorRange.MPEG
    matrix = Colorspace.ITU601 if picture.colorspace == _RGB else None
    flat = picture.reformat(
        format="yuv420p", src_color_range=same, dst_color_range=same, dst_colorspace=matrix
    )
    return [
        np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)[:rows, :columns]
        for plane, (rows, columns) in zip(flat.planes, ((height, width), half, half), strict=True)
    ]
