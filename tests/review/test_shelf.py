"""Frames are exact in any order, near ones are decoded ahead, and memory stays bounded."""

import threading
import time

import av
import cv2
import numpy as np
import pytest

from needlecoach.clips import open_clip
from needlecoach.errors import ClipError
from needlecoach.review import shelf as shelf_module
from needlecoach.review.shelf import CHUNK, Shelf

N, WIDTH, HEIGHT = 130, 64, 48


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    """Noise in MPEG-4 part 2, a key frame in 12 (FFmpeg's default): frames build on one another."""
    path = tmp_path_factory.mktemp("clips") / "L01.mp4"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), 25, (WIDTH, HEIGHT))
    rng = np.random.default_rng(5)
    for _ in range(N):
        small = rng.integers(0, 256, (6, 8), dtype=np.uint8)
        writer.write(cv2.cvtColor(cv2.resize(small, (WIDTH, HEIGHT)), cv2.COLOR_GRAY2BGR))
    writer.release()
    with av.open(str(path)) as container:
        keys = [packet.is_keyframe for packet in container.demux(video=0) if packet.size]
    assert 2 < sum(keys) < N / 4
    return path


@pytest.fixture(scope="module")
def truth(clip):
    with open_clip(clip) as reader:
        return [frame.pixels for frame in reader]


def opened(clip, frames):
    return Shelf(clip, most_bytes=frames * WIDTH * HEIGHT)


@pytest.mark.parametrize("room", [2 * CHUNK, 4 * CHUNK, 1000])
def test_frames_are_those_of_the_reader_in_any_order(clip, truth, room):
    numbers = [0, 1, 2, 129, 128, 127, 60, 59, 0, *np.random.default_rng(7).integers(0, N, 30)]
    shelf = opened(clip, room)
    try:
        for number in map(int, numbers):
            assert (shelf.frame(number) == truth[number]).all()
            png = cv2.imdecode(np.frombuffer(shelf.png(number), np.uint8), cv2.IMREAD_UNCHANGED)
            assert png.shape == (HEIGHT, WIDTH) and (png == truth[number]).all()
            assert len(shelf._frames) <= room + 1
    finally:
        shelf.close()


def settled(shelf):
    """Wait until nothing more is decoded."""
    shelf.wait_read_through()
    before = None
    while before != (now := sorted(shelf._frames)):
        before = now
        time.sleep(0.1)
    return set(now)


def test_neighbours_are_decoded_before_they_are_asked_for(clip):
    shelf = opened(clip, 3 * CHUNK)
    try:
        shelf.frame(N - 1)
        settled(shelf)
        shelf.frame(60)
        kept = settled(shelf)
        assert set(range(CHUNK, 4 * CHUNK)) <= kept  # one chunk to either side of 48..71
    finally:
        shelf.close()


def test_times_are_those_of_the_reader(clip):
    shelf = opened(clip, 1000)
    try:
        assert shelf.times_s == pytest.approx(np.arange(N) / 25)
        shelf.wait_read_through()
        assert shelf.times_s == pytest.approx(np.arange(N) / 25)
    finally:
        shelf.close()


@pytest.mark.parametrize("number", [-1, N, 10**9])
def test_a_frame_that_is_not_there(clip, number):
    shelf = opened(clip, 1000)
    try:
        with pytest.raises(ClipError, match=f"no frame {number}"):
            shelf.frame(number)
        assert shelf.frame(3).shape == (HEIGHT, WIDTH)
    finally:
        shelf.close()


def test_a_clip_that_goes_away_is_told_and_what_is_kept_stays(clip, tmp_path, monkeypatch):
    shelf = opened(clip, 2 * CHUNK)
    try:
        shelf.wait_read_through()
        monkeypatch.setattr(shelf._reader, "read_frames", lambda _: (_ for _ in ()).throw(OSError("gone")))
        far = 0 if 0 not in shelf._frames else N - 1
        with pytest.raises(ClipError, match=r"can't be read any more \(gone\)"):
            shelf.frame(far)
    finally:
        shelf.close()


def test_who_waits_is_let_go_when_it_closes(clip, monkeypatch):
    blocked = threading.Event()
    monkeypatch.setattr(shelf_module.Shelf, "_read_through", lambda self: blocked.wait(5))
    shelf, told = opened(clip, 1000), []

    def ask():
        try:
            shelf.frame(5)
        except ClipError as problem:
            told.append(str(problem))

    asking = threading.Thread(target=ask)
    asking.start()
    time.sleep(0.05)
    with shelf._changed:
        shelf._closed = True
        shelf._changed.notify_all()
    asking.join(2)
    blocked.set()
    shelf.close()
    assert told and "closing" in told[0]
