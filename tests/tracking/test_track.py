"""The track of drawn clips, in px of the frame: seen, inferred and absent kept apart; invented data."""

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from needlecoach.model import Region, Scale, Target, Track
from needlecoach.tracking import windows
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.target import TargetFollower
from needlecoach.tracking.track import Tracking, no_track, track_clip

STEP_MM = 0.15
# The drawn pictures are the working pictures of a region that begins at (60, 30).
ORIGIN_PX = np.array([60.0, 30.0])
PLANE = Plane(Region("rectangle", (60, 30, 240, 220)), Scale.from_mm_per_px(STEP_MM))
IN_AND_OUT = ((0, -2), (0.5, -2), (2, 25), (3.2, 25), (4, -2), (4.6, -2))


def track_of(clip, target: Target | None = None) -> Track:
    beside = dict(enumerate(clip.pictures[:3]))
    follower = None if target is None else TargetFollower(beside, target, PLANE)
    return track_clip(zip(clip.time_s, clip.pictures, strict=True), PLANE, follower).track


def error_mm(track: Track, clip) -> np.ndarray:
    return np.hypot(*(track.tip_px - ORIGIN_PX - clip.tip_px).T) * STEP_MM


@pytest.fixture(scope="module")
def clip(drawn: Callable):
    """In at 18 mm/s, 1.2 s at 25 mm, out; the tip out of the beam's plane from 2.4 to 2.9 s."""
    shown = drawn(*IN_AND_OUT)
    hidden = (shown.time_s > 2.4) & (shown.time_s < 2.9)
    return drawn(*IN_AND_OUT, hidden=hidden)


@pytest.fixture(scope="module")
def track(clip) -> Track:
    return track_of(clip)


def test_a_seen_tip_lies_where_it_was_drawn(track: Track, clip) -> None:
    error = error_mm(track, clip)[track.tip_visible]

    assert np.median(error) < 0.1
    assert np.percentile(error, 95) < 0.3


def test_the_entry_lies_on_the_edge_of_the_region(track: Track) -> None:
    """The needle is drawn in from the left, where the region begins at x = 60 px."""
    np.testing.assert_allclose(track.entry_px[track.needle_present, 0], ORIGIN_PX[0], atol=1.0)


def test_seen_inferred_and_absent_are_kept_apart(track: Track, clip) -> None:
    hidden = (clip.time_s > 2.45) & (clip.time_s < 2.85)
    resting = (clip.time_s > 2.1) & (clip.time_s < 2.35) | (clip.time_s > 2.95) & (clip.time_s < 3.15)

    assert track.tip_visible[resting].all()
    assert not track.tip_visible[hidden].any()
    assert track.needle_present[hidden].all()
    assert np.isfinite(track.tip_px[hidden]).all()
    assert np.nanmax(error_mm(track, clip)[hidden]) < 1.0
    assert not track.needle_present[clip.time_s < 0.5].any()
    assert not track.needle_present[clip.time_s > 4.1].any()


def test_nothing_is_known_where_there_is_no_needle(track: Track) -> None:
    absent = ~track.needle_present
    for values in (track.tip_px, track.tip_sd_mm, track.entry_px, track.angle_deg, track.shaft_visible_share):
        assert np.isnan(values[absent]).all()
        assert np.isfinite(values[~absent]).all()
    assert not track.tip_visible[absent].any()


def test_an_inferred_tip_is_less_certain_than_a_seen_one(track: Track, clip) -> None:
    hidden = (clip.time_s > 2.45) & (clip.time_s < 2.85)
    resting = (clip.time_s > 2.1) & (clip.time_s < 2.35)

    assert track.tip_sd_mm[hidden].min() > 1.5 * track.tip_sd_mm[resting].max()
    assert track.tip_sd_mm[track.tip_visible].min() > 0.02


def test_most_errors_lie_within_two_sd(track: Track, clip) -> None:
    both = track.needle_present & np.isfinite(clip.insertion_mm)
    assert (error_mm(track, clip)[both] <= 2 * track.tip_sd_mm[both]).mean() > 0.9


