"""The video reader against OpenCV's reader, and against luma written into the file as numbers."""

from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from needlecoach.clips import open_clip

SIZE = (96, 64)


def drawn(count: int) -> list[np.ndarray]:
    """A grey texture that glides over two pixels a frame and grows lighter."""
    wide = cv2.GaussianBlur(np.random.default_rng(5).normal(size=(64, 96 + 2 * count)), (0, 0), 3.0)
    grey = np.clip(100 + 400 * wide, 0, 200)
    return [(grey[:, 2 * k :][:, :96] + k).astype(np.uint8) for k in range(count)]


def write(path: Path, *, codec: str, stamps: list[int], options: dict[str, str]) -> None:
    """Write the drawn pictures with stamps in hundredths of a second."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=25, options=options)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 100)
        for stamp, pixels in zip(stamps, drawn(len(stamps)), strict=True):
            picture = av.VideoFrame.from_ndarray(pixels, format="gray8")
            picture.pts, picture.time_base = stamp, Fraction(1, 100)
            container.mux(stream.encode(picture))
        container.mux(stream.encode())


def seen_by_opencv(path: Path) -> tuple[list[float], list[np.ndarray]]:
    capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    times_s, greys = [], []
    while capture.grab():
        times_s.append(capture.get(cv2.CAP_PROP_POS_MSEC) / 1000)
        greys.append(cv2.cvtColor(capture.retrieve()[1], cv2.COLOR_BGR2GRAY))
    return times_s, greys


@pytest.mark.parametrize(
    ("name", "codec", "options"),
    [
        ("a.mp4", "libx264", {"crf": "18", "bf": "3"}),
        ("a.mkv", "libx264", {"crf": "18", "bf": "0"}),
        ("a.ts", "libx264", {"crf": "18", "bf": "2"}),
        ("a.webm", "libvpx", {"crf": "8", "b": "2M"}),
        ("a.mov", "mpeg4", {"qscale": "2", "bf": "2"}),
        ("b.mp4", "libx265", {"x265-params": "log-level=none:bframes=3:crf=16"}),
    ],
)
@pytest.mark.parametrize("uneven", [False, True])
def test_agrees_with_opencv(
    tmp_path: Path, name: str, codec: str, options: dict[str, str], uneven: bool
) -> None:
    steps = [4, 4, 10, 3, 25, 4] if uneven else [4]
    stamps = np.cumsum([0, *(steps[k % len(steps)] for k in range(39))]).tolist()
    write(tmp_path / name, codec=codec, stamps=stamps, options=options)
    times_s, greys = seen_by_opencv(tmp_path / name)
    with open_clip(tmp_path / name) as reader:
        frames = list(reader)
        assert (reader.repaired_stamps, reader.notes) == (0, [])
    assert len(frames) == len(greys) == 40
    assert [frame.time_s for frame in frames] == pytest.approx(times_s, abs=1e-3)
    assert [frame.time_s for frame in frames] == pytest.approx(np.array(stamps) / 100, abs=1e-3)
    for frame, grey in zip(frames, greys, strict=True):
        # OpenCV goes through blue-green-red and loses up to 2 levels there, always downwards.
        assert np.abs(frame.pixels.astype(int) - grey).max() <= 3
        assert np.abs(frame.pixels.astype(int) - grey).mean() < 2


def test_avi_with_shuffled_pictures_agrees_with_opencv(tmp_path: Path) -> None:
    # AVI holds no times of showing, only the order of decoding.
    write(
        tmp_path / "a.avi",
        codec="libx264",
        stamps=list(range(0, 160, 4)),
        options={"bf": "2", "b_strategy": "0"},
    )
    times_s, _ = seen_by_opencv(tmp_path / "a.avi")
    with open_clip(tmp_path / "a.avi") as reader:
        got_s = [frame.time_s for frame in reader]
    # The last ones, left in the decoder at the file's end, have no time with either.
    assert got_s[:-3] == pytest.approx(times_s[:-3], abs=1e-3)


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turned_upright_like_opencv(tmp_path: Path, quarters: int) -> None:
    write(tmp_path / "plain.mp4", codec="libx264", stamps=[0, 4, 8], options={"crf": "5"})
    # The track header's matrix turns the picture (ISO/IEC 14496-12, section 8.3.2): a b u c d v, 16.16 bits.
    one = 1 << 16
    turns = {1: (0, one, 0, -one, 0, 0), 2: (-one, 0, 0, 0, -one, 0), 3: (0, -one, 0, one, 0, 0)}
    plain = (tmp_path / "plain.mp4").read_bytes()
    before, after = (
        b"".join(n.to_bytes(4, "big", signed=True) for n in turn)
        for turn in ((one, 0, 0, 0, one, 0), turns[quarters])
    )
    at = plain.index(before, plain.index(b"tkhd"))
    path = tmp_path / "turned.mp4"
    path.write_bytes(plain[:at] + after + plain[at + len(before) :])
    want = seen_by_opencv(path)[1][0]
    with open_clip(path) as reader:
        got = next(iter(reader)).pixels
        colour = reader.sample_colour(1)[0]
        assert (reader.clip.width_px, reader.clip.height_px) == want.shape[::-1]
    assert np.abs(got.astype(int) - want).max() <= 3
    assert np.abs(got.astype(int) - np.rot90(drawn(3)[0], -quarters)).max() < 12
    assert colour.shape[:2] == want.shape


def write_luma(path: Path, luma: np.ndarray, *, codec: str, layout: str, told: int | None) -> None:
    """Write two pictures whose first plane holds these numbers, the other planes being neutral."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=25, options={"qscale": "1"} if codec == "mjpeg" else {})
        stream.width, stream.height, stream.pix_fmt = *SIZE, layout
        if told is not None:
            stream.codec_context.color_range = told
        picture = av.VideoFrame(*SIZE, layout)
        bits = picture.format.components[0].bits
        for place, plane in enumerate(picture.planes):
            kind = np.uint8 if bits == 8 else np.dtype("<u2")
            rows = np.frombuffer(plane, kind).reshape(plane.height, -1)
            rows[:] = 1 << (bits - 1)
            if place == 0:
                rows[:, : SIZE[0]] = luma
        for stamp in range(2):
            picture.pts = stamp
            container.mux(stream.encode(picture))
        container.mux(stream.encode())


