"""Marks saved from a page: never over what another page wrote, and what was there is kept."""

import json
import os
import re
from datetime import datetime
from types import SimpleNamespace

import pytest

from needlecoach.marks import read_marks
from needlecoach.model import Clip
from needlecoach.review import savedmarks
from needlecoach.review.refusal import RefusalError
from needlecoach.review.savedmarks import SavedMarks

MARKS = {"schema": 1, "learner": "L01", "task": "aspirate"}
ROUND = {"centre_px": [300, 200], "semi_axes_px": [30, 20]}


@pytest.fixture
def file(tmp_path):
    (tmp_path / "L01.mp4").touch()
    return tmp_path / "L01.marks.json"


@pytest.fixture
def clip(tmp_path):
    return Clip(tmp_path / "L01.mp4", "video", 640, 480, 100, 20.0)


def page_of(clip):
    return SavedMarks(clip.path)


def names(folder):
    return sorted(one.name for one in folder.iterdir())


def test_marks_come_back_as_they_were_saved(file, clip):
    page = page_of(clip)
    assert page.record() == {"marks": None, "version": "none", "file": "L01.marks.json"}
    saved = page.save(
        {**MARKS, "target": {"ellipse": {"centre_px": [300, 200], "semi_axes_px": [30, 20]}}}, "none", clip
    )
    record = page.record()
    assert record["version"] == saved["version"] != "none"
    assert record["marks"]["target"]["ellipse"]["centre_px"] == [300, 200]
    assert read_marks(file).learner == "L01"
    assert names(file.parent) == ["L01.marks.json", "L01.mp4"]


def test_two_pages_on_one_clip_the_later_one_is_told(file, clip):
    one, other = page_of(clip), page_of(clip)
    seen = one.record()["version"]
    one.save({**MARKS, "notes": "one"}, seen, clip)
    with pytest.raises(RefusalError, match="changed meanwhile") as told:
        other.save({**MARKS, "notes": "other"}, seen, clip)
    assert told.value.status == 409
    assert told.value.more["marks"]["notes"] == "one"
    assert read_marks(file).notes == "one"
    other.save({**MARKS, "notes": "other"}, told.value.more["version"], clip)
    assert read_marks(file).notes == "other"


def test_a_program_that_wrote_meanwhile_is_noticed(file, clip):
    page = page_of(clip)
    file.write_text(json.dumps({**MARKS, "notes": "by hand"}))
    with pytest.raises(RefusalError, match="changed meanwhile"):
        page.save(MARKS, "none", clip)
    assert read_marks(file).notes == "by hand"


def test_what_was_there_is_kept_once_letter_by_letter(file, clip, monkeypatch):
    seconds = iter(range(1, 60))
    clock = SimpleNamespace(now=lambda: datetime(2026, 11, 26, 10, 0, next(seconds)))
    monkeypatch.setattr(savedmarks, "datetime", clock)
    text = '{"schema": 1,   "notes": "typed by hand, 3 µm"}\n'
    file.write_text(text, encoding="utf-8")
    page = page_of(clip)
    version = page.record()["version"]
    for notes in ("a", "b", "c"):
        version = page.save({**MARKS, "notes": notes}, version, clip)["version"]
    kept = [name for name in names(file.parent) if "before" in name]
    assert len(kept) == 1 and re.fullmatch(r"L01\.marks\.before-\d{8}-\d{6}\.json", kept[0])
    assert (file.parent / kept[0]).read_text(encoding="utf-8") == text


def test_what_another_one_saved_is_kept_when_ours_go_over_it(file, clip, monkeypatch):
    """Each version that was not ours, under a name of its own even within one second."""
    clock = SimpleNamespace(now=lambda: datetime(2026, 11, 26, 10, 0, 0))
    monkeypatch.setattr(savedmarks, "datetime", clock)
    page = page_of(clip)
    version = page.save({**MARKS, "notes": "ours"}, "none", clip)["version"]
    foreign = [json.dumps({**MARKS, "notes": "theirs"}), "{ broken", json.dumps({**MARKS, "notes": "more"})]
    for text in foreign:
        file.write_text(text)
        with pytest.raises(RefusalError) as told:
            page.save({**MARKS, "notes": "ours"}, version, clip)
        version = page.save({**MARKS, "notes": "ours"}, told.value.more["version"], clip)["version"]
    copies = [one for one in file.parent.iterdir() if "before" in one.name]
    assert len(copies) == 3 and sorted(one.read_text() for one in copies) == sorted(foreign)
    page.save({**MARKS, "notes": "last"}, version, clip)
    assert len([name for name in names(file.parent) if "before" in name]) == 3


def test_saving_what_is_there_already_keeps_no_copy_of_nothing(file, clip):
    page_of(clip).save(MARKS, "none", clip)
    assert names(file.parent) == ["L01.marks.json", "L01.mp4"]


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        ({"schema": 2}, "reads schema 1"),
        ({**MARKS, "colour": "red"}, "unknown key"),
        ({**MARKS, "learner": "Jane Doe"}, "by a code"),
        ({**MARKS, "target": {"ellipse": {**ROUND, "centre_px": [900, 200]}}}, "outside the frame"),
        ({**MARKS, "target": {"ellipse": ROUND, "frame": 100}}, "frame 100"),
        ({**MARKS, "scale": {"mm_per_px": float("nan")}}, "scale"),
        ([1], ""),
    ],
)  # fmt: skip
def test_impossible_marks_are_refused_and_the_file_stays(file, clip, marks, words):
    file.write_text(json.dumps({**MARKS, "notes": "kept"}))
    page = page_of(clip)
    with pytest.raises(RefusalError, match=r"^Not saved: ") as told:
        page.save(marks, page.record()["version"], clip)
    assert told.value.status == 422 and words in told.value.words
    assert read_marks(file).notes == "kept"


@pytest.mark.parametrize("step", ["copy", "file"])
def test_a_full_disk_leaves_the_old_file(file, clip, monkeypatch, step):
    file.write_text(json.dumps({**MARKS, "notes": "kept"}))
    page = page_of(clip)
    version = page.record()["version"]
    replace = os.replace

    def full(source, place):
        if ("before" in str(place)) == (step == "copy"):
            raise OSError(28, "No space left on device")
        replace(source, place)

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(
        RefusalError, match=r"No space left on device.*\. What was saved before is still there; make room"
    ) as told:
        page.save(MARKS, version, clip)
    assert told.value.status == 507 and ".." not in told.value.words
    assert read_marks(file).notes == "kept"
    assert not [name for name in names(file.parent) if name.endswith(".part")]
    monkeypatch.undo()
    assert page.save(MARKS, version, clip)["version"] != version


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"{", "not valid JSON"), (b"\xff\xfe", "not UTF-8"), (b'{"schema": 1, "x": 1}', "unknown key")],
)
def test_a_file_that_is_not_understood_is_told_by_name(file, clip, content, words):
    file.write_bytes(content)
    page = page_of(clip)
    with pytest.raises(RefusalError, match=words) as told:
        page.record()
    assert told.value.words.startswith("L01.marks.json: ")
