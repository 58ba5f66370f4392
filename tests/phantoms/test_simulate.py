"""Whole recordings: same seed same frames, truth beside the pixels, files written."""

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest

from needlecoach.errors import OutputError
from needlecoach.phantoms.practice import practice_scene
from needlecoach.phantoms.scene import DriftKey, Freeze, GainStep, Scene
from needlecoach.phantoms.simulate import Studio, marks_record, simulate, write_clip


def short(scene: Scene, duration_s: float = 1.5) -> Scene:
    return replace(scene, duration_s=duration_s)


def test_the_same_seed_gives_the_same_frames() -> None:
    scene = short(practice_scene("hit", traps=True))

    first, again = list(simulate(scene, seed=7)), list(simulate(scene, seed=7))

    for (frame, truth), (other, other_truth) in zip(first, again, strict=True):
        np.testing.assert_array_equal(frame.pixels, other.pixels)
        assert truth == other_truth


def test_another_seed_gives_other_speckle() -> None:
    scene = short(practice_scene("hit"), 0.1)

    (one, _), (other, _) = (next(simulate(scene, seed=seed)) for seed in (1, 2))

    x, y, w, h = Studio(scene, seed=1).screen.region.box_px
    crops = [frame.pixels[y : y + h, x : x + w].ravel().astype(float) for frame in (one, other)]
    assert abs(np.corrcoef(crops)[0, 1]) < 0.5


@pytest.mark.parametrize("probe", ["linear", "curved"])
def test_only_the_picture_changes(probe: str) -> None:
    scene = short(practice_scene("hit", probe="curved" if probe == "curved" else "linear"), 1.2)
    frames = [frame.pixels for frame, _ in simulate(scene, seed=3)]
    mask = Studio(scene, seed=3).screen.region.mask(*frames[0].shape)

    spread = np.ptp(np.stack(frames), axis=0)
    assert (spread[~mask] == 0).all()
    assert (spread[mask] > 0).mean() > 0.3
    assert frames[0].dtype == np.uint8


def test_the_shown_tip_is_brighter_than_its_surroundings_were() -> None:
    scene = short(practice_scene("hit", target="solid", trail_db=None), 2.2)
    shown = list(simulate(scene, seed=5))
    before = shown[0][0].pixels

    visible = [(frame, truth) for frame, truth in shown if truth.tip_visible]
    gain = []
    for frame, truth in visible:
        assert truth.tip_px is not None
        x, y = (round(value) for value in truth.tip_px)
        box = np.s_[max(y - 2, 0) : y + 3, max(x - 2, 0) : x + 3]
        gain.append(int(frame.pixels[box].max()) - int(before[box].max()))
    assert len(visible) > 15
    assert np.median(gain) > 40


def test_a_clip_is_written_with_its_truth(tmp_path: Path) -> None:
    scene = short(practice_scene("hit"), 1.5)

    record = write_clip(scene, tmp_path / "one.mp4", seed=3)

    assert json.loads((tmp_path / "one.truth.json").read_text(encoding="utf-8")) == record
    video = cv2.VideoCapture(str(tmp_path / "one.mp4"))
    ok, image = video.read()
    drawn, _ = next(simulate(scene, seed=3))
    assert ok
    assert video.get(cv2.CAP_PROP_FRAME_COUNT) == len(record["frames"]) == 30
    assert np.abs(image[..., 0].astype(float) - drawn.pixels).mean() < 6
    last = record["frames"][-1]
    assert last["needle_present"]
    assert set(last["target"]) == {"centre_px", "in_plane"}


