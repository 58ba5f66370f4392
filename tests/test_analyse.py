"""Clips in, scorecards out: drawn scenes and the sample clips against their exact truth (invented data).

The bars are those the sample clips are held to: over the frames in which the tip can truly be seen a median
error of at most 0.5 mm and a 95th percentile of at most 1.5 mm (a frame without a tip in the track has none;
nearly all must have one); attempts, passes and outcomes right; no needle where none is.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from shapely.geometry import LineString, Polygon

from needlecoach.analyse import score_clip
from needlecoach.errors import ClipError, MarksError
from needlecoach.marks import read_marks
from needlecoach.model import Marks, Medium, Scale, Scorecard, Target
from needlecoach.phantoms.camera import Camera, CameraView, filmed_truth, to_frame_px
from needlecoach.phantoms.practice import practice_scene
from needlecoach.phantoms.simulate import marks_record, simulate, truth_record, write_clip
from needlecoach.reporting.tables import track_table
from needlecoach.screen.sound import true_points_px

SAMPLES = Path(__file__).parents[1] / "sample_clips"
MEDIAN_MM, NINETY_FIFTH_MM = 0.5, 1.5
FOUND_MM = 2.0


@dataclass(frozen=True, eq=False)
class Scored:
    """A scorecard beside the truth of its clip."""

    card: Scorecard
    truth: dict[str, Any]

    def of_frames(self, key: str) -> np.ndarray:
        return np.array([frame[key] for frame in self.truth["frames"]])

    @cached_property
    def error_mm(self) -> np.ndarray:
        """Tip error (n,) in mm; NaN where there is no tip in truth or none in the track."""
        tip_px = np.array([f["tip_xy_px"] or (np.nan, np.nan) for f in self.truth["frames"]], dtype=float)
        scale = np.array([self.truth["mm_per_px"]["x"], self.truth["mm_per_px"]["y"]])
        return np.hypot(*((self.card.track.tip_px - tip_px) * scale).T)

    @cached_property
    def seen_error_mm(self) -> np.ndarray:
        """Errors over the frames in which the tip can truly be seen and the track has one."""
        shown = self.error_mm[self.of_frames("tip_visible")]
        return shown[np.isfinite(shown)]

    @cached_property
    def found_share(self) -> float:
        """Share of the frames with a truly visible tip in which it was found within 2 mm."""
        return float((self.seen_error_mm <= FOUND_MM).sum() / self.of_frames("tip_visible").sum())

    @property
    def attempts(self) -> list[dict[str, Any]]:
        return self.truth["events"]["attempts"]

    @property
    def false_frames(self) -> int:
        return int((self.card.track.needle_present & ~self.of_frames("needle_present")).sum())

    def outcomes(self) -> list[str]:
        return [attempt.outcome for attempt in self.card.attempts]

    def true_outcomes(self) -> list[str]:
        return ["hit" if attempt["hit"] else "miss" for attempt in self.attempts]


# ---------------------------------------------------------------------------------------------- sample clips


@pytest.fixture(scope="module")
def sample() -> Callable[[str], Scored]:
    """Return the function that scores a sample clip, each once."""
    known: dict[str, Scored] = {}

    def scored(name: str) -> Scored:
        if name not in known:
            truth = json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
            marks = read_marks(SAMPLES / f"{name}.marks.json")
            known[name] = Scored(score_clip(SAMPLES / f"{name}.mp4", marks), truth)
        return known[name]

    return scored


WITH_NEEDLE = [
    "blind_advance",
    "clean_hit",
    "core_fired",
    "miss_with_redirection",
    "trail_trap",
    "two_attempts_curved",
]


def test_every_sample_clip_is_tested() -> None:
    assert sorted([*WITH_NEEDLE, "no_needle"]) == sorted(path.stem for path in SAMPLES.glob("*.mp4"))


@pytest.mark.parametrize("name", WITH_NEEDLE)
def test_the_tip_of_a_sample_clip(sample: Callable[[str], Scored], name: str) -> None:
    scored = sample(name)

    assert np.median(scored.seen_error_mm) <= MEDIAN_MM
    assert np.percentile(scored.seen_error_mm, 95) <= NINETY_FIFTH_MM
    assert scored.found_share >= 0.9


@pytest.mark.parametrize("name", WITH_NEEDLE)
def test_the_attempts_of_a_sample_clip(sample: Callable[[str], Scored], name: str) -> None:
    scored = sample(name)

    assert len(scored.card.attempts) == len(scored.attempts)
    for got, want in zip(scored.card.attempts, scored.attempts, strict=True):
        assert got.figures["start_s"].value == pytest.approx(want["start_s"], abs=0.5)
        assert got.figures["end_s"].value == pytest.approx(want["end_s"], abs=0.5)
        assert got.cut_off == want["cut_off"]


# What a teacher would say, read off sample_clips/README.md; our own reading, invented clips.
ADVICE = {
    "blind_advance": [["pushing on while lost"]],
    "clean_hit": [["going well"]],
    "core_fired": [["fired short"]],
    "miss_with_redirection": [["missing to one side"]],
    "no_needle": [],
    "trail_trap": [["going well"]],
    "two_attempts_curved": [["stopping short"], ["going well"]],
}


def test_every_sample_clip_s_advice_is_told() -> None:
    assert sorted(ADVICE) == sorted([*WITH_NEEDLE, "no_needle"])


@pytest.mark.parametrize("name", ADVICE)
def test_the_advice_on_a_sample_clip(sample: Callable[[str], Scored], name: str) -> None:
    attempts = sample(name).card.attempts

    assert [[one.rule for one in attempt.advice] for attempt in attempts] == ADVICE[name]


@pytest.mark.parametrize("name", WITH_NEEDLE)
def test_the_passes_of_a_sample_clip(sample: Callable[[str], Scored], name: str) -> None:
    scored = sample(name)

    assert [len(attempt.passes) for attempt in scored.card.attempts] == [
        attempt["n_passes"] for attempt in scored.attempts
    ]


@pytest.mark.parametrize("name", WITH_NEEDLE)
def test_the_outcomes_of_a_sample_clip(sample: Callable[[str], Scored], name: str) -> None:
    scored = sample(name)

    assert scored.outcomes() == scored.true_outcomes()


@pytest.mark.parametrize("name", WITH_NEEDLE)
def test_the_closest_approach_of_a_sample_clip(sample: Callable[[str], Scored], name: str) -> None:
    scored = sample(name)

    for got, want in zip(scored.card.attempts, scored.attempts, strict=True):
        assert got.figures["closest_edge_mm"].value == pytest.approx(want["min_dist_edge_mm"], abs=1.0)


def test_sizes_of_a_core_needle_that_were_not_used_are_told() -> None:
    marks = read_marks(SAMPLES / "no_needle.marks.json")
    said = score_clip(SAMPLES / "no_needle.mp4", replace(marks, throw_mm=22.0, notch_mm=18.0)).quality_notes

    assert any("throw, notch, which were not used: the task is aspirate" in note for note in said)
    assert not any("not used" in note for note in score_clip(SAMPLES / "no_needle.mp4", marks).quality_notes)


@pytest.mark.parametrize("name", ["clean_hit", "two_attempts_curved"])
def test_the_medium_changes_millimetres_and_not_the_track_on_the_screen(
    sample: Callable[[str], Scored], name: str
) -> None:
    """At nine tenths of 1540 m/s depths shrink by a tenth; the samples' rulers have ticks of 5 mm."""
    shown = sample(name).card
    marks = read_marks(SAMPLES / f"{name}.marks.json")
    card = score_clip(
        SAMPLES / f"{name}.mp4",
        replace(marks, tick_mm=5.0, medium=Medium("custom", speed_m_s=1386.0)),
    )

    assert (card.scale, card.quality_notes) == (shown.scale, shown.quality_notes)
    np.testing.assert_array_equal(card.track.tip_px, shown.track.tip_px)
    rows = np.flatnonzero(np.isfinite(shown.distances["centre_distance_mm"]))
    depth = [card.region.depth_px(t.tip_px[rows]) for t in (card.measured_track, card.track)]
    np.testing.assert_allclose(depth[0], 0.9 * depth[1], atol=1e-6)
    ways = card.scale.to_mm(card.measured_track.tip_px[rows] - card.measured_track.target_px[rows])
    np.testing.assert_allclose(card.distances["centre_distance_mm"][rows], np.hypot(*ways.T), atol=1e-9)
    angles = [np.nanmedian(one.measured_track.angle_deg) for one in (card, shown)]
    assert 1.0 < angles[1] - angles[0] < 4.0
    assert "depth by 1386.0 m/s" in card.attempts[0].figures["scale_source"].value


