"""Grey values and time stamps against files whose contents are known from their making."""

import struct
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest

from needlecoach.clips import open_clip

# Luma of the pure primaries, 8 bits: 255 * (0.299, 0.587, 0.114), ITU-R BT.601-7, section 2.5.1.
BT601 = {"red": 76.245, "green": 149.685, "blue": 29.07, "yellow": 225.93, "white": 255.0, "black": 0.0}
BGR = {
    "red": (0, 0, 255),
    "green": (0, 255, 0),
    "blue": (255, 0, 0),
    "yellow": (0, 255, 255),
    "white": (255, 255, 255),
    "black": (0, 0, 0),
}
SIZE = (64, 48)
# What a box of ISO base media files holds that the sample table lies in (ISO/IEC 14496-12).
_PARENTS = {b"moov", b"trak", b"mdia", b"minf", b"stbl"}


def flat(bgr: tuple[int, int, int]) -> np.ndarray:
    return np.full((SIZE[1], SIZE[0], 3), bgr, np.uint8)


def write_video(path: Path, frames: list[np.ndarray], *, codec: str, fps: float = 25.0) -> Path:
    writer = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*codec), fps, SIZE)
    assert writer.isOpened()
    for frame in frames:
        writer.write(frame)
    writer.release()
    return path


def with_durations(mp4: bytes, factors: list[float]) -> tuple[bytes, list[float]]:
    """Give each picture of an mp4 its own duration: rewrites the table 'stts' (ISO/IEC 14496-12, 8.6.1.2).

    Returns the new file and the durations in seconds. `factors` (mean 1) multiply the usual duration. The
    index must come after the pictures, so that their places don't change.
    """
    at = mp4.index(b"stts") - 4
    count, _, delta = struct.unpack(">III", mp4[at + 12 : at + 24])
    assert count == 1
    timescale = struct.unpack(">I", mp4[mp4.index(b"mdhd") + 16 : mp4.index(b"mdhd") + 20])[0]
    deltas = [round(delta * factor) for factor in factors]
    table = struct.pack(">4sII", b"stts", 0, len(deltas)) + b"".join(struct.pack(">II", 1, d) for d in deltas)
    return _replace_box(mp4, at, struct.pack(">I", len(table) + 4) + table), [d / timescale for d in deltas]


def _replace_box(data: bytes, at: int, box: bytes) -> bytes:
    """Put `box` in the place of the one that begins at `at`, and widen every box around it."""
    old = int.from_bytes(data[at : at + 4], "big")
    out = bytearray(data[:at] + box + data[at + old :])
    start, end = 0, len(data)
    while start < end:
        length, kind = int.from_bytes(data[start : start + 4], "big"), data[start + 4 : start + 8]
        if start < at < start + length and kind in _PARENTS:
            out[start : start + 4] = (length + len(box) - old).to_bytes(4, "big")
            start, end = start + 8, start + length
        else:
            start += length
    return bytes(out)


@pytest.mark.parametrize("colour", list(BT601))
def test_primaries_become_bt601_luma(tmp_path: Path, colour: str) -> None:
    path = write_video(tmp_path / "flat.avi", [flat(BGR[colour])] * 2, codec="FFV1")
    cv2.imwrite(str(tmp_path / "1.png"), flat(BGR[colour]))
    for source in (path, tmp_path):
        with open_clip(source, fps=10.0) as reader:
            assert next(iter(reader)).pixels[20, 20] == pytest.approx(BT601[colour], abs=0.51)


def test_a_lossless_ramp_is_exact(tmp_path: Path) -> None:
    ramp = np.arange(256, dtype=np.uint8).repeat(12).reshape(SIZE[1], SIZE[0])
    path = write_video(tmp_path / "ramp.avi", [cv2.cvtColor(ramp, cv2.COLOR_GRAY2BGR)] * 2, codec="FFV1")
    with open_clip(path) as reader:
        assert np.array_equal(next(iter(reader)).pixels, ramp)


@pytest.mark.parametrize("grey", [0, 16, 60, 128, 200, 235, 255])
def test_limited_range_is_stretched_back(tmp_path: Path, grey: int) -> None:
    # mp4v stores luma in 16-235 (ITU-R BT.601); its coarse quantiser costs up to 3 levels, reading the stored
    # values without stretching would cost 16 at black and 20 at white.
    path = write_video(tmp_path / "flat.mp4", [flat((grey, grey, grey))] * 3, codec="mp4v")
    with open_clip(path) as reader:
        assert float(next(iter(reader)).pixels.mean()) == pytest.approx(grey, abs=3.5)


@pytest.mark.parametrize("fps", [10.0, 25.0, 29.97])
def test_constant_rate(tmp_path: Path, fps: float) -> None:
    path = write_video(tmp_path / "steady.mp4", [flat((9, 9, 9))] * 12, codec="mp4v", fps=fps)
    with open_clip(path) as reader:
        assert [frame.time_s for frame in reader] == pytest.approx(np.arange(12) / fps, abs=2e-3)


def test_variable_rate_is_honoured(tmp_path: Path) -> None:
    frames = [flat((20 * k, 20 * k, 20 * k)) for k in range(10)]
    plain = write_video(tmp_path / "plain.mp4", frames, codec="mp4v").read_bytes()
    changed, durations_s = with_durations(plain, [0.5, 0.5, 1, 3, 0.5, 0.5, 1, 2, 0.5, 0.5])
    path = tmp_path / "variable.mp4"
    path.write_bytes(changed)
    starts_s = np.cumsum([0.0, *durations_s])[:-1]
    with open_clip(path) as reader:
        got = list(reader)
        single = reader.read_frames([4])[4]
        assert reader.repaired_stamps == 0
    assert [frame.time_s for frame in got] == pytest.approx(starts_s, abs=5e-4)
    assert [float(frame.pixels.mean()) for frame in got] == pytest.approx(np.arange(10) * 20, abs=3)
    assert np.array_equal(single.pixels, got[4].pixels)
    assert single.time_s == got[4].time_s


def test_repeated_stamps_still_give_rising_times(tmp_path: Path) -> None:
    plain = write_video(tmp_path / "plain.mp4", [flat((9, 9, 9))] * 8, codec="mp4v").read_bytes()
    path = tmp_path / "repeated.mp4"
    path.write_bytes(with_durations(plain, [1, 1, 0, 2, 1, 1, 1, 1])[0])
    with open_clip(path) as reader:
        times_s = [frame.time_s for frame in reader]
    assert len(times_s) == 8
    assert all(later > earlier for earlier, later in pairwise(times_s))
    # The seven stamps that were sound keep their place to a time unit.
    assert np.delete(times_s, 3) == pytest.approx([0, 0.04, 0.08, 0.16, 0.2, 0.24, 0.28], abs=1e-3)
