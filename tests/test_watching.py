"""A watched folder, by a clock of the test's own: told once saved, told again when changed."""

import pytest

from needlecoach.errors import NeedlecoachError
from needlecoach.watching import WatchedFolder


class Clock:
    def __init__(self):
        self.now_s = 0.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


def names(paths):
    return [path.name for path in paths]


def test_a_file_is_told_once_it_has_stopped_growing(tmp_path, clock):
    (tmp_path / "before.mp4").write_bytes(b"old")
    folder = WatchedFolder(tmp_path, clock=clock, settled_s=1.5)
    path = tmp_path / "new.mp4"
    told = []
    for second in range(5):  # grows for five seconds
        path.write_bytes(b"x" * (second + 1))
        clock.now_s = float(second)
        told += folder.saved()
    assert told == []
    clock.now_s = 5.4
    assert folder.saved() == []
    clock.now_s = 5.6
    assert names(folder.saved()) == ["new.mp4"]
    clock.now_s = 60.0
    assert folder.saved() == []


def test_a_changed_file_is_told_again(tmp_path, clock):
    folder = WatchedFolder(tmp_path, clock=clock, settled_s=1.0)
    for seconds, content in ((0.0, b"a"), (10.0, b"ab")):
        (tmp_path / "one.mp4").write_bytes(content)
        clock.now_s = seconds
        assert folder.saved() == []
        clock.now_s = seconds + 1.1
        assert names(folder.saved()) == ["one.mp4"]


def test_empty_hidden_and_other_files_are_not_told(tmp_path, clock):
    folder = WatchedFolder(tmp_path, clock=clock, settled_s=1.0)
    for name in (".x.mp4", "x.marks.json", "x.mp4.part", "x.tmp", "~x.mp4"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "empty.mp4").write_bytes(b"")
    (tmp_path / "folder").mkdir()
    (tmp_path / "b.MP4").write_bytes(b"x")
    (tmp_path / "a.dcm").write_bytes(b"x")
    folder.saved()
    clock.now_s = 2.0
    assert names(folder.saved()) == ["a.dcm", "b.MP4"]


def test_a_folder_that_is_away_for_a_while_tells_nothing(tmp_path, clock):
    place = tmp_path / "saved"
    place.mkdir()
    (place / "old.mp4").write_bytes(b"x")
    folder = WatchedFolder(place, clock=clock, settled_s=1.0)
    place.rename(tmp_path / "away")
    assert folder.saved() == []
    (tmp_path / "away").rename(place)
    clock.now_s = 5.0
    assert folder.saved() == []
    clock.now_s = 9.0
    assert folder.saved() == []


def test_no_folder_is_told(tmp_path):
    with pytest.raises(NeedlecoachError, match="no such folder"):
        WatchedFolder(tmp_path / "none")