def test_shaft_angle_and_entry(track: Track, clip) -> None:
    deep = track.needle_present & (np.nan_to_num(clip.insertion_mm) > 8)

    np.testing.assert_allclose(track.angle_deg[deep], 35, atol=0.5)
    off_mm = np.hypot(*(track.entry_px[deep] - ORIGIN_PX - clip.entry_px).T) * STEP_MM
    assert off_mm.max() < 0.8
    shown = deep & track.tip_visible
    assert np.median(track.shaft_visible_share[shown]) > 0.6
    assert track.shaft_visible_share[deep].min() >= 0


def test_drift_of_the_probe_is_put_back(drawn: Callable) -> None:
    """The whole picture slides by (9, -6) px in 4 s: the tip is reported where it is in each frame."""
    still = drawn(*IN_AND_OUT, seed=1)
    offsets = np.linspace(0, 1, len(still.pictures))[:, None] * np.array([9.0, -6.0])
    pictures = [
        cv2.warpAffine(picture, np.array([[1, 0, dx], [0, 1, dy]]), (240, 220), borderMode=cv2.BORDER_REFLECT)
        for picture, (dx, dy) in zip(still.pictures, offsets, strict=True)
    ]
    moved = replace(still, pictures=pictures, tip_px=still.tip_px + offsets)

    track = track_of(moved)

    error = error_mm(track, moved)[track.tip_visible]
    assert track.tip_visible.sum() > 45
    assert np.median(error) < 0.15
    assert np.percentile(error, 95) < 0.5


def test_the_target_is_followed_beside_the_needle(clip) -> None:
    target = Target.from_ellipse((200.0, 180.0), (25.0, 25.0))

    track = track_of(clip, target)

    np.testing.assert_allclose(track.target_px[0], [200, 180], atol=0.5)
    assert np.isfinite(track.target_px).all()
    assert track.target_found[0]


def test_without_a_marked_target_there_is_none(track: Track) -> None:
    assert np.isnan(track.target_px).all()
    assert not track.target_found.any()


def test_no_needle_is_a_track_without_one(drawn: Callable) -> None:
    empty = drawn((0, -2), (3, -2))

    tracking = track_clip(zip(empty.time_s, empty.pictures, strict=True), PLANE, None)

    assert len(tracking.track) == len(empty.pictures)
    assert not tracking.track.needle_present.any()
    assert np.isnan(tracking.track.tip_px).all()
    assert tracking.notes == ()


TWICE = ((0, -2), (0.5, -2), (2, 25), (3, 25), (4, -2), (6.5, -2), (8, 20), (9, 20), (10, -2), (11, -2))
# In, drawn back a little, further in, and never out: every window ends with the needle in its place.
STAYS_IN = (
    (0, -2),
    (0.5, -2),
    (2, 20),
    (3, 20),
    (3.5, 14),
    (5, 24),
    (6, 24),
    (6.7, 16),
    (8, 25),
    (9, 13),
    (10, 25),
)


@pytest.mark.parametrize("stops", [TWICE, STAYS_IN], ids=["out between windows", "in all along"])
def test_a_clip_of_several_windows_is_followed_as_if_it_were_one(
    drawn: Callable, monkeypatch: pytest.MonkeyPatch, stops: tuple[tuple[float, float], ...]
) -> None:
    clip = drawn(*stops)
    seams = []

    def seam(present: np.ndarray, time_s: np.ndarray, fresh: int) -> tuple[int, int]:
        seams.append(time_s[0])
        return known(present, time_s, fresh)

    known = windows.seam
    monkeypatch.setattr(windows, "WINDOW_S", 6.0)
    monkeypatch.setattr(windows, "SHARED_S", 2.0)
    monkeypatch.setattr(windows, "seam", seam)

    track = track_of(clip)

    truly_in = np.isfinite(clip.insertion_mm)
    error = error_mm(track, clip)[track.tip_visible]
    assert len(seams) >= 1
    assert len(track) == len(clip.pictures)
    assert (track.needle_present != truly_in).sum() <= 4
    assert (track.tip_visible & truly_in).sum() > 0.9 * truly_in.sum()
    assert np.median(error) < 0.1
    assert np.percentile(error, 95) < 0.3


