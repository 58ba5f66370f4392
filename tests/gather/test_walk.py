"""Results are found wherever they lie, each once, and no link leads astray."""

import errno
import os

import pytest

from needlecoach.errors import CohortError
from needlecoach.gather import walk
from needlecoach.gather.walk import DEEPEST, find


def result(folder):
    folder.mkdir(parents=True)
    (folder / "run.json").write_text("{}")
    return folder


def test_results_folders_are_found_down_to_the_depth_that_is_promised(tmp_path):
    places = [result(tmp_path / "/".join("abcdef"[:depth]) / "r") for depth in range(6)]
    assert DEEPEST == 4
    assert set(find([tmp_path]).folders) == set(places[:4])


def test_a_results_folder_itself_and_a_table_within_it_are_the_same(tmp_path):
    folder = result(tmp_path / "r")
    (folder / "attempts.csv").write_text("")
    assert find([folder]).folders == (folder,)
    assert find([folder / "attempts.csv", folder]) == find([folder])


def test_what_is_reached_twice_is_found_once(tmp_path):
    folder = result(tmp_path / "r")
    (tmp_path / "again").symlink_to(folder)
    table = tmp_path / "all.csv"
    table.write_text("")
    found = find([tmp_path, folder, table, table])
    assert (len(found.folders), found.tables) == (1, (table,))


def test_links_that_lead_in_a_ring_end(tmp_path):
    result(tmp_path / "a" / "r")
    for name in "bcdefghij":
        (tmp_path / "a" / name).symlink_to(tmp_path)
    (tmp_path / "itself").symlink_to(tmp_path / "itself")
    assert len(find([tmp_path]).folders) == 1


def test_what_is_being_written_is_passed_over(tmp_path):
    result(tmp_path / ".r.partial")
    assert find([tmp_path]).folders == ()


def test_a_name_that_is_not_there_is_told(tmp_path):
    with pytest.raises(CohortError, match=r"none: there is no such file or folder; check the name\.$"):
        find([tmp_path / "none"])


def test_a_record_that_is_no_file_is_told(tmp_path):
    for name, make in (("a", os.mkfifo), ("b", os.mkdir)):
        (tmp_path / name).mkdir()
        make(tmp_path / name / "run.json")
    good = result(tmp_path / "c")
    found = find([tmp_path])
    assert (found.folders, found.barred) == ((good,), (tmp_path / "a", tmp_path / "b"))


@pytest.mark.parametrize("name", ["/dev/zero", "pipe"])
def test_what_may_never_end_is_not_read(tmp_path, name):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(CohortError, match="is no file and no folder; give results folders"):
        find([tmp_path / name])


@pytest.mark.skipif(os.geteuid() == 0, reason="root may look into everything")
def test_a_barred_folder_is_told(tmp_path):
    barred = tmp_path / "barred"
    barred.mkdir(mode=0)
    assert find([tmp_path]).barred == (barred,)


@pytest.fixture
def many(tmp_path):
    """More folders than are looked at one by one, and some that hold no results."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "r007").mkdir()
    os.mkfifo(tmp_path / "r007" / "run.json")  # whoever opens it would wait for ever
    return tmp_path, [result(tmp_path / f"r{n:03d}") for n in range(120) if n != 7]


def test_each_of_many_folders_is_handed_on_in_the_order_of_its_name(many):
    place, folders = many
    taken = []
    assert find([place], taken.append).folders == tuple(folders)
    assert taken == folders


def test_files_that_are_not_in_memory_are_asked_for_before_they_are_read(many, monkeypatch):
    place, folders = many
    asked = set()
    monkeypatch.setattr(walk, "_is_in_memory", lambda path: False)
    monkeypatch.setattr(walk, "_bring", lambda opened: asked.add(os.fstat(opened).st_ino))

    def take(folder):
        assert (folder / "run.json").stat().st_ino in asked

    assert find([place], take).folders == tuple(folders)


def test_files_in_memory_are_not_asked_for_again(many, monkeypatch):
    place, folders = many
    monkeypatch.setattr(walk, "_is_in_memory", lambda path: True)
    monkeypatch.setattr(walk, "_bring", lambda opened: pytest.fail("asked for again"))
    assert find([place]).folders == tuple(folders)


@pytest.mark.skipif(not hasattr(os, "RWF_NOWAIT"), reason="the system does not tell")
def test_a_file_that_would_be_waited_for_is_not_in_memory(tmp_path, monkeypatch):
    file = tmp_path / "file"
    file.write_bytes(b"content")

    def read(opened, buffers, offset, flags):
        assert flags == os.RWF_NOWAIT  # preadv(2): EAGAIN if it could not be read without waiting
        raise BlockingIOError(errno.EAGAIN, "would wait")

    monkeypatch.setattr(walk.os, "preadv", read)
    assert not walk._is_in_memory(str(file))
    monkeypatch.setattr(walk.os, "preadv", lambda *given: 1)
    assert walk._is_in_memory(str(file))
    assert not walk._is_in_memory(str(tmp_path / "none"))
