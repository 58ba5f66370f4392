"""What `mark` and `review` refuse before any page is shown, each in one line."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from needlecoach.clips import sha256_of
from needlecoach.corrections import write_corrections
from needlecoach.errors import ClipError, MarksError, NeedlecoachError
from needlecoach.marks import read_marks
from needlecoach.model import Clip, Correction, Region, Scale, Scorecard, Track
from needlecoach.pages import run_mark, run_review, scored_clip
from needlecoach.reporting.reopen import read_run
from needlecoach.reporting.results import write_results

SAMPLES = Path(__file__).parents[1] / "sample_clips"
NAME = "clean_hit"


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    """A clip, its marks, and results that hold nothing but their frame."""
    folder = tmp_path_factory.mktemp("project")
    clip = folder / "clips" / f"{NAME}.mp4"
    clip.parent.mkdir()
    for ending in ("mp4", "marks.json"):
        shutil.copy(SAMPLES / f"{NAME}.{ending}", clip.parent)
    write_results(card_of(clip), folder / "reports", replay=False)
    return folder


def card_of(clip):
    track = Track(
        time_s=np.zeros(0),
        needle_present=np.zeros(0, bool),
        tip_px=np.zeros((0, 2)),
        tip_visible=np.zeros(0, bool),
        tip_sd_mm=np.zeros(0),
        entry_px=np.zeros((0, 2)),
        angle_deg=np.zeros(0),
        shaft_visible_share=np.zeros(0),
        target_px=np.zeros((0, 2)),
        target_found=np.zeros(0, bool),
        trail_end_px=np.zeros((0, 2)),
    )
    return Scorecard(
        clip=Clip(clip, "video", 640, 480, 168, 20.0),
        clip_sha256=sha256_of(clip),
        marks=read_marks(clip.with_name(f"{NAME}.marks.json")),
        region=Region("rectangle", (10, 10, 600, 400)),
        scale=Scale.from_mm_per_px(0.1),
        track=track,
        attempts=(),
        distances={},
        confidence=0.0,
        options={"no_target": False, "fps": None, "pass_withdrawal_mm": 5.0},
        unscorable="Drawn for a test.",
    )


@pytest.fixture
def copy(project, tmp_path):
    shutil.copytree(project, tmp_path / "project")
    return tmp_path / "project"


def refused(folder, clip=None, *, error=NeedlecoachError):
    with pytest.raises(error) as told:
        run_review(folder, clip, port=None, browser=False)
    assert "\n" not in str(told.value)
    return str(told.value)


def test_the_clip_is_found_from_its_results_wherever_both_were_moved(copy):
    folder = copy / "reports" / NAME
    run = read_run(folder)
    assert run["clip"]["place"] == f"../../clips/{NAME}.mp4"
    assert scored_clip(folder, run, None) == copy / "clips" / f"{NAME}.mp4"


def test_a_clip_elsewhere_leaves_no_way_to_it(project, tmp_path):
    clip = project / "clips" / f"{NAME}.mp4"
    folder = write_results(card_of(clip), tmp_path / "far" / "reports", replay=False)
    assert "place" not in read_run(folder)["clip"]
    assert "where it lies is not known; give it with --clip" in refused(folder, error=ClipError)
    assert scored_clip(folder, read_run(folder), clip) == clip


def test_a_moved_clip_is_asked_for(copy):
    clip = copy / "clips" / f"{NAME}.mp4"
    clip.rename(copy / "moved.mp4")
    words = refused(copy / "reports" / NAME, error=ClipError)
    assert f"it is not at {clip}" in words and "--clip PATH" in words
    folder = copy / "reports" / NAME
    assert scored_clip(folder, read_run(folder), copy / "moved.mp4") == copy / "moved.mp4"


def test_a_changed_clip_is_refused(copy):
    with (copy / "clips" / f"{NAME}.mp4").open("ab") as file:
        file.write(b"\0")
    assert "SHA-256 differs" in refused(copy / "reports" / NAME, error=ClipError)
    assert "SHA-256 differs" in refused(copy / "reports" / NAME, SAMPLES / "no_needle.mp4", error=ClipError)


def test_what_holds_no_results(copy, tmp_path):
    assert "no such folder" in refused(tmp_path / "none")
    assert "no run.json" in refused(copy / "clips")
    assert "no such folder" in refused(copy / "reports" / NAME / "run.json")


def test_results_of_an_older_version(copy):
    folder = copy / "reports" / NAME
    (folder / "page.json").unlink()
    assert "older version; score the clip again" in refused(folder)
    run = json.loads((folder / "run.json").read_text())
    (folder / "run.json").write_text(json.dumps({**run, "schema": 99}))
    assert "another version; score the clip again" in refused(folder)


@pytest.mark.parametrize("name", ["run.json", "page.json"])
@pytest.mark.parametrize("content", [b"{", b"[]", b"\xff"])
def test_a_spoilt_file_is_told(copy, name, content):
    folder = copy / "reports" / NAME
    (folder / name).write_bytes(content)
    words = refused(folder)
    assert f"{name}: is spoilt" in words and "score the clip again" in words


def test_options_of_the_run_that_are_spoilt(copy):
    folder = copy / "reports" / NAME
    run = json.loads((folder / "run.json").read_text())
    (folder / "run.json").write_text(json.dumps({**run, "options": {}}))
    assert "spoilt" in refused(folder)


@pytest.mark.parametrize(
    ("name", "words"), [("none.mp4", "no such file"), ("empty.mp4", "empty"), ("notes.mp4", "not a video")]
)
def test_a_clip_that_cannot_be_read_opens_no_page(tmp_path, name, words):
    (tmp_path / "empty.mp4").touch()
    (tmp_path / "notes.mp4").write_text("not a video\n" * 50)
    with pytest.raises(ClipError, match=words):
        run_mark(tmp_path / name, tmp_path / "out", fps=None, port=None, browser=False)
    assert not (tmp_path / "out").exists()


def test_results_without_a_strip_are_written_and_read(project):
    folder = project / "reports" / NAME
    assert sorted(one.name for one in folder.iterdir()) == [
        "attempts.csv", "page.json", "run.json", "summary.html", "track.csv",
    ]  # fmt: skip
    assert replace(card_of(project / "clips" / f"{NAME}.mp4")).strip is None


def test_corrections_of_another_recording_of_the_name_are_refused(project):
    path = project / "clips" / f"{NAME}.corrections.json"
    write_corrections(path, [Correction("no needle", 3)], "0" * 64)
    try:
        with pytest.raises(MarksError, match=r"corrections\.json: .*another recording.*move this file away"):
            run_review(project / "reports" / NAME, None, port=None, browser=False)
    finally:
        path.unlink()