def with_holes(clip, *from_s: float, lasting_s: float):
    """The same pictures, nothing recorded for so long after each time."""
    time_s = clip.time_s + lasting_s * (clip.time_s[:, None] > np.array(from_s)).sum(axis=1)
    return replace(clip, time_s=time_s)


def test_a_needle_that_rests_through_a_hole_in_the_recording_stays_in(clip) -> None:
    holed = with_holes(clip, 2.2, lasting_s=30.0)

    tracking = track_clip(zip(holed.time_s, holed.pictures, strict=True), PLANE, None)

    whole = track_of(clip)
    np.testing.assert_array_equal(tracking.track.time_s, holed.time_s)
    assert (tracking.track.needle_present != whole.needle_present).sum() <= 2
    assert len(tracking.notes) == 1
    assert "Nothing was recorded from 2.2 to 32.2 s: what happened" in tracking.notes[0]


def test_many_holes_are_counted_and_slow_pictures_are_none(clip) -> None:
    holed = with_holes(clip, 0.4, 1.0, 2.2, 3.0, 3.6, lasting_s=5.0)
    slow = zip(4.0 * np.arange(40), clip.pictures[:40], strict=True)

    many = track_clip(zip(holed.time_s, holed.pictures, strict=True), PLANE, None).notes
    none = track_clip(slow, PLANE, None).notes

    assert len(many) == 1
    assert "and 2 times more" in many[0]
    assert none == ()


def test_a_sweep_is_noted_for_the_reader(gel: Callable) -> None:
    pictures = [gel(seed).astype(np.uint8) for seed in range(30)]

    tracking = track_clip(zip(np.arange(30) / 20, pictures, strict=True), PLANE, None)

    assert not tracking.track.needle_present.any()
    assert len(tracking.notes) == 1
    assert "97% of the frames the whole picture moved" in tracking.notes[0]


@pytest.mark.parametrize("n", [0, 1, 2])
def test_a_clip_of_hardly_any_frames_holds_no_needle(gel: Callable, n: int) -> None:
    pictures = [gel(0).astype(np.uint8)] * n

    tracking = track_clip(zip(np.arange(n) / 20, pictures, strict=True), PLANE, None)

    assert len(tracking.track) == n
    assert not tracking.track.needle_present.any()


def test_a_clip_that_could_not_be_followed_has_an_empty_track() -> None:
    nothing = no_track()

    assert isinstance(nothing, Tracking)
    assert len(nothing.track) == 0
    assert nothing.notes == ()


def test_the_end_of_the_trail_left_behind_is_found(drawn: Callable) -> None:
    """Once the needle is drawn back a line stays in its place, up to where its tip had been."""
    way = ((0, -2), (0.5, -2), (2, 22), (3, 22), (3.8, -2), (5, -2))
    clip, line = drawn(*way), drawn((0, 22), (0.2, 22), grey=120.0, texture=10.0)
    pictures = [
        np.maximum(picture, line.pictures[0]) if time_s > 3 else picture
        for picture, time_s in zip(clip.pictures, clip.time_s, strict=True)
    ]

    track = track_of(replace(clip, pictures=pictures))

    found = np.isfinite(track.trail_end_px[:, 0])
    assert found.sum() > 10
    assert clip.time_s[found].min() > 3.7
    assert not (found & track.needle_present).any()
    away_px = track.trail_end_px[found] - ORIGIN_PX - line.tip_px[0]
    assert np.hypot(*away_px.T).max() * STEP_MM < 1.0


def test_without_a_trail_no_end_is_found(track: Track) -> None:
    assert np.isnan(track.trail_end_px).all()
