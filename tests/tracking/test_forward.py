"""The causal half of the tracker on drawn clips: against their truth, and against hindsight."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from needlecoach.model import LiveRow, Region, Scale, Target
from needlecoach.tracking.forward import Forward, sight_of
from needlecoach.tracking.lately import MOST_S
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.stepping import Step
from needlecoach.tracking.target import TargetFollower
from needlecoach.tracking.track import track_clip

STEP_MM = 0.15
ORIGIN_PX = np.array([60.0, 30.0])
PLANE = Plane(Region("rectangle", (60, 30, 240, 220)), Scale.from_mm_per_px(STEP_MM))
# In at 14 mm/s, two rests, out at 21 mm/s.
STOPS = ((0, -2), (1, -2), (2.2, 15), (2.7, 15), (3.5, 25), (4.3, 25), (5.6, -2), (6.6, -2))
# Told within this, 4 mm in, whatever a look of the other process takes.
TOLD_S = 0.35


class Later(Executor):
    """Does work at once and gives it when the clip's clock has gone on by so long."""

    def __init__(self, takes_s: float) -> None:
        self.now_s, self.takes_s = 0.0, takes_s

    def submit(self, work: Any, /, *args: Any, **more: Any) -> Future[Any]:
        done, due_s, clock = Future[Any](), self.now_s + self.takes_s, self
        done.set_result(work(*args, **more))
        done.done = lambda: clock.now_s >= due_s  # type: ignore[method-assign]
        return done


def followed(clip: Any, *, takes_s: float = 0.3, target: Target | None = None) -> list[LiveRow]:
    beside = Later(takes_s)
    follower = None if target is None else TargetFollower(dict(enumerate(clip.pictures[:3])), target, PLANE)
    rows = []
    with Forward(PLANE, follower, beside=beside) as forward:
        for number, (time_s, picture) in enumerate(zip(clip.time_s, clip.pictures, strict=True)):
            beside.now_s = float(time_s)
            rows.append(forward.see(number, float(time_s), picture))
    return rows


@pytest.fixture(scope="module")
def clip(drawn: Callable[..., Any]) -> Any:
    return drawn(*STOPS)


@pytest.fixture(scope="module")
def rows(clip: Any) -> list[LiveRow]:
    return followed(clip)


def test_a_seen_tip_lies_where_it_was_drawn(rows: list[LiveRow], clip: Any) -> None:
    tips = np.array([row.tip_px for row in rows]) - ORIGIN_PX
    error = np.hypot(*(tips - clip.tip_px).T)[[row.tip_visible for row in rows]] * STEP_MM

    assert len(error) > 40
    assert np.nanmedian(error) < 0.15
    assert np.nanpercentile(error, 95) < 0.6


def test_it_comes_and_goes_soon_after_it_was_drawn_to(rows: list[LiveRow], clip: Any) -> None:
    present, drawn_in = np.array([row.needle_present for row in rows]), np.isfinite(clip.insertion_mm)
    came, left = clip.time_s[drawn_in][[0, -1]]
    told = clip.time_s[present]

    assert came <= told[0] < came + TOLD_S
    assert left - 0.3 < told[-1] < left + 0.35
    assert present[(clip.time_s >= told[0]) & (clip.time_s < left - 0.3)].all()


@pytest.mark.parametrize("takes_s", [0.1, 0.9])
def test_it_is_told_as_soon_when_looks_take_long(clip: Any, takes_s: float) -> None:
    n = int(np.searchsorted(clip.time_s, 2.0))
    cut = replace(clip, pictures=clip.pictures[:n], time_s=clip.time_s[:n])
    told = [row.time_s for row in followed(cut, takes_s=takes_s) if row.needle_present]

    came = clip.time_s[np.isfinite(clip.insertion_mm)][0]
    assert came <= told[0] < came + TOLD_S
    assert len(told) >= 0.95 * np.sum(cut.time_s >= told[0])


def with_trail(clip: Any, share: float) -> Any:
    """The same clip with what the needle leaves behind: so much of its brightness wherever it has been."""
    gel, trail, pictures = clip.pictures[0], np.zeros(clip.pictures[0].shape), []
    for picture in clip.pictures:
        pictures.append(np.maximum(picture, gel + trail).clip(0, 255).astype(np.uint8))
        over = picture.astype(float) - gel
        trail = np.maximum(trail, np.where(over > 30, share * over, 0))
    return replace(clip, pictures=pictures)


