"""What happens beside an open review: scored anew, a full disk, an end, another recording of the name."""

import hashlib
import json
import shutil
import threading
import time
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from needlecoach.corrections import corrections_path, read_corrections, write_corrections
from needlecoach.errors import MarksError, NeedlecoachError, OutputError
from needlecoach.marks import MarkOptions
from needlecoach.model import Correction
from needlecoach.reporting import results as written_results
from needlecoach.review.bench import SCORED_ANEW, Bench
from needlecoach.review.desk import Desk
from needlecoach.review.refusal import RefusalError
from needlecoach.review.results import Results
from needlecoach.scored import Wish, scorable_marks, score_into
from needlecoach.standards import EXAMPLE, read_standard

GONE = {"kind": "no needle", "frame": 3}


@pytest.fixture(scope="module")
def scored(sample_clip, tmp_path_factory):
    """A sample clip, scored once into a folder beside it; copied by each test."""
    folder = tmp_path_factory.mktemp("scored")
    for file in sample_clip.parent.iterdir():
        shutil.copy(file, folder)
    score(folder / sample_clip.name)
    return folder


def score(clip):
    """As `needlecoach score` does it."""
    marks = scorable_marks(clip, MarkOptions(), no_target=False)
    score_into(clip, marks, clip.parent / "reports", clip.stem, Wish(replay=False))


@pytest.fixture
def desk(scored, tmp_path):
    shutil.copytree(scored, tmp_path / "own")
    clip = tmp_path / "own" / "clean_hit.mp4"
    desk = Desk(clip, clip.parent / "reports" / "clean_hit", Wish(replay=False))
    yield desk
    desk.close()


def correct(desk, *corrections):
    version = desk.correcting.record()["version"]
    return desk.correcting.save(list(corrections), version)["job"]


def ended(desk, key):
    until = time.monotonic() + 60
    while desk.jobs.record(key)["state"] == "running" and time.monotonic() < until:
        time.sleep(0.02)
    return desk.jobs.record(key)


def target_of(desk):
    run = json.loads((desk.results.folder / "run.json").read_text())
    return run["marks"]["target"]["centre_px"]


def move_target(clip, by_px):
    path = clip.with_name("clean_hit.marks.json")
    marks = json.loads(path.read_text())
    marks["target"]["ellipse"]["centre_px"][0] += by_px
    path.write_text(json.dumps(marks))


def test_a_newer_scoring_is_not_undone_by_a_page_that_was_open(desk):
    job = ended(desk, correct(desk, GONE))
    assert job["result"]["note"] == ""
    desk.jobs.finish("write")
    before = target_of(desk)
    move_target(desk.path, 9)
    score(desk.path)
    job = ended(desk, correct(desk, GONE, {"kind": "no needle", "frame": 4}))
    assert job["state"] == "done" and job["result"]["note"] == SCORED_ANEW
    desk.jobs.finish("write")
    assert np.subtract(target_of(desk), before) == pytest.approx([9, 0], abs=0.01)
    assert [one["frame"] for one in desk.results.corrections()] == [3, 4]
    # Once it was told it is not told again, and marks that only lie there change no result.
    move_target(desk.path, 5)
    assert ended(desk, correct(desk, GONE))["result"]["note"] == ""


def test_a_scoring_while_the_folder_is_written_is_not_undone(desk, monkeypatch):
    """The other program is done just before the new folder would take its place."""
    write, first = written_results.write_results, []

    def late(card, out, *, progress, **more):
        if not first:
            first.append(1)
            move_target(desk.path, 9)
            score(desk.path)
            progress(1, 1)
        return write(card, out, progress=progress, **more)

    before = target_of(desk)
    ended(desk, correct(desk, GONE))
    desk.jobs.finish("write")
    monkeypatch.setattr(written_results, "write_results", late)
    ended(desk, correct(desk, {"kind": "no needle", "frame": 4}))
    monkeypatch.undo() if not first else None
    desk.correcting.finish(lambda _: None)
    assert np.subtract(target_of(desk), before) == pytest.approx([9, 0], abs=0.01)
    assert [one["frame"] for one in desk.results.corrections()] == [4]


def test_a_folder_that_can_t_be_written_is_told_and_made_up_for(desk, monkeypatch):
    assert desk.correcting.record()["folder"] == {"state": "written", "why": ""}
    full = "Results can't be written to x: no space left on device; make room."

    def refuse(*_, **__):
        raise OutputError(full)

    monkeypatch.setattr(written_results, "write_results", refuse)
    ended(desk, correct(desk, GONE))
    desk.jobs.finish("write")
    assert desk.correcting.record()["folder"] == {"state": "behind", "why": full}
    said = []
    desk.correcting.finish(said.append)
    assert len(said) == 1 and "clean_hit is behind: " in said[0] and "no space left" in said[0]
    assert "The corrections are saved" in said[0] and ".." not in said[0]
    monkeypatch.undo()
    ended(desk, correct(desk, GONE))
    desk.jobs.finish("write")
    assert desk.correcting.record()["folder"] == {"state": "written", "why": ""}


def test_an_end_just_after_a_correction_waits_for_the_folder(desk):
    said = []
    key = correct(desk, GONE)
    assert desk.correcting.record()["job"] == key
    assert desk.correcting.record()["folder"]["state"] in {"written", "writing"}
    desk.close(said.append)
    assert len(said) == 1 and "Working the last corrections in and writing them to clean_hit" in said[0]
    page = json.loads((desk.results.folder / "page.json").read_text())
    assert [one["frame"] for one in page["corrections"]] == [3]


