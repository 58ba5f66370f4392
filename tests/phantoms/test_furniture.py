"""What is drawn over the screen: a pointer and a clock that move."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.phantoms.furniture import draw_overlays
from needlecoach.phantoms.practice import practice_scene
from needlecoach.phantoms.scene import Clock, Crosshair
from needlecoach.phantoms.simulate import simulate

CROSS = Crosshair((60.0, 50.0), reach_px=(20.0, 10.0), period_s=4.0, size_px=5)


def drawn(overlay: Clock | Crosshair, time_s: float) -> np.ndarray:
    image = np.zeros((100, 120), np.uint8)
    draw_overlays((overlay,), image, time_s)
    return image


@pytest.mark.parametrize(("time_s", "middle"), [(0.0, (60, 50)), (0.5, (74, 60)), (1.0, (80, 50))])
def test_the_crosshair_wanders_as_said(time_s: float, middle: tuple[int, int]) -> None:
    rows, columns = np.nonzero(drawn(CROSS, time_s) == CROSS.grey)

    assert (np.unique(columns).mean(), np.unique(rows).mean()) == middle
    assert len(rows) == 2 * 11 - 1


def test_the_clock_runs_in_its_place() -> None:
    now, later, same = (drawn(Clock((10, 40)), time_s) for time_s in (61.5, 61.55, 61.5))

    assert (now != later).any()
    np.testing.assert_array_equal(now, same)
    rows, columns = np.nonzero(now)
    assert columns.min() >= 10 and rows.max() <= 41 and rows.min() > 20


@pytest.mark.parametrize("refresh_hz", [None, 5.0])
def test_overlays_lie_over_the_picture_and_leave_no_trace(refresh_hz: float | None) -> None:
    scene = replace(practice_scene("none"), duration_s=0.2, refresh_hz=refresh_hz)
    cross = Crosshair((200.0, 200.0), period_s=0.4)
    plain, marked = (
        [frame.pixels for frame, _ in simulate(shown, seed=4)]
        for shown in (scene, replace(scene, overlays=(cross,)))
    )

    for one, other in zip(plain, marked, strict=True):
        changed = one != other
        assert 20 < changed.sum() < 50
        assert (other[changed] == cross.grey).all()