def test_a_core_needles_notch_in_true_millimetres_and_shown_places() -> None:
    """The sample's needle as if it had a notch 1 to 9 mm behind its point (invented), and slow sound.

    Within 1 mm of the longest stretch inside by the clip's truth, every place taken to where it truly is.
    """
    truth = json.loads((SAMPLES / "clean_hit.truth.json").read_text(encoding="utf-8"))
    marks = read_marks(SAMPLES / "clean_hit.marks.json")
    core = {"task": "core", "dead_space_mm": 1.0, "notch_mm": 8.0, "throw_mm": 15.0}
    slow = Medium("custom", speed_m_s=1386.0)
    card = score_clip(SAMPLES / "clean_hit.mp4", replace(marks, medium=slow, **core))
    (attempt,) = card.attempts
    assert attempt.core is not None and card.sound is not None

    def true_mm(*points_px: Any) -> np.ndarray:
        assert card.sound is not None
        return card.scale.to_mm(true_points_px(np.array(points_px, dtype=float), card.region, card.sound))

    lengths = []
    for frame in truth["frames"]:
        if frame["tip_xy_px"] is None:
            continue
        tip, entry = true_mm(frame["tip_xy_px"], frame["entry_xy_px"])
        back = (entry - tip) / np.hypot(*(entry - tip))
        shift = np.array(frame["target"]["centre_px"]) - truth["frames"][0]["target"]["centre_px"]
        assert marks.target is not None
        body = Polygon(true_mm(*(marks.target.outline_px + shift)))
        lengths.append(LineString([tip + back, tip + 9 * back]).intersection(body).length)
    found = attempt.figures["notch_in_target_mm"]
    assert found.value == pytest.approx(max(lengths), abs=1.0) and max(lengths) > 1

    ends, tip = true_mm(*attempt.core.notch_px), true_mm(card.track.tip_px[attempt.core.frame])[0]
    np.testing.assert_allclose(np.hypot(*(ends - tip).T), (9.0, 1.0), atol=0.2)
    assert attempt.core.fired_tip_px is not None
    assert np.hypot(*(true_mm(attempt.core.fired_tip_px)[0] - tip)) == pytest.approx(15.0, abs=0.2)


