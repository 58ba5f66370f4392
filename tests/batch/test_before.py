"""What was scored before is told by all that bears on a result, and by every file being there."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from needlecoach.batch import before
from needlecoach.batch.before import scored_before
from needlecoach.batch.values import Before, Job
from needlecoach.model import Marks, Scale
from needlecoach.scored import Wish, score_into
from needlecoach.scoring.standard import Criterion, Standard
from tests.batch.conftest import noise


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clip and its results, with a replay."""
    folder = tmp_path_factory.mktemp("kept")
    marks = Marks(scale=Scale.from_mm_per_px(0.12), learner="L01", notes="ä")
    score_into(noise(folder / "clip.mkv"), marks, folder / "reports", "clip", Wish(no_target=True))
    return folder


@pytest.fixture
def job(kept: Path, tmp_path: Path) -> Job:
    shutil.copytree(kept, tmp_path, dirs_exist_ok=True)
    marks = Marks(scale=Scale.from_mm_per_px(0.12), learner="L01", notes="ä")
    return Job(tmp_path / "clip.mkv", "clip", tmp_path / "reports", marks, Wish(no_target=True))


def test_the_same_again_is_not_scored(job: Job) -> None:
    assert scored_before(job) == Before()


def test_a_replay_more_than_asked_for_is_no_reason(job: Job) -> None:
    assert scored_before(replace(job, wish=replace(job.wish, replay=False))) == Before()


STANDARD = Standard("Invented", (Criterion("outcome", "is", "hit", ""),), "", "", "ours.toml")


@pytest.mark.parametrize(
    "change",
    [
        lambda job: replace(job, marks=replace(job.marks, learner="L02")),
        lambda job: replace(job, marks=replace(job.marks, scale=Scale.from_mm_per_px(0.13))),
        lambda job: replace(job, wish=replace(job.wish, pass_withdrawal_mm=10.0)),
        lambda job: replace(job, wish=replace(job.wish, keep_screen=True)),
        lambda job: replace(job, wish=replace(job.wish, standard=STANDARD)),
        lambda job: replace(job, wish=replace(job.wish, fps=20.0)),
        lambda job: replace(job, name="other"),
    ],
)
def test_other_marks_or_options_are_scored(job: Job, change: Callable[[Job], Job]) -> None:
    assert scored_before(change(job)) is None


@pytest.mark.parametrize("file", ["attempts.csv", "track.csv", "summary.html", "replay.webm", "page.json"])
def test_a_missing_file_is_made_again(job: Job, file: str) -> None:
    (job.out / "clip" / file).unlink()
    assert scored_before(job) is None


@pytest.mark.parametrize("file", ["run.json", "page.json"])
def test_a_spoilt_file_is_made_again(job: Job, file: str) -> None:
    path = job.out / "clip" / file
    path.write_bytes(path.read_bytes()[:200])
    assert scored_before(job) is None


def test_rows_that_are_gone_are_made_again(job: Job) -> None:
    path = job.out / "clip" / "run.json"
    run = json.loads(path.read_text(encoding="utf-8"))
    run["result"]["attempts"] = 1
    path.write_text(json.dumps(run), encoding="utf-8")
    assert scored_before(job) is None


def test_another_recording_of_the_name_is_scored(job: Job) -> None:
    noise(job.clip, seed=1)
    assert scored_before(job) is None


def test_another_version_scores_again(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(before, "versions", lambda: {"needlecoach": "0.0"})
    assert scored_before(job) is None


def test_a_correction_made_since_is_worked_in(job: Job) -> None:
    content = {"schema": 1, "corrections": [{"kind": "no needle", "frame": 3}]}
    kinds = json.dumps(content)
    job.clip.with_name("clip.corrections.json").write_text(kinds)
    assert scored_before(job) is None