@pytest.mark.parametrize("takes_s", [0.1, 0.6])
@pytest.mark.parametrize("out_mm_s", [12, 50])
def test_a_needle_drawn_out_of_a_bright_trail_is_out(
    drawn: Callable[..., Any], takes_s: float, out_mm_s: float
) -> None:
    """However fast or slow; and no look at pictures of before finds it anew in its trail."""
    left_s = 3.0 + 22 / out_mm_s
    clip = with_trail(drawn((0, -2), (1, -2), (2.4, 20), (3.0, 20), (left_s, -2), (left_s + 1.5, -2)), 0.5)
    rows = followed(clip, takes_s=takes_s)
    present = np.array([row.needle_present for row in rows])
    out_s = clip.time_s[np.isfinite(clip.insertion_mm)][-1]

    assert present[(clip.time_s > 1.6) & (clip.time_s < out_s - 0.25)].all()
    assert not present[clip.time_s > out_s + 0.3].any()


def test_it_differs_little_from_what_hindsight_tells(rows: list[LiveRow], clip: Any) -> None:
    track = track_clip(zip(clip.time_s, clip.pictures, strict=True), PLANE, None).track
    live = np.array([row.tip_px for row in rows])
    both = track.tip_visible & np.array([row.tip_visible for row in rows])
    apart = np.hypot(*(live - track.tip_px)[both].T) * STEP_MM

    assert both.sum() > 0.75 * track.tip_visible.sum()
    assert np.median(apart) < 0.1
    assert np.percentile(apart, 95) < 0.6


def test_nothing_is_told_where_nothing_comes_in(drawn: Callable[..., Any]) -> None:
    assert {row.sight for row in followed(drawn((0, -2), (3, -2)))} == {"none"}


def test_a_row_hangs_on_no_later_picture(rows: list[LiveRow], clip: Any) -> None:
    """The first three seconds alone give the same rows as the whole."""
    n = int(np.searchsorted(clip.time_s, 3.0))
    cut = type(clip)(
        clip.pictures[:n], clip.time_s[:n], clip.tip_px, clip.insertion_mm, clip.entry_px, clip.angle_deg
    )

    for early, whole in zip(followed(cut), rows, strict=False):
        assert early.sight == whole.sight
        np.testing.assert_array_equal(early.tip_px, whole.tip_px)


def test_no_more_pictures_are_kept_than_are_looked_at(drawn: Callable[..., Any]) -> None:
    """Nine seconds of stillness, in which nothing is asked of the other process."""
    clip, kept = drawn((0, -2), (9, -2)), []
    with Forward(PLANE, None, beside=Later(0.1)) as forward:
        for number, (time_s, picture) in enumerate(zip(clip.time_s, clip.pictures, strict=True)):
            forward.see(number, float(time_s), picture)
            kept.append(len(forward._waiting) + len(forward._recent))

    assert max(kept) <= (MOST_S + 1) * 20
    assert abs(kept[-1] - kept[-40]) <= 1


def test_the_target_is_told_as_it_goes(drawn: Callable[..., Any]) -> None:
    round_px = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    centre = np.array([230.0, 200.0])
    outline = centre + 20 * np.stack([np.cos(round_px), np.sin(round_px)], axis=1)
    marked = Target(outline_px=outline, frame=0)

    told = followed(drawn((0, -2), (1, -2)), target=marked)

    assert all(row.target_found for row in told)
    np.testing.assert_allclose([row.target_px for row in told], np.tile(centre, (len(told), 1)), atol=1.5)


@pytest.mark.parametrize(
    ("along_mm", "sd_mm", "seen", "word"),
    [
        (np.nan, np.nan, False, "none"),
        (9.0, 0.2, True, "seen"),
        (9.0, 1.0, False, "inferred"),
        (9.0, 5.0, False, "lost"),
    ],
)
def test_how_well_a_tip_is_known_is_a_word(along_mm: float, sd_mm: float, seen: bool, word: str) -> None:
    step = Step(along_mm, 0.0, sd_mm, seen, 1.0, np.zeros(1, dtype=np.uint8))

    assert sight_of(step) == word
    assert sight_of(None) == "none"
