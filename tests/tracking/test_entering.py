"""A needle is told by what grows from the edge of drawn pictures, and nothing else is; invented data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import cv2
import numpy as np
import pytest

from needlecoach.model import Region, Scale
from needlecoach.tracking.entering import Entering, EntryWatch
from needlecoach.tracking.first_look import first_look
from needlecoach.tracking.plane import Plane

STEP_MM, FPS = 0.15, 20.0
WIDTH, HEIGHT = 240, 220
PLANE = Plane(Region("rectangle", (60, 30, WIDTH, HEIGHT)), Scale.from_mm_per_px(STEP_MM))
STILL = np.zeros(3)
# Out for 1.2 s, in at 14 mm/s.
COMES_IN = ((0, -2), (1.2, -0.1), (2.4, 16.7))


def watched(
    pictures: Sequence[np.ndarray], drifts: Sequence[np.ndarray] | None = None
) -> tuple[int, Entering] | None:
    """The first picture in which a needle is told, and what is told of it."""
    watch = EntryWatch(PLANE)
    for i, picture in enumerate(pictures):
        if (found := watch.see(picture, STILL if drifts is None else drifts[i], i / FPS)) is not None:
            return i, found
    return None


def over_gel(gel: np.ndarray, ends: Sequence[Any]) -> list[np.ndarray]:
    """Gel, noise, and in each picture a bright line between two places (column, row) or None."""
    rng, pictures = np.random.default_rng(1), []
    for end in ends:
        picture = gel + rng.normal(0, 3, gel.shape)
        if end is not None:
            cv2.line(picture, *(tuple(np.rint(place).astype(int).tolist()) for place in end), 210, 3)
        pictures.append(np.clip(picture, 0, 255).astype(np.uint8))
    return pictures


@pytest.mark.parametrize(
    ("side", "angle_deg"), [("left", 20.0), ("left", 35.0), ("right", 35.0), ("right", 60.0)]
)
def test_a_needle_is_told_soon_and_where_it_is(
    drawn: Callable[..., Any], side: str, angle_deg: float
) -> None:
    clip = drawn(*COMES_IN, side=side, angle_deg=angle_deg)
    told = watched(clip.pictures)

    assert told is not None
    number, needle = told
    came = int(np.flatnonzero(np.isfinite(clip.insertion_mm))[0])
    assert 0 < number - came <= 0.3 * FPS
    tip = needle.axis.points(0, needle.reach_mm)
    assert np.hypot(*(tip - clip.tip_px[number])) * STEP_MM < 1.0
    slope = np.degrees(np.arctan2(needle.axis.direction[0, 1], abs(needle.axis.direction[0, 0])))
    assert abs(slope - angle_deg) < 8
    # The look without it is of before it came.
    assert np.abs(needle.past.astype(float) - clip.pictures[0])[:60].max() < 40


def test_the_uppermost_of_parallel_lines_is_the_needle(gel: Callable[..., np.ndarray]) -> None:
    """Its copy 1.5 mm below is longer and brighter."""
    ends = [None] * 24 + [((0, 40), (4 * k, 40 + 3 * k)) for k in range(1, 9)]
    pictures = over_gel(gel(3), ends)
    for k, picture in enumerate(pictures[24:], start=1):
        cv2.line(picture, (0, 52), (4 * k, 52 + 3 * k), 250, 3)
    told = watched(pictures)

    assert told is not None
    assert abs(told[1].axis.entry[0, 1] - 40) < 5


@pytest.mark.parametrize(
    "ends",
    [
        [((0, 40), (60, 85))] * 20,
        [((40, 60), (40 + 4 * k, 60 + 3 * k)) for k in range(1, 9)],
        [((0, 150), (4 * k, 150 + 3 * k)) for k in range(1, 13)],
        [((0, 40), (24, 58))] * 2 + [((0, 40), (24 - 4 * k, 58 - 3 * k)) for k in range(1, 6)],
    ],
    ids=["all at once", "in mid-picture", "too deep", "shrinks"],
)
def test_what_does_not_come_in_from_the_edge_is_no_needle(
    gel: Callable[..., np.ndarray], ends: list[Any]
) -> None:
    assert watched(over_gel(gel(4), [None] * 24 + ends)) is None


def test_other_things_that_are_new_at_once_are_no_needle(gel: Callable[..., np.ndarray]) -> None:
    """A sweep brings in things all over; one of them grows from the edge."""
    ends = [None] * 24 + [((0, 40), (4 * k, 40 + 3 * k)) for k in range(1, 9)]
    pictures = over_gel(gel(5), ends)
    assert watched(pictures) is not None

    for k, picture in enumerate(pictures[24:], start=1):
        for at in ((120, 60), (180, 150), (60, 170)):
            cv2.line(picture, at, (at[0] + 3 * k, at[1]), 200, 4)
    assert watched(pictures) is None


def test_speckle_that_changes_all_the_time_is_no_needle(gel: Callable[..., np.ndarray]) -> None:
    looks = [gel(seed) for seed in range(10, 20)]
    blends = np.arange(45) / 5
    pictures = [
        (1 - at % 1) * looks[int(at)] + at % 1 * looks[min(int(at) + 1, len(looks) - 1)] for at in blends
    ]

    assert watched([picture.astype(np.uint8) for picture in pictures]) is None


def test_while_the_picture_slides_nothing_is_told(drawn: Callable[..., Any]) -> None:
    """At 4 mm/s the picture's rim shows what was not in it half a second ago."""
    clip = drawn(*COMES_IN)
    slid = [np.array([i / FPS * 4.0 / STEP_MM, 0.0, 0.0]) for i in range(len(clip.pictures))]

    assert watched(clip.pictures, slid) is None


def test_begun_anew_it_knows_nothing_of_before(drawn: Callable[..., Any]) -> None:
    """A needle that was in when it began is not told by going further in."""
    clip, watch = drawn(*COMES_IN), EntryWatch(PLANE)
    told = []
    for i, picture in enumerate(clip.pictures[:31]):
        if i == 26:
            watch.begin_anew()
        told.append(watch.see(picture, STILL, i / FPS))

    assert not any(told)


def test_the_steps_begin_at_the_tip(drawn: Callable[..., Any]) -> None:
    clip = drawn(*COMES_IN)
    told = watched(clip.pictures)
    assert told is not None
    number, needle = told
    picture = clip.pictures[number]

    look = first_look(needle, picture, PLANE.mask, number=7, time_s=1.5, level=70.0, share=0.2)

    assert look.onward is not None
    assert (look.number, look.time_s, look.level, look.share, look.in_since_s) == (7, 1.5, 70.0, 0.2, 1.5)
    place_mm, sd_mm, present = look.onward.belief.read()
    assert abs(place_mm - needle.reach_mm) < 0.2
    assert 0.3 < sd_mm < 1.5
    assert present > 0.9
    # What stands out by far speaks for a shaft, what does not against one.
    assert look.onward.table[-1] > 0.5 > 0 > look.onward.table[0]