def test_the_firing_of_the_sample_clip_is_followed(sample: Callable[[str], Scored]) -> None:
    """Thrown 22 mm: at the speed of a hand its tip would be off by some millimetres in many frames."""
    scored = sample("core_fired")
    fired = scored.truth["events"]["firing"]["frame"]
    near = slice(fired - 6, fired + 7)

    assert (scored.error_mm[near] > 0.5).sum() <= 1
    assert scored.card.track.tip_visible[near].all()


def test_the_sample_clip_without_a_needle_has_none(sample: Callable[[str], Scored]) -> None:
    card = sample("no_needle").card

    assert not card.track.needle_present.any()
    assert card.attempts == ()
    assert card.unscorable == ""


# ---------------------------------------------------------------------------------------------- drawn scenes

Draw = Callable[..., Scored]


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Draw:
    """Return the function that draws a practice scene, writes it as video, and scores that; each once."""
    known: dict[tuple[Any, ...], Scored] = {}

    def scored(kind: str, **options: Any) -> Scored:
        key = (kind, *sorted(options.items()))
        if key not in known:
            path = tmp_path_factory.mktemp("scene") / f"{kind}.mp4"
            drawing = practice_scene(kind, **options)  # type: ignore[arg-type]
            truth = write_clip(drawing, path, seed=11)
            marks_file = path.with_name(f"{kind}.marks.json")
            marks_file.write_text(json.dumps(marks_record(drawing, learner="L01", notes="")))
            known[key] = Scored(score_clip(path, read_marks(marks_file)), truth)
        return known[key]

    return scored