def test_an_unwritable_clip_is_an_error_for_the_user(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(OutputError, match="can't be written"):
        write_clip(short(practice_scene("none"), 0.1), tmp_path / "nowhere" / "one.mp4", seed=1)
    assert not list(tmp_path.iterdir())


def test_a_picture_larger_than_the_screen_is_refused() -> None:
    scene = practice_scene("none")
    with pytest.raises(ValueError, match="does not fit"):
        next(simulate(replace(scene, display=replace(scene.display, width_px=200)), seed=1))


def test_marks_are_those_of_the_first_frame() -> None:
    scene = short(practice_scene("hit", traps=True), 0.1)

    marks = marks_record(scene, learner="L01", notes="")
    _, truth = next(simulate(scene, seed=1))

    assert marks["target"]["ellipse"]["centre_px"] == pytest.approx(truth.target_px, abs=0.06)
    (_, top), (_, bottom) = marks["scale"]["points_px"]
    assert (bottom - top) * scene.display.mm_per_px == pytest.approx(marks["scale"]["mm"], abs=0.01)
    assert "target" not in marks_record(replace(scene, target=None), learner="L01", notes="")


def test_gain_lifts_the_picture_and_what_is_visible_with_it() -> None:
    scene = short(practice_scene("none"), 0.1)
    louder = replace(scene, gain=(GainStep(0.0, 6.0),))
    (plain, _), (loud, _) = (next(simulate(shown, seed=2)) for shown in (scene, louder))

    x, y, w, h = Studio(scene, seed=2).screen.region.box_px
    before, after = (frame.pixels[y : y + h, x : x + w].astype(float) for frame in (plain, loud))
    inner = (before > 20) & (after < 250)
    # 6 dB of the dynamic range over 255 grey levels, rounded twice.
    assert (after - before)[inner].mean() == pytest.approx(6 * 255 / scene.probe.dynamic_range_db, abs=0.1)
    studio = Studio(louder, seed=2)
    assert studio.grey(1.0, gain_db=6.0) - studio.grey(1.0) == pytest.approx(
        6 * 255 / scene.probe.dynamic_range_db
    )


def test_a_frozen_picture_is_the_same_to_the_last_bit_and_its_truth_stays() -> None:
    scene = replace(short(practice_scene("hit"), 1.8), freezes=(Freeze(1.4, 1.7),))
    shown = list(simulate(scene, seed=2))
    held = shown[28:34]

    assert all((frame.pixels == held[0][0].pixels).all() for frame, _ in held)
    assert {truth.tip_px for _, truth in held} == {held[0][1].tip_px}
    assert [truth.frame for _, truth in held] == [28, 29, 30, 31, 32, 33]
    assert [frame.time_s for frame, _ in held] == [truth.time_s for _, truth in held]
    assert (shown[34][0].pixels != held[0][0].pixels).any()
    assert shown[34][1].tip_px != held[0][1].tip_px


def test_a_scanner_slower_than_the_recorder_shows_pictures_twice() -> None:
    shown = list(simulate(replace(short(practice_scene("none"), 1.0), refresh_hz=10.0), seed=2))
    again = [(a.pixels == b.pixels).all() for (a, _), (b, _) in pairwise(shown)]

    assert again == [number % 2 == 0 for number in range(19)]


def test_a_rock_turns_the_whole_picture_about_the_face() -> None:
    drift = (DriftKey(0.0), DriftKey(0.05, turn_deg=4.0))
    scene = replace(short(practice_scene("none"), 0.1), target=None, drift=drift)
    plain, turned = (frame.pixels for frame, _ in simulate(scene, seed=2))

    face = scene.display.face_px
    expected = cv2.warpAffine(plain, cv2.getRotationMatrix2D(face, -4.0, 1.0), plain.shape[::-1])
    box = np.s_[face[1] + 100 : face[1] + 200, face[0] - 60 : face[0] + 60]
    assert np.corrcoef(expected[box].ravel(), turned[box].ravel())[0, 1] > 0.9
    assert abs(np.corrcoef(plain[box].ravel(), turned[box].ravel())[0, 1]) < 0.3


def test_a_tilt_changes_deep_speckle_more_than_shallow() -> None:
    scene = short(replace(practice_scene("none"), target=None), 0.1)
    (plain, _), (tilted, _) = (
        next(simulate(replace(scene, drift=(DriftKey(0.0, fan_deg=fan),)), seed=2)) for fan in (0.0, 3.0)
    )

    face = scene.display.face_px
    rows = [np.s_[face[1] + y : face[1] + y + 40, face[0] - 100 : face[0] + 100] for y in (50, 150, 250)]
    alike = [np.corrcoef(plain.pixels[at].ravel(), tilted.pixels[at].ravel())[0, 1] for at in rows]
    assert alike == sorted(alike, reverse=True)
    assert alike[0] > 0.7
    assert alike[2] < 0.3
