"""The demonstration's folder appears whole or not at all, and takes no place that is someone's."""

import json

import pytest

from needlecoach.demo.folder import built_whole
from needlecoach.errors import OutputError


def make(final, text="invented"):
    with built_whole(final) as folder:
        (folder / "results").mkdir()
        (folder / "results" / "one.txt").write_text(text)


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_it_is_there_whole_with_its_list(tmp_path):
    make(tmp_path / "reports" / "demo")
    assert names(tmp_path / "reports") == ["demo"]
    assert names(tmp_path / "reports" / "demo") == ["demo.json", "results"]
    record = json.loads((tmp_path / "reports" / "demo" / "demo.json").read_text())
    assert record["invented"] is True and "nvented" in record["about"]
    assert list(record["files"]) == ["results/one.txt"]


def test_others_may_look_into_it(tmp_path):
    (tmp_path / "plain").mkdir()
    make(tmp_path / "demo")
    assert (tmp_path / "demo").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_a_former_one_is_replaced(tmp_path):
    make(tmp_path / "demo", "former")
    make(tmp_path / "demo", "new")
    assert (tmp_path / "demo" / "results" / "one.txt").read_text() == "new"
    assert names(tmp_path) == ["demo"]


@pytest.mark.parametrize("stop", [KeyboardInterrupt, ValueError, OSError("no room")])
def test_nothing_half_is_left_and_the_former_one_stays(tmp_path, stop):
    make(tmp_path / "demo", "former")
    with pytest.raises((KeyboardInterrupt, ValueError, OutputError)):  # noqa: SIM117
        with built_whole(tmp_path / "demo") as folder:
            (folder / "half.txt").write_text("half")
            raise stop
    assert names(tmp_path) == ["demo"]
    assert (tmp_path / "demo" / "results" / "one.txt").read_text() == "former"


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda demo: (demo / "recordings.corrections.json").write_text("{}"), "recordings.corrections.json"),
        (lambda demo: (demo / "results" / "one.txt").write_text("changed by hand"), "results/one.txt"),
        (lambda demo: (demo / "demo.json").write_text("{"), "no demonstration of ours"),
        (lambda demo: (demo / "demo.json").unlink(), "no demonstration of ours"),
    ],
)
def test_what_someone_changed_is_not_overwritten(tmp_path, change, named):
    demo = tmp_path / "demo"
    make(demo)
    change(demo)
    before = {path: path.read_bytes() for path in demo.rglob("*") if path.is_file()}
    with pytest.raises(OutputError, match=named):
        make(demo, "new")
    assert {path: path.read_bytes() for path in demo.rglob("*") if path.is_file()} == before
    assert names(tmp_path) == ["demo"]


def test_a_change_while_it_is_made_is_seen_too(tmp_path):
    make(tmp_path / "demo")
    with pytest.raises(OutputError, match=r"mine\.txt"):  # noqa: SIM117
        with built_whole(tmp_path / "demo"):
            (tmp_path / "demo" / "mine.txt").write_text("mine")
    assert names(tmp_path) == ["demo"]


def test_a_file_in_the_way_or_no_room_is_told(tmp_path):
    (tmp_path / "demo").write_text("a file")
    with pytest.raises(OutputError, match="choose another --out"):
        make(tmp_path / "demo")
    with pytest.raises(OutputError, match="choose another --out"):
        make(tmp_path / "demo" / "below")
    assert (tmp_path / "demo").read_text() == "a file"


def test_an_empty_folder_is_taken(tmp_path):
    (tmp_path / "demo").mkdir()
    make(tmp_path / "demo")
    assert names(tmp_path) == ["demo"]
