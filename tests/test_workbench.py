"""A clip corrected on the workbench: one mended frame mends its neighbours (sample clips, invented data)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from needlecoach.analyse import score_clip
from needlecoach.errors import MarksError
from needlecoach.marks import marks_path, read_marks
from needlecoach.model import Correction, Scorecard
from needlecoach.workbench import Workbench

SAMPLES = Path(__file__).parents[1] / "sample_clips"
CLIP = SAMPLES / "blind_advance.mp4"
MARKS = read_marks(marks_path(CLIP))
TRUTH = json.loads((SAMPLES / "blind_advance.truth.json").read_text())["frames"]
TIP_PX = np.array([frame["tip_xy_px"] or (np.nan, np.nan) for frame in TRUTH], dtype=float)


@pytest.fixture(scope="module")
def bench() -> Iterator[Workbench]:
    with Workbench(CLIP, MARKS) as bench:
        bench.open()
        yield bench


@pytest.fixture(scope="module")
def raw(bench: Workbench) -> Scorecard:
    return bench.score(())


def error_mm(card: Scorecard) -> np.ndarray:
    return np.hypot(*card.scale.to_mm(card.track.tip_px - TIP_PX).T)


def said(frame: int, tip_px: np.ndarray, *, visible: bool) -> Correction:
    return Correction("tip", frame, (float(tip_px[0]), float(tip_px[1])), visible=visible, by="S01")


def near(card: Scorecard, frame: int, within_s: float) -> np.ndarray:
    away_s = np.abs(card.track.time_s - card.track.time_s[frame])
    return (away_s <= within_s) & (np.arange(len(away_s)) != frame)


def test_without_corrections_it_is_what_score_gives(raw: Scorecard) -> None:
    plain = score_clip(CLIP, MARKS)
    np.testing.assert_array_equal(raw.track.tip_px, plain.track.tip_px)
    np.testing.assert_array_equal(raw.strip.grey, plain.strip.grey)
    assert raw.attempts[0].figures == plain.attempts[0].figures
    assert (raw.raw, raw.corrections) == (None, ())


def test_a_tip_said_to_be_elsewhere_takes_the_frames_that_look_alike_with_it(
    bench: Workbench, raw: Scorecard
) -> None:
    # The needle rests there: 3 mm back along the shaft is wrong, but it is what the person says.
    frame = int(raw.attempts[0].closest_frame)
    along = raw.track.tip_px[frame] - raw.track.entry_px[frame]
    place = raw.track.tip_px[frame] - 3 / raw.scale.mean_mm_per_px * along / np.hypot(*along)
    card = bench.score([said(frame, place, visible=True)])
    np.testing.assert_allclose(card.track.tip_px[frame], place, atol=0.01)
    moved = np.hypot(*card.scale.to_mm(card.track.tip_px - place).T)
    assert np.nanmedian(moved[near(raw, frame, 0.2)]) < 1.5
    far = ~near(raw, frame, 3.5)
    far[frame] = False
    np.testing.assert_array_equal(card.track.needle_present[far], raw.track.needle_present[far])
    assert card.raw is raw
    assert len(card.corrections) == 1


def test_the_true_place_of_a_hidden_tip_mends_those_beside_it(bench: Workbench, raw: Scorecard) -> None:
    hidden = np.isfinite(TIP_PX[:, 0]) & ~raw.track.tip_visible & np.isfinite(error_mm(raw))
    frame = int(np.argmax(np.where(hidden, np.nan_to_num(error_mm(raw)), 0)))
    card = bench.score([said(frame, TIP_PX[frame], visible=False)])
    around = near(raw, frame, 0.25) & hidden
    assert around.sum() >= 4
    assert error_mm(card)[around].mean() < 0.7 * error_mm(raw)[around].mean()
    assert not card.track.tip_visible[frame]


def test_no_needle_and_tip_hidden_are_heeded(bench: Workbench, raw: Scorecard) -> None:
    frame = int(raw.attempts[0].closest_frame)
    gone = bench.score([Correction("no needle", frame)])
    assert not gone.track.needle_present[frame]
    hidden = bench.score([Correction("tip hidden", frame)])
    assert raw.track.tip_visible[frame]
    assert not hidden.track.tip_visible[frame]
    assert hidden.track.needle_present[frame]


def test_no_needle_holds_for_the_frames_that_look_alike_too() -> None:
    clip = SAMPLES / "clean_hit.mp4"
    with Workbench(clip, read_marks(marks_path(clip))) as bench:
        frame = int(bench.open().attempts[0].closest_frame)
        gone = bench.score([Correction("no needle", frame)])
    # The needle rests there: just before and after it looks the same.
    assert not gone.track.needle_present[frame - 3 : frame + 4].any()


def test_bounds_part_the_attempt_without_touching_the_track(bench: Workbench, raw: Scorecard) -> None:
    frame = int(raw.attempts[0].closest_frame)
    card = bench.score([Correction("split attempt", frame)])
    assert len(card.attempts) == len(raw.attempts) + 1
    np.testing.assert_array_equal(card.track.tip_px, raw.track.tip_px)


def test_taking_corrections_back_gives_the_first_result_again(bench: Workbench, raw: Scorecard) -> None:
    bench.score([Correction("no needle", 60)])
    assert bench.score(()) is raw


def test_a_frame_that_the_clip_does_not_have_is_refused(bench: Workbench) -> None:
    with pytest.raises(MarksError, match=r"blind_advance\.mp4: a correction is about frame 9999, the clip"):
        bench.score([Correction("no needle", 9999)])


def test_a_tip_far_outside_the_frame_is_refused(bench: Workbench) -> None:
    with pytest.raises(MarksError, match=r"blind_advance\.mp4: .* 3 at 5000,100 px, far outside the frame"):
        bench.score([Correction("tip", 3, (5000.0, 100.0))])


def test_a_core_needle_may_be_thrown_on_the_workbench_too() -> None:
    clip = SAMPLES / "core_fired.mp4"
    marks = read_marks(marks_path(clip))
    with Workbench(clip, marks) as bench:
        card = bench.open()

    np.testing.assert_array_equal(card.track.tip_px, score_clip(clip, marks).track.tip_px)
