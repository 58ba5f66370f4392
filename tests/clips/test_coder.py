"""Pictures coded while they come: what comes out is what went in, at its own time, from a key picture on."""

import os

import numpy as np
import pytest

from needlecoach.clips import open_clip
from needlecoach.clips.coder import KEY_MS, Coder, MatroskaPart
from needlecoach.clips.reader import grey_from_bgr
from tests.clips.camera_pictures import SIZE, captured, numbers_of
from tests.streams import moving_square


def coded(count: int = 60, *, step_ms: int = 33, size: tuple[int, int] = SIZE, start_ms: int = 0):
    coder = Coder(size)
    frames = captured(count, size=size)
    return [
        one for k, frame in enumerate(frames) for one in coder.encode(frame.pixels, start_ms + k * step_ms)
    ]


def write(path, pictures):
    part = MatroskaPart(path, pictures[0])
    for one in pictures:
        part.write(one)
    return part


def test_every_picture_comes_out_at_once_and_key_pictures_by_time():
    coder = Coder(SIZE)
    times_ms = [0, 10, 500, 899, 900, 1000, 5000, 5001]
    out = [coder.encode(frame.pixels, ms) for frame, ms in zip(captured(8), times_ms, strict=True)]
    assert [len(one) for one in out] == [1] * 8
    assert [one[0].time_ms for one in out] == times_ms
    assert [one[0].is_key for one in out] == [ms in {0, 900, 5000} for ms in times_ms]
    assert KEY_MS < 1000


def test_a_key_picture_comes_when_asked_for():
    coder = Coder(SIZE)
    first, second, third = captured(3)
    coder.encode(first.pixels, 0)
    assert not coder.encode(second.pixels, 33)[0].is_key
    coder.ask_for_key()
    assert coder.encode(third.pixels, 66)[0].is_key


def test_times_that_do_not_rise_are_moved_on_by_a_millisecond():
    coder = Coder(SIZE)
    times = [
        coder.encode(one.pixels, ms)[0].time_ms for one, ms in zip(captured(4), (5, 5, 3, 9), strict=True)
    ]
    assert times == [5, 6, 7, 9]


def test_a_file_holds_the_pictures_at_their_times_and_in_their_greys(tmp_path):
    pictures = coded(40, step_ms=41, start_ms=7000)
    part = write(tmp_path / "L01.mkv", pictures)
    part.close()
    assert (part.n_frames, part.first_ms, part.last_ms) == (40, 7000, 7000 + 39 * 41)
    assert numbers_of(part.path) == list(range(40))
    with open_clip(part.path) as clip:
        frames = list(clip)
        assert [round(1000 * frame.time_s) for frame in frames] == [41 * k for k in range(40)]
        assert clip.notes == []
        drawn = grey_from_bgr(moving_square(12, SIZE)[39 % 12])[10:].astype(float)
        difference = frames[39].pixels[10:].astype(float) - drawn
    # Two levels: what limited range and coding at this quality leave; no shift of the whole.
    assert np.abs(difference).mean() < 2
    assert abs(difference.mean()) < 0.5


@pytest.mark.parametrize("size", [(161, 121), (160, 121), (17, 16)])
def test_odd_sides_are_made_even_by_repeating_the_last_line(tmp_path, size):
    coder = Coder(size)
    picture = np.full((size[1], size[0], 3), 40, np.uint8)
    picture[-1:], picture[:, -1:] = 200, 200
    part = write(tmp_path / "L01.mkv", coder.encode(picture, 0))
    part.close()
    with open_clip(part.path) as clip:
        frame = next(iter(clip)).pixels
    assert frame.shape == (size[1] + size[1] % 2, size[0] + size[0] % 2)
    assert frame[-1].mean() == pytest.approx(200, abs=15)


def test_what_is_written_is_on_its_way_to_the_disk_within_a_fraction_of_a_second(tmp_path):
    pictures = coded(60)
    part = write(tmp_path / "L01.mkv", pictures)
    half_done = tmp_path / "copy.mkv"
    half_done.write_bytes(part.path.read_bytes())  # as it would be left by a killed process
    part.close()
    numbers = numbers_of(half_done)
    assert numbers == list(range(len(numbers)))
    assert len(numbers) >= 60 - 6  # 0.2 s


def test_a_file_that_is_there_is_not_replaced(tmp_path):
    path = tmp_path / "L01.mkv"
    path.write_text("mine")
    with pytest.raises(FileExistsError):
        MatroskaPart(path, coded(1)[0])
    assert path.read_text() == "mine"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="the system has no disk that is always full")
def test_closing_on_a_full_disk_is_quiet(tmp_path, monkeypatch):
    part = write(tmp_path / "L01.mkv", coded(2))
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, part._file.fileno())
    os.close(full)
    part.close()
    assert part._file.closed