SCENES = [
    ("hit", {"angle_deg": 15.0}),
    ("hit", {"angle_deg": 30.0, "side": "right", "traps": True}),
    ("hit", {"angle_deg": 45.0, "target": "ring"}),
    ("hit", {"angle_deg": 60.0, "side": "right"}),
    ("hit", {"angle_deg": 75.0}),
    ("hit", {"angle_deg": 75.0, "side": "right", "trail_db": None}),
    ("hit", {"angle_deg": 15.0, "probe": "curved"}),
    ("hit", {"angle_deg": 60.0, "probe": "curved", "side": "right"}),
    ("miss", {"angle_deg": 30.0, "side": "right", "target": "solid"}),
    ("redirect", {"angle_deg": 45.0}),
    ("strokes", {"angle_deg": 40.0}),
    ("blind", {"angle_deg": 40.0}),
    ("trail", {"angle_deg": 30.0, "trail_db": 28.0}),
    ("two_attempts", {"angle_deg": 45.0, "side": "right"}),
    ("two_attempts", {"angle_deg": 45.0, "probe": "curved"}),
]
IDS = ["-".join(str(part) for part in (kind, *options.values())) for kind, options in SCENES]


@pytest.mark.parametrize(("kind", "options"), SCENES, ids=IDS)
def test_the_tip_and_the_attempts_of_a_drawn_scene(scene: Draw, kind: str, options: dict[str, Any]) -> None:
    scored = scene(kind, **options)

    assert np.median(scored.seen_error_mm) <= MEDIAN_MM
    assert scored.found_share >= 0.9
    assert len(scored.card.attempts) == len(scored.attempts)
    assert scored.outcomes() == scored.true_outcomes()
    assert scored.false_frames <= 2


@pytest.mark.parametrize(("kind", "options"), SCENES, ids=IDS)
def test_the_passes_of_a_drawn_scene(scene: Draw, kind: str, options: dict[str, Any]) -> None:
    scored = scene(kind, **options)

    assert [len(attempt.passes) for attempt in scored.card.attempts] == [
        attempt["n_passes"] for attempt in scored.attempts
    ]


@pytest.mark.parametrize(("kind", "options"), SCENES, ids=IDS)
def test_the_angle_of_a_drawn_scene(scene: Draw, kind: str, options: dict[str, Any]) -> None:
    scored = scene(kind, **options)
    angle_deg = scored.of_frames("angle_deg").astype(float)
    shown = scored.of_frames("tip_visible") & scored.card.track.needle_present

    assert np.median(np.abs(scored.card.track.angle_deg - angle_deg)[shown]) <= 1.5


@pytest.mark.parametrize(("probe", "traps"), [("linear", True), ("linear", False), ("curved", True)])
def test_a_drawn_scene_without_a_needle_has_none(scene: Draw, probe: str, traps: bool) -> None:
    scored = scene("none", probe=probe, traps=traps)

    assert not scored.card.track.needle_present.any()
    assert scored.card.attempts == ()


def test_steep_needles_come_in_through_the_top(scene: Draw) -> None:
    """At 75 degrees the drawn needle enters from above, not from a side."""
    scored = scene("hit", angle_deg=75.0)
    top_px = scored.truth["region"]["box_px"][1]

    entry_px = scored.card.track.entry_px[scored.card.track.needle_present]

    assert np.median(np.abs(entry_px[:, 1] - top_px)) * 0.12 < 1.0


def test_strokes_are_counted(scene: Draw) -> None:
    scored = scene("strokes", angle_deg=40.0)

    assert scored.card.attempts[0].figures["strokes"].value == scored.attempts[0]["n_strokes"]


def test_a_tip_out_of_the_plane_is_not_called_seen(scene: Draw) -> None:
    scored = scene("blind", angle_deg=40.0)
    sure = ~scored.of_frames("tip_borderline")
    hidden = scored.of_frames("needle_present") & ~scored.of_frames("tip_visible") & sure

    assert hidden.sum() > 5
    assert scored.card.track.tip_visible[hidden].mean() < 0.2


