"""A needle that rests for longer than a window: drawn clips and made-up rows, invented data."""

from collections.abc import Callable

import numpy as np
import pytest

from needlecoach.model import Region, Scale
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.resting import hold_resting
from needlecoach.tracking.track import track_clip
from needlecoach.tracking.windows import WINDOW_S, NeedleRows, Window

STEP_MM = 0.15
PLANE = Plane(Region("rectangle", (0, 0, 240, 220)), Scale.from_mm_per_px(STEP_MM))


@pytest.mark.parametrize("rest_s", [10.0, 1.6 * WINDOW_S])
def test_a_needle_that_rests_is_in_until_it_is_drawn_out(drawn: Callable, rest_s: float) -> None:
    clip = drawn((0, -2), (2, -2), (4, 25), (4 + rest_s, 25), (6 + rest_s, -2), (9 + rest_s, -2))

    track = track_clip(zip(clip.time_s.tolist(), clip.pictures, strict=True), PLANE, None).track

    there = np.isfinite(clip.insertion_mm)
    assert np.count_nonzero(track.needle_present != there) <= 4
    both = there & track.needle_present
    assert np.percentile(np.hypot(*(track.tip_px - clip.tip_px)[both].T) * STEP_MM, 95) < 0.2


def one_row() -> NeedleRows:
    """A needle from (20, 30) to (120, 90), seen."""
    row = NeedleRows.none(1)
    row.needle_present[:] = row.tip_visible[:] = True
    row.entry_px[:], row.tip_px[:], row.angle_deg[:] = (20, 30), (120, 90), 31.0
    return row


def window(pictures: list[np.ndarray], *, last: NeedleRows | None, fresh: int = 2) -> Window:
    n = len(pictures)
    drift = np.stack([np.arange(n) * 0.5, np.zeros(n), np.zeros(n)], axis=-1)
    return Window(pictures, np.arange(n) / 20, drift, fresh, last)


GREY = np.full((220, 240), 150, dtype=np.uint8)
DARK = np.full((220, 240), 100, dtype=np.uint8)


def test_it_is_held_until_its_place_changes_and_moves_with_the_picture() -> None:
    rows = hold_resting(NeedleRows.none(7), window([GREY] * 5 + [DARK] * 2, last=one_row()), PLANE)

    np.testing.assert_array_equal(rows.needle_present, [False, False, True, True, True, False, False])
    np.testing.assert_allclose(rows.tip_px[2:5], [(120.5, 90), (121, 90), (121.5, 90)])
    assert rows.angle_deg[4] == pytest.approx(np.degrees(np.arctan(0.6)))


def test_what_the_window_found_itself_is_left_alone() -> None:
    found = NeedleRows.none(7)
    found.needle_present[3:] = True

    rows = hold_resting(found, window([GREY] * 7, last=one_row()), PLANE)

    assert rows.needle_present[2:].all()
    assert np.isnan(rows.tip_px[3:]).all()


def test_nothing_is_held_where_no_needle_was() -> None:
    for last in (None, NeedleRows.none(1)):
        rows = hold_resting(NeedleRows.none(7), window([GREY] * 7, last=last), PLANE)
        assert not rows.needle_present.any()
