"""The needle is followed on drawn clips, and none is found where there is none: invented data."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from needlecoach.model import Region, Scale
from needlecoach.tracking.cover import comes_in_at, reached_first
from needlecoach.tracking.follow import OUT_NATS, Course, follow_needle
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.spot import tip_places_mm
from needlecoach.tracking.tip import TipPath, follow_tip

STEP_MM = 0.15
PLANE = Plane(Region("rectangle", (0, 0, 240, 220)), Scale.from_mm_per_px(STEP_MM))
IN_AND_OUT = ((0, -2), (0.5, -2), (2, 25), (2.6, 25), (3.4, -2), (4, -2))
SIZE = (240, 220)


def course_of(clip) -> Course | None:
    return follow_needle(clip.pictures, clip.time_s, PLANE)


def found_frames(course: Course | None) -> int:
    return 0 if course is None else int(np.isfinite(course.path.position_mm).sum())


def tip_error_mm(course: Course, clip) -> np.ndarray:
    """Distance of the followed tip from the drawn one, (n,); NaN where either is absent."""
    places = [course.axis.points(i, s) for i, s in enumerate(course.path.position_mm)]
    return np.hypot(*(np.array(places) - clip.tip_px).T) * STEP_MM


@pytest.fixture(scope="module")
def clip(drawn: Callable):
    return drawn(*IN_AND_OUT)


@pytest.fixture(scope="module")
def course(clip) -> Course:
    found = course_of(clip)
    assert found is not None
    return found


def test_the_tip_is_followed_through_the_clip(course: Course, clip) -> None:
    here = np.isfinite(clip.insertion_mm)

    assert np.count_nonzero(np.isfinite(course.path.position_mm) != here) <= 2
    error = tip_error_mm(course, clip)
    assert np.nanmedian(error) < 0.3
    assert np.nanpercentile(error, 95) < 1.0


def test_a_seen_tip_has_a_spot(course: Course, clip) -> None:
    resting = np.flatnonzero((clip.time_s > 2.1) & (clip.time_s < 2.5))

    places = tip_places_mm(course.spots)
    for frame in resting:
        spot = course.spots[frame]
        assert spot is not None
        place = course.axis.points(frame, places[frame], spot.across_mm)
        assert np.hypot(*(place - clip.tip_px[frame])) * STEP_MM < 0.15
    assert course.spots[0] is None


def test_strips_of_a_course_belong_together(course: Course, clip) -> None:
    shape = (len(clip.pictures), course.grey.shape[1])
    for strip in (course.odds, course.before):
        assert strip.shape == shape


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("angle_deg", [20, 60])
def test_either_side_and_other_angles(drawn: Callable, angle_deg: float, side: str) -> None:
    other = drawn(*IN_AND_OUT, angle_deg=angle_deg, side=side, seed=2)

    course = course_of(other)

    assert course is not None
    assert np.nanpercentile(tip_error_mm(course, other), 95) < 1.0
    assert np.count_nonzero(np.isfinite(course.path.position_mm) != np.isfinite(other.insertion_mm)) <= 2


def test_a_needle_in_from_the_first_frame_is_followed(drawn: Callable) -> None:
    other = drawn((0, 12), (0.8, 12), (1.6, 24), (2.2, 24), (3.2, -2), (4, -2))

    course = course_of(other)

    assert course is not None
    assert np.isfinite(course.path.position_mm[:40]).mean() > 0.9
    assert np.isnan(course.path.position_mm[-12:]).all()
    assert np.nanmedian(tip_error_mm(course, other)) < 0.5


def test_a_needle_still_in_at_the_end_is_followed(drawn: Callable) -> None:
    other = drawn((0, -2), (0.8, -2), (2.4, 24), (4, 24))

    course = course_of(other)

    assert course is not None
    assert np.isfinite(course.path.position_mm[-20:]).all()
    assert np.nanmedian(tip_error_mm(course, other)) < 0.5


@pytest.mark.xfail(
    strict=True,
    reason="behind its tip an even shaft moves only 2.2 times as much as the gel ahead; 2.5 is asked for",
)
def test_a_faint_even_shaft_is_followed(drawn: Callable) -> None:
    """No texture along the shaft, and little brighter than the gel (110 of 255 grey values)."""
    other = drawn(*IN_AND_OUT, texture=0.0, grey=110.0, angle_deg=60)

    course = course_of(other)

    assert found_frames(course) > 40


def test_a_bright_even_shaft_is_followed(drawn: Callable) -> None:
    other = drawn(*IN_AND_OUT, texture=0.0, grey=200.0)

    course = course_of(other)

    assert course is not None
    assert np.nanmedian(tip_error_mm(course, other)) < 0.3


class TestNoNeedle:
    """Where nothing moved along its own axis there is no needle."""

    @pytest.mark.parametrize("seed", range(3))
    def test_gel_alone(self, drawn: Callable, seed: int) -> None:
        assert found_frames(course_of(drawn((0, -2), (4, -2), seed=seed))) == 0

    @pytest.mark.parametrize("angle_deg", [20, 40])
    def test_a_bright_line_that_stays(self, drawn: Callable, angle_deg: float) -> None:
        assert found_frames(course_of(drawn((0, 24), (4, 24), angle_deg=angle_deg))) == 0

    @pytest.mark.parametrize("seed", range(3))
    def test_a_sweep_in_which_everything_changes(self, gel: Callable, seed: int) -> None:
        """Speckle that turns over by the frame, with a slanting tube that slides through the picture."""
        pictures = []
        for i in range(80):
            turn = i / 6
            looks = [gel(1000 * seed + int(turn) + k).astype(float) for k in (0, 1)]
            picture = (1 - turn % 1) * looks[0] + (turn % 1) * looks[1]
            start, end = (0, 30 + i), (239, 110 + i)
            cv2.line(picture, start, end, 190.0, 3)
            pictures.append(np.clip(cv2.GaussianBlur(picture, (0, 0), 0.8), 0, 255).astype(np.uint8))

        assert found_frames(follow_needle(pictures, np.arange(80) / 20, PLANE)) == 0

    def test_a_line_that_is_switched_on_and_off(self, drawn: Callable) -> None:
        """A ruler or a menu that appears at once, to its whole length, has not moved in."""
        on, off = drawn((0, 24), (1.5, 24), seed=1), drawn((0, -2), (1.5, -2), seed=1)
        pictures = [*off.pictures, *on.pictures, *off.pictures]

        course = follow_needle(pictures, np.arange(len(pictures)) / 20, PLANE)

        assert found_frames(course) == 0

    def test_a_picture_of_one_grey(self) -> None:
        pictures = [np.full(SIZE[::-1], 90, dtype=np.uint8)] * 30
        assert follow_needle(pictures, np.arange(30) / 20, PLANE) is None

    def test_a_black_clip_of_two_frames(self) -> None:
        pictures = [np.zeros(SIZE[::-1], dtype=np.uint8)] * 2
        assert follow_needle(pictures, np.arange(2) / 20, PLANE) is None


def test_only_the_end_of_a_needle_that_was_never_deeper_is_new() -> None:
    """In to 5 mm, back to 2 mm, in to 5 mm again: at the first and last its last millimetre is new."""
    position = np.array([np.nan, 5.0, 2.0, 5.0])
    before = np.full((4, 40), 50.0, dtype=np.float32)
    before[3, 22] = np.nan
    new = reached_first(TipPath(position, np.ones(4), np.ones(4)), before)
    samples = [np.flatnonzero(row).tolist() for row in new]
    assert samples == [[], list(range(16, 40)), [], [*range(16, 22), *range(23, 40)]]


def by_motion_of(position_mm: np.ndarray) -> TipPath:
    return TipPath(position_mm, np.full(len(position_mm), 0.1), np.isfinite(position_mm) * 1.0)


def test_what_stirs_at_the_edge_first_and_goes_deep_comes_in_then() -> None:
    """A stir of two frames before is none; a needle in from the start stirs where it lies."""
    way_mm = np.concatenate([[np.nan, 1.0, 1.0], np.full(10, np.nan), np.linspace(2, 20, 10)])

    assert comes_in_at(by_motion_of(way_mm)) == 13
    assert comes_in_at(by_motion_of(way_mm + 10)) == 0
    assert comes_in_at(by_motion_of(np.full(20, np.nan))) == 0


def test_no_needle_hides_before_it_comes_in() -> None:
    """Something flares up at 30 mm for a frame while a faint needle comes in: it was not there all along."""
    time_s = np.arange(60) / 20
    way_mm = np.where(time_s < 1.0, np.nan, np.minimum((time_s - 1.0) * 15 + 0.5, 20))
    places_mm = np.arange(160) * 0.25
    shown = np.full((60, 160), -0.1)
    for i in np.flatnonzero(np.isfinite(way_mm)):
        shown[i] = np.where(np.abs(places_mm - way_mm[i]) < 0.5, 1.0, -0.1)
    shown[26, 118:123] = 30.0
    moving = np.isfinite(way_mm) * 1.0
    came = comes_in_at(by_motion_of(way_mm))

    paths = []
    for price in (0.0, OUT_NATS):
        given = shown.copy()
        given[:came] -= price
        paths.append(follow_tip(given, moving, time_s))

    assert came == 20
    assert np.isfinite(paths[0].position_mm[:came]).sum() > 10
    assert not np.isfinite(paths[1].position_mm[: came - 2]).any()