# ---------------------------------------------------------------------------------------------- the interface


@pytest.fixture(scope="module")
def short_clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Half a second of gel without a needle."""
    path = tmp_path_factory.mktemp("short") / "short.mp4"
    write_clip(replace(practice_scene("none"), duration_s=0.5), path, seed=3)
    return path


SCALE = Scale.from_mm_per_px(0.12)


def test_a_scale_is_needed_and_a_ruler_is_told(short_clip: Path) -> None:
    said = (
        r"short\.mp4: no scale is marked\. A ruler was found: 8 ticks, 41\.\d+ px apart, every 2nd longer; "
    )
    with pytest.raises(MarksError, match=said + "give --tick-mm"):
        score_clip(short_clip, Marks(), no_target=True)


def test_the_ruler_of_a_drawn_clip_gives_its_scale(short_clip: Path) -> None:
    card = score_clip(short_clip, Marks(tick_mm=5.0), no_target=True)

    assert card.scale.source == "ruler on the screen, 8 ticks of 5 mm"
    assert card.scale.x_mm_per_px == pytest.approx(0.12, rel=0.003)
    assert card.sound is None and card.measured_track is card.track


def test_a_target_is_needed_unless_none_is_wanted(short_clip: Path) -> None:
    with pytest.raises(MarksError, match=r"short\.mp4: no target is marked"):
        score_clip(short_clip, Marks(scale=SCALE))

    card = score_clip(short_clip, Marks(scale=SCALE), no_target=True)

    assert np.isnan(card.track.target_px).all()
    assert card.options["no_target"] is True


def test_a_marked_target_is_left_out_on_request(short_clip: Path) -> None:
    marks = Marks(scale=SCALE, target=Target.from_ellipse((200.0, 200.0), (20.0, 20.0)))

    assert np.isnan(score_clip(short_clip, marks, no_target=True).track.target_px).all()
    assert np.isfinite(score_clip(short_clip, marks).track.target_px).all()


def test_a_target_outside_the_frame_is_refused(short_clip: Path) -> None:
    marks = Marks(scale=SCALE, target=Target.from_ellipse((5000.0, 200.0), (20.0, 20.0)))

    with pytest.raises(MarksError):
        score_clip(short_clip, marks)


def test_a_missing_clip_is_said_to_be_missing(tmp_path: Path) -> None:
    with pytest.raises(ClipError):
        score_clip(tmp_path / "nothing.mp4", Marks(scale=SCALE), no_target=True)


def test_progress_runs_to_the_end(short_clip: Path) -> None:
    told: list[tuple[int, int]] = []

    card = score_clip(short_clip, Marks(scale=SCALE), no_target=True, progress=lambda *at: told.append(at))

    assert [done for done, _ in told] == list(range(1, len(card.track) + 1))
    assert {total for _, total in told} == {len(card.track)}


def test_the_same_clip_gives_the_same_card(short_clip: Path) -> None:
    first, again = (score_clip(short_clip, Marks(scale=SCALE), no_target=True) for _ in range(2))

    assert first.clip_sha256 == again.clip_sha256
    assert len(first.clip_sha256) == 64
    assert first.region == again.region
    np.testing.assert_array_equal(first.track.time_s, again.track.time_s)


def test_a_region_that_was_given_is_used(short_clip: Path) -> None:
    marks = Marks(scale=SCALE, region_box_px=(70, 60, 240, 200))

    card = score_clip(short_clip, marks, no_target=True)

    assert card.region.source == "given"
    assert card.region.box_px == (70, 60, 240, 200)


def test_a_scale_that_makes_the_picture_tiny_is_unscorable(short_clip: Path) -> None:
    card = score_clip(short_clip, Marks(scale=Scale.from_mm_per_px(0.002)), no_target=True)

    assert "check --scale" in card.unscorable
    assert card.attempts == ()
    assert len(card.track) == 0


def test_a_folder_of_images_is_scored_by_its_fps(short_clip: Path, tmp_path: Path) -> None:
    video = cv2.VideoCapture(str(short_clip))
    for number in range(5):
        _, image = video.read()
        cv2.imwrite(str(tmp_path / f"{number:03}.png"), image)

    card = score_clip(tmp_path, Marks(scale=SCALE), no_target=True, fps=25)

    np.testing.assert_allclose(card.track.time_s, np.arange(5) / 25)
    assert card.options["fps"] == 25


# ------------------------------------------------------------------------------------------- a filmed screen


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Marks, dict[str, Any]]:
    """A camera's recording of a practice scene, what a user would mark on it, and its truth."""
    folder = tmp_path_factory.mktemp("filmed")
    drawing = practice_scene("hit", angle_deg=45.0)
    view = CameraView(
        size_px=(640, 480), focal_px=600, fill=0.84, turn_deg=(12, -8, 2), shake_px=3, shake_deg=0.2
    )
    camera = Camera(view, (drawing.display.width_px, drawing.display.height_px), seed=4)
    drawn = list(simulate(drawing, seed=11))
    writer = cv2.VideoWriter(
        str(folder / "L01.mp4"), cv2.VideoWriter.fourcc(*"mp4v"), drawing.fps, view.size_px
    )
    homographies = []
    for frame, homography in camera.film(frame for frame, _ in drawn):
        writer.write(cv2.cvtColor(frame.pixels, cv2.COLOR_GRAY2BGR))
        homographies.append(homography)
    writer.release()
    truth = filmed_truth(truth_record(drawing, [one for _, one in drawn], seed=11), homographies, camera)
    record = marks_record(drawing, learner="L01", notes="")
    ellipse, ruler = record["target"]["ellipse"], record["scale"]
    flat = Target.from_ellipse(tuple(ellipse["centre_px"]), tuple(ellipse["semi_axes_px"]))
    ends = to_frame_px(homographies[0], ruler["points_px"])
    marks = Marks(
        target=Target(to_frame_px(homographies[0], flat.outline_px)),
        scale=Scale.from_points(tuple(ends[0]), tuple(ends[1]), mm=ruler["mm"]),
        screen="auto",
    )
    return folder / "L01.mp4", marks, truth


