"""The sample recordings in the repository are those that their command makes."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from needlecoach.phantoms.sample import SAMPLES
from needlecoach.phantoms.simulate import Studio, marks_record, simulate

FOLDER = Path(__file__).parents[2] / "sample_clips"


def truth_of(name: str) -> dict:
    return json.loads((FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))


def test_seven_samples_with_a_line_each_in_the_readme() -> None:
    text = (FOLDER / "README.md").read_text(encoding="utf-8")

    assert sorted(path.stem for path in FOLDER.glob("*.mp4")) == sorted(SAMPLES)
    assert all(f"`{name}`" in text for name in SAMPLES)
    assert "python -m needlecoach.phantoms.sample sample_clips" in text


@pytest.mark.parametrize("name", SAMPLES)
def test_truth_and_marks_are_those_of_the_scene(name: str) -> None:
    sample = SAMPLES[name]()
    studio = Studio(sample.scene, seed=sample.seed)
    record = truth_of(name)

    assert len(record["frames"]) == len(studio.moments)
    for moment, frame in zip(studio.moments, record["frames"], strict=True):
        present = moment.pose is not None and moment.pose.inside
        assert frame["needle_present"] == present
        if moment.pose is not None and present:
            np.testing.assert_allclose(
                studio.screen.to_px(*moment.pose.tip_mm), frame["tip_xy_px"], atol=0.002
            )
    marks = json.loads((FOLDER / f"{name}.marks.json").read_text(encoding="utf-8"))
    assert marks == marks_record(sample.scene, learner=sample.learner, notes=sample.notes)


def test_the_committed_video_shows_the_drawn_frames() -> None:
    sample = SAMPLES["clean_hit"]()
    video = cv2.VideoCapture(str(FOLDER / "clean_hit.mp4"))
    frames = truth_of("clean_hit")["frames"]
    for (frame, truth), _ in zip(simulate(sample.scene, seed=sample.seed), range(60), strict=False):
        ok, image = video.read()
        assert ok
        assert np.abs(image[..., 0].astype(float) - frame.pixels).mean() < 5
        assert truth.tip_visible == frames[frame.number]["tip_visible"]
        if truth.tip_contrast_db is not None:
            assert truth.tip_contrast_db == pytest.approx(frames[frame.number]["tip_contrast_db"], abs=0.2)


@pytest.mark.parametrize(
    ("name", "hits", "passes"),
    [
        ("clean_hit", [True], [1]),
        ("miss_with_redirection", [False], [2]),
        ("blind_advance", [True], [1]),
        ("trail_trap", [True], [2]),
        ("two_attempts_curved", [False, True], [1, 1]),
        ("no_needle", [], []),
        ("core_fired", [True], [1]),
    ],
)
def test_samples_show_what_their_names_say(name: str, hits: list[bool], passes: list[int]) -> None:
    attempts = truth_of(name)["events"]["attempts"]

    assert [attempt["hit"] for attempt in attempts] == hits
    assert [attempt["n_passes"] for attempt in attempts] == passes
    # Clear cases only: no sample is decided by less than a millimetre.
    assert all(abs(attempt["min_dist_edge_mm"]) > 1.0 for attempt in attempts)
    blind = sum(attempt["blind_advance_net_mm"] for attempt in attempts)
    assert blind > 8 if name == "blind_advance" else blind < 3


@pytest.mark.parametrize("name", SAMPLES)
def test_samples_are_small_and_short(name: str) -> None:
    record = truth_of(name)

    assert 0.6e6 < (FOLDER / f"{name}.mp4").stat().st_size < 1.6e6
    assert 8 <= record["n_frames"] / record["fps"] <= 15
