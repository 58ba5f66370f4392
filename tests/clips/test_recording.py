"""Files of one recording: they stop before the disk is full, go on later, and hold one size each."""

import pytest

from needlecoach.clips import recording as room
from needlecoach.clips.coder import Coder
from needlecoach.clips.recording import PartsWriter, Room
from needlecoach.errors import OutputError
from tests.clips.camera_pictures import SIZE, captured, numbers_of

LEAST = 500_000_000


class Disk:
    """A disk of which a test says how much is free."""

    def __init__(self, free: int = 10 * LEAST) -> None:
        self.free = free

    def __call__(self, folder) -> int:
        return self.free


@pytest.fixture
def disk(monkeypatch):
    monkeypatch.setattr(room, "_CHECK_S", 0.0)
    return Disk()


class Feed:
    """Codes pictures and hands them to a writer."""

    def __init__(self, writer: PartsWriter) -> None:
        self.writer, self.coders, self.next = writer, {}, 0

    def __call__(self, count: int, size=SIZE) -> None:
        coder = self.coders.setdefault(size, Coder(size))
        for one in captured(count, first=self.next, size=size):
            self.writer.take_all(coder.encode(one.pixels, round(1000 * one.time_s)))
        self.next += count


def test_recording_stops_before_the_disk_is_full_and_goes_on_in_a_new_file(tmp_path, disk):
    writer = PartsWriter(tmp_path / "L01.mkv", Room(LEAST, disk))
    feed = Feed(writer)
    feed(10)
    disk.free = LEAST - 1
    feed(5)
    assert writer.trouble == "full"
    assert "500 MB free" in writer.words
    assert "500 MB are left alone" in writer.words
    assert numbers_of(tmp_path / "L01.mkv") == list(range(10))  # ended properly, while recording has not
    disk.free = LEAST + 1
    feed(5)
    assert writer.trouble == "full"  # so little more would be gone at once
    disk.free = 2 * LEAST
    feed(35)
    writer.finish()
    assert (writer.trouble, writer.words) == ("", "")
    assert [part.path.name for part in writer.parts] == ["L01.mkv", "L01-2.mkv"]
    numbers = numbers_of(tmp_path / "L01-2.mkv")
    assert numbers == list(range(numbers[0], 55))
    assert numbers[0] <= 21  # a key picture is asked for at once


def test_a_disk_that_is_full_from_the_start_leaves_no_file(tmp_path, disk):
    disk.free = 0
    writer = PartsWriter(tmp_path / "L01.mkv", Room(LEAST, disk))
    assert writer.trouble == "full"
    Feed(writer)(5)
    writer.finish()
    assert list(tmp_path.iterdir()) == []


def test_free_room_is_asked_for_a_few_times_a_second_only(tmp_path):
    asked = []
    writer = PartsWriter(tmp_path / "L01.mkv", Room(LEAST, lambda folder: asked.append(folder) or 2 * LEAST))
    Feed(writer)(20)
    writer.finish()
    assert 1 <= len(asked) <= 5


def test_another_size_begins_another_file(tmp_path, disk):
    writer = PartsWriter(tmp_path / "L01.mkv", Room(LEAST, disk))
    feed = Feed(writer)
    (tmp_path / "L01-2.mkv").write_text("mine")
    feed(10)
    feed(10, (96, 81))
    writer.finish()
    assert numbers_of(tmp_path / "L01.mkv") == list(range(10))
    assert [part.path.name for part in writer.parts] == ["L01.mkv", "L01-3.mkv"]
    assert (tmp_path / "L01-2.mkv").read_text() == "mine"
    assert writer.parts[1].n_frames == 10


def test_a_write_that_fails_is_told_and_tried_again(tmp_path, disk, monkeypatch):
    monkeypatch.setattr(room, "_AGAIN_S", 0.0)
    writer = PartsWriter(tmp_path / "L01.mkv", Room(LEAST, disk))
    feed = Feed(writer)
    feed(5)

    def fail(coded):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writer.parts[0], "write", fail)
    coder = feed.coders[SIZE]
    one = next(captured(1, first=5))
    writer.take_all(coder.encode(one.pixels, 167))
    assert writer.trouble == "failed"
    assert "No space left on device" in writer.words
    feed.next = 6
    feed(5)
    writer.finish()
    assert writer.trouble == ""
    assert numbers_of(tmp_path / "L01.mkv") == list(range(5))
    assert numbers_of(tmp_path / "L01-2.mkv")[-1] == 10


def test_what_is_dropped_leaves_nothing(tmp_path, disk):
    writer = PartsWriter(tmp_path / "L01.mkv", Room(LEAST, disk))
    Feed(writer)(5)
    writer.discard()
    assert list(tmp_path.iterdir()) == []


def test_a_name_that_is_taken_and_a_folder_that_is_missing_are_refused(tmp_path, disk):
    (tmp_path / "L01.mkv").touch()
    with pytest.raises(OutputError, match="replace nothing"):
        PartsWriter(tmp_path / "L01.mkv", Room(LEAST, disk))
    with pytest.raises(OutputError, match="no folder"):
        PartsWriter(tmp_path / "no" / "L01.mkv", Room(LEAST, disk))