def test_a_filmed_screen_is_scored_in_px_of_its_own_frames(
    filmed: tuple[Path, Marks, dict[str, Any]],
) -> None:
    path, marks, truth = filmed
    card = score_clip(path, marks)

    table = track_table(card)
    tip_px, error_mm, seen = table[["tip_x_px", "tip_y_px"]].to_numpy(), [], 0
    for frame, place in zip(truth["frames"], tip_px, strict=True):
        if frame["tip_visible"]:
            seen += 1
            back = np.linalg.inv(np.array(frame["homography_screen_to_frame"]))
            on_screen = to_frame_px(back, [place, frame["tip_xy_px"]])
            error_mm.append(np.hypot(*np.diff(on_screen, axis=0)[0]) * truth["mm_per_px"]["x"])
    error_mm = np.array(error_mm)[np.isfinite(error_mm)]
    assert np.median(error_mm) <= MEDIAN_MM
    assert np.percentile(error_mm, 95) <= NINETY_FIFTH_MM
    assert len(error_mm) >= 0.9 * seen
    assert [attempt.outcome for attempt in card.attempts] == ["hit"]
    assert card.screen is not None and card.screen.found.all()
    true = to_frame_px(np.array(truth["frames"][40]["homography_screen_to_frame"]), [(0, 0), (419, 399)])
    assert np.abs(card.screen.outlines_px()[40][[0, 2]] - true).max() <= 3.0
    assert any("panel" in note or "times as wide" in note for note in card.quality_notes)


def test_a_filmed_screen_that_is_not_found(tmp_path: Path) -> None:
    path = tmp_path / "L01.mp4"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), 10.0, (320, 240))
    for _ in range(8):
        writer.write(np.full((240, 320, 3), 70, np.uint8))
    writer.release()
    marks = Marks(scale=Scale(0.1, 0.1, "drawn", 0.0), screen="auto")

    card = score_clip(path, marks, no_target=True)

    assert "no outline of a screen" in card.unscorable and "--screen" in card.unscorable
    assert card.screen is None