@pytest.mark.parametrize("twice", [False, True])
def test_an_end_that_is_not_waited_for_says_what_is_left(desk, monkeypatch, twice):
    """A long clip, or Ctrl-C asked for twice."""
    go, said = threading.Event(), []

    def slow(self, corrections, report):
        go.wait(20)
        report(1, 1)

    monkeypatch.setattr("needlecoach.review.bench.Bench.score", slow)
    desk.correcting.record()
    correct(desk, GONE)
    if twice:

        def interrupted(kind, wait_s):
            raise KeyboardInterrupt

        monkeypatch.setattr(desk.jobs, "finish", interrupted)
        with pytest.raises(KeyboardInterrupt):
            desk.correcting.finish(said.append)
    else:
        desk.correcting.finish(said.append, wait_s=0.1)
    go.set()
    assert len(said) == 2 and "clean_hit is behind: that was not waited for" in said[1]
    monkeypatch.undo()


def test_a_correction_that_the_clip_can_t_have_is_refused_and_told(desk):
    beyond = {"kind": "no needle", "frame": 168}
    outside = {"kind": "tip", "frame": 3, "tip_px": [4000, 100]}
    for one, words in ((beyond, "the clip has 168 frames"), (outside, "far outside the frame of 640 x 480")):
        with pytest.raises(RefusalError, match=words) as told:
            correct(desk, one)
        assert told.value.status == 422 and told.value.words.startswith("Not saved: a correction ")
    assert not corrections_path(desk.path).exists()
    write_corrections(corrections_path(desk.path), [Correction("no needle", 168)])
    record = desk.correcting.record()
    assert record["problem"].startswith("a correction is about frame 168") and len(record["corrections"]) == 1
    assert desk.correcting.save([GONE], record["version"])["job"]
    assert desk.correcting.record()["problem"] == ""


def test_corrections_of_another_recording_are_neither_used_nor_overwritten(desk):
    """As L01.mp4 and L01.mov, or a recording that was made again under its name."""
    path = corrections_path(desk.path)
    write_corrections(path, [Correction("no needle", 7)], "0" * 64)
    content = path.read_bytes()
    with pytest.raises(RefusalError, match="another recording of this name") as told:
        desk.correcting.record()
    assert told.value.status == 422
    with pytest.raises(RefusalError, match="move this file away"):
        desk.correcting.save([GONE], told.value.more["version"])
    with pytest.raises(MarksError, match="another recording of this name"):
        score(desk.path)
    assert path.read_bytes() == content
    path.unlink()
    ended(desk, correct(desk, GONE))
    own = hashlib.sha256(desk.path.read_bytes()).hexdigest()
    assert json.loads(path.read_text())["clip_sha256"] == own
    assert [one.frame for one in read_corrections(path, own)] == [3]


def test_a_result_of_another_recording_is_not_corrected(desk):
    """As when L01.mov is opened for marking, and the folder L01 is that of L01.mp4."""
    path = desk.results.folder / "run.json"
    run = json.loads(path.read_text())
    run["clip"]["sha256"] = "0" * 64
    path.write_text(json.dumps(run))
    record = desk.correcting.record()
    assert "result of another recording of this name" in record["error"]
    assert record["job"] is None and record["ready"] is False
    with pytest.raises(RefusalError, match="score this clip first"):
        correct(desk, GONE)
    assert not corrections_path(desk.path).exists()


def test_a_review_keeps_to_the_standard_and_finds_earlier_attempts(scored, tmp_path):
    shutil.copytree(scored, tmp_path / "own")
    clip = tmp_path / "own" / "clean_hit.mp4"
    reports, standard = clip.parent / "reports", read_standard(EXAMPLE)
    marks = scorable_marks(clip, MarkOptions(learner="L01"), no_target=False)
    shutil.copytree(reports / "clean_hit", reports / "before")
    run = json.loads((reports / "before" / "run.json").read_text())
    run["clip"]["sha256"], run["marks"]["learner"] = "another", "L01"
    run["first_scored_at"] = "2026-01-01T00:00:00+00:00"
    (reports / "before" / "run.json").write_text(json.dumps(run))
    card, folder = score_into(clip, marks, reports, clip.stem, Wish(replay=False, standard=standard))
    desk = Desk(clip, folder, Wish(replay=False))
    try:
        assert desk.results.wish().standard == standard
        bare = replace(card, options={}, earlier=None, attempts=(replace(card.attempts[0], checks=()),))
        bench = Bench(clip, desk.results)
        bench._fresh = lambda report: (SimpleNamespace(score=lambda corrections: bare), "")
        bench.wish = desk.results.wish()
        again, _ = bench.score([], lambda done, total: None)
        for one in (card, again):
            asked = [(check.figure.name, check.limit) for check in one.attempts[0].checks]
            assert asked == [(criterion.column, criterion.limit) for criterion in standard.criteria]
            assert [attempt.folder for attempt in one.earlier.last] == ["before"]
    finally:
        desk.close()


def test_a_spoilt_standard_in_the_record_is_told(scored, tmp_path):
    shutil.copytree(scored / "reports" / "clean_hit", tmp_path / "clean_hit")
    path = tmp_path / "clean_hit" / "run.json"
    run = json.loads(path.read_text())
    for spoilt in ({"name": "Ours"}, {"name": "Ours", "criteria": [{"column": "skill"}]}, "ours"):
        run["options"]["standard"] = spoilt
        path.write_text(json.dumps(run))
        with pytest.raises(NeedlecoachError, match="spoilt"):
            Results(tmp_path / "clean_hit").wish()