# ITU-R BT.601-7, section 2.5.3: black at 16 and white at 235 with 8 bits, four times that with 10. Full range
# uses all numbers: told in the file, or the rule as for grey and for JPEG (JFIF 1.02).
@pytest.mark.parametrize(
    ("codec", "layout", "told", "black", "white"),
    [
        ("ffv1", "yuv420p", None, 16, 235),
        ("ffv1", "yuv422p", 1, 16, 235),
        ("ffv1", "yuv444p", 2, 0, 255),
        ("ffv1", "yuva420p", None, 16, 235),
        ("ffv1", "gray", None, 0, 255),
        ("ffv1", "yuv420p10le", None, 64, 940),
        ("ffv1", "yuv420p10le", 2, 0, 1023),
        ("ffv1", "gray16le", None, 0, 65535),
        ("mjpeg", "yuvj420p", None, 0, 255),
    ],
)
def test_luma_is_that_of_the_file(
    tmp_path: Path, codec: str, layout: str, told: int | None, black: int, white: int
) -> None:
    top = {"gray16le": 65535, "yuv420p10le": 1023}.get(layout, 255)
    luma = np.tile(np.linspace(0, top, SIZE[0]).round().astype(int), (SIZE[1], 1))
    write_luma(tmp_path / "a.mkv", luma, codec=codec, layout=layout, told=told)
    want = np.clip((luma - black) * 255 / (white - black), 0, 255)
    with open_clip(tmp_path / "a.mkv") as reader:
        got = next(iter(reader)).pixels
    # Rounding takes half a level where luma is taken as it is; FFmpeg's scaler and JPEG a little more.
    assert np.abs(got - want).max() <= (0.51 if top == 255 and codec == "ffv1" else 1.1)
