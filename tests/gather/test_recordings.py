"""What a cohort needs of a results folder, checked by hand on invented ones."""

import codecs
import json
import math

import pytest

from needlecoach.gather import recordings
from needlecoach.gather.recordings import NUMBERS, Reading
from needlecoach.reporting.record import target_size_mm
from tests.gather.written import HIT, MISS, run_of, write


def read(folders):
    with Reading() as begun:
        for folder in folders:
            begun.add(folder)
        return begun.result()


def one(folder):
    found, problems = read([folder])
    assert problems == []
    return found[0]


def test_everything_is_read(tmp_path):
    marks = dict(target_name="plum", target_kind="fluid", phantom="G1", block="G3", date="2026-03-01")
    got = one(write(tmp_path, "a", [HIT, MISS], first="2026-03-02T10:00:00+00:00", **marks))
    assert (got.folder, got.clip, got.sha256, got.learner) == ("a", "a.mp4", "hash of a", "L01")
    assert (got.target, got.target_kind, got.phantom, got.version) == ("plum", "fluid", "G1", "0.6.0")
    assert got.block == "G3" and one(write(tmp_path, "b")).block == ""
    assert (got.date, got.day, got.invented, got.task) == ("2026-03-01", "2026-03-01", True, "aspirate")
    assert [(row.attempt, row.outcome, row.cut_off) for row in got.attempts] == [
        (1, "hit", False),
        (2, "miss", False),
    ]
    assert got.attempts[0].numbers[NUMBERS.index("closest_centre_mm")] == 1.5
    assert got.attempts[1].numbers[NUMBERS.index("time_to_target_s")] is None


def test_width_and_depth_of_the_target_are_those_of_the_outline(tmp_path):
    # 20 x 20 px of 0.1 x 0.2 mm are 8 mm²; the centre lies 30 px of 0.2 mm under the region's edge.
    got = one(write(tmp_path, "a"))
    assert math.pi * got.target_width_mm**2 / 4 == pytest.approx(8.0)
    assert got.target_depth_mm == pytest.approx(6.0)


@pytest.mark.parametrize(
    "change", [{"screen": {"frames_without_screen": 0}}, {"scale": None}, {"region": None}]
)
def test_sizes_that_can_not_be_told_are_unknown(tmp_path, change):
    folder = write(tmp_path, "a")
    (folder / "run.json").write_text(json.dumps(run_of("a") | change))
    assert math.isnan(one(folder).target_width_mm) and math.isnan(one(folder).target_depth_mm)


@pytest.mark.parametrize(("told", "width_mm"), [([4.5, 12.0], 4.5), (None, math.nan)])
def test_sizes_that_the_results_tell_are_taken_from_there(tmp_path, told, width_mm):
    folder = write(tmp_path, "a")
    (folder / "run.json").write_text(json.dumps(run_of("a") | {"result": {"target_size_mm": told}}))
    assert one(folder).target_width_mm == pytest.approx(width_mm, nan_ok=True)


@pytest.mark.parametrize("told", [[10**400, 3.0], [1e30, 3.0], [4.0, -2000]])
def test_sizes_that_no_target_has_are_told(tmp_path, told):
    folder = write(tmp_path, "a")
    (folder / "run.json").write_text(json.dumps(run_of("a") | {"result": {"target_size_mm": told}}))
    found, problems = read([folder])
    assert found == [] and "is spoilt" in problems[0].why and "\n" not in problems[0].why


def test_a_record_that_an_editor_began_with_a_byte_order_mark_is_read(tmp_path):
    # RFC 8259, section 8.1: a parser may ignore it.
    record = write(tmp_path, "a") / "run.json"
    record.write_bytes(codecs.BOM_UTF8 + record.read_bytes())
    assert one(record.parent).learner == "L01"


def test_a_scored_result_tells_the_size_that_its_outline_has():
    told = target_size_mm(run_of("a"))
    assert math.pi * told[0] ** 2 / 4 == pytest.approx(8.0) and told[1] == pytest.approx(6.0)


def test_without_a_date_the_day_is_that_of_the_first_scoring(tmp_path):
    assert one(write(tmp_path, "a", first="2026-03-02T23:30:00-05:00")).day == "2026-03-03"


@pytest.mark.parametrize(
    ("file", "was", "now"),
    [
        ("run.json", "{", "["),
        ("run.json", '"task": "aspirate"', '"task": "sing"'),
        ("run.json", '"date": null', '"date": "2026-13-40"'),
        ("run.json", '"centre_px": [110, 70]', '"centre_px": []'),
        ("run.json", '"outline_px": [[100, 60]', '"outline_px": [[100]'),
        ("attempts.csv", "hit", "perfect"),
        ("attempts.csv", ",1.5,", ",wide,"),
        ("attempts.csv", ",1.5,", ",inf,"),
        ("attempts.csv", ",1.5,", ",1e308,"),
        ("run.json", '"learner": "L01"', '"learner": ["L01"]'),
        ("attempts.csv", "a.mp4,L01,1,", "a.mp4,L01,first,"),
        ("attempts.csv", "outcome", "outcomes"),
    ],
)
def test_a_spoilt_folder_is_told_in_one_line_and_the_others_go_on(tmp_path, file, was, now):
    good, bad = write(tmp_path, "good"), write(tmp_path, "a")
    text = (bad / file).read_text()
    assert was in text
    (bad / file).write_text(text.replace(was, now))
    found, problems = read([bad, good])
    assert [one.folder for one in found] == ["good"]
    assert [one.place for one in problems] == [bad]
    assert problems[0].why.startswith(str(bad)) and "\n" not in problems[0].why


@pytest.fixture
def another_reader(monkeypatch):
    """Two folders are worth another process, which is given two times two of them at once."""
    monkeypatch.setattr(recordings, "_WORTH_A_PROCESS", 1)
    monkeypatch.setattr(recordings, "_AT_A_TIME", 2)
    monkeypatch.setattr(recordings, "_HANDED_ON", 2)
    monkeypatch.setattr(recordings, "_UNDER_WAY", 1)
    monkeypatch.setattr(recordings.os, "cpu_count", lambda: 2)


def test_many_folders_are_read_by_other_processes_just_the_same(tmp_path, request):
    folders = [write(tmp_path, f"r{n}") for n in range(5)]
    (folders[3] / "run.json").write_text("{")
    alone = read(folders)
    request.getfixturevalue("another_reader")
    together = read(folders)
    assert [one.folder for one in together[0]] == [one.folder for one in alone[0]] == ["r0", "r1", "r2", "r4"]
    assert together[1] == alone[1]


def test_this_process_reads_too_from_the_end(tmp_path, another_reader, monkeypatch):
    folders = [write(tmp_path, f"r{n}") for n in range(11)]
    here, read_one = [], recordings._read_one
    monkeypatch.setattr(recordings, "_read_one", lambda folder: here.append(folder) or read_one(folder))
    with Reading() as begun:
        for folder in folders:
            begun.add(folder)
        found, problems = begun.result()
    assert [one.folder for one in found] == [one.name for one in folders] and problems == []
    assert here[:3] == [folders[10], *folders[8:10]] and set(folders[:4]).isdisjoint(here)


def test_what_a_process_that_was_killed_left_is_read_all_the_same(tmp_path, another_reader):
    folders = [write(tmp_path, f"r{n}") for n in range(7)]
    with Reading() as begun:
        for folder in folders[:2]:
            begun.add(folder)
        begun._begun[0][1].exception()  # it runs
        begun.others[0].process.kill()
        for folder in folders[2:]:
            begun.add(folder)
        found, problems = begun.result()
    assert [one.folder for one in found] == [one.name for one in folders] and problems == []
