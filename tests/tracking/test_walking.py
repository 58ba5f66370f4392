"""Steps on end over drawn pictures: each is read as the tracker reads it; invented data."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from needlecoach.model import Region, Scale
from needlecoach.tracking.lately import Lately, Looker, News
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.stepping import Step
from needlecoach.tracking.walking import Shown, Walk

STEP_MM = 0.15
PLANE = Plane(Region("rectangle", (60, 30, 240, 220)), Scale.from_mm_per_px(STEP_MM))
# In at 15 mm/s, a rest, and out at 15 mm/s.
STOPS = ((0, -2), (1, -1), (2.5, 20), (3.2, 20), (4.7, -2), (5.4, -2))
LOOKED_AT = 45


@pytest.fixture(scope="module")
def clip(drawn: Callable[..., Any]) -> Any:
    return drawn(*STOPS)


@pytest.fixture(scope="module")
def lately(clip: Any) -> Lately:
    """What a look at the first pictures tells: the needle is 16 mm in, and goes on."""
    n = LOOKED_AT
    news = News(tuple(range(n)), tuple(clip.pictures[:n]), clip.time_s[:n], np.zeros((n, 3)))
    found = Looker(PLANE, 0.0).look(news)
    assert found is not None
    return found


def shown(clip: Any, number: int, brighter: int = 0) -> Shown:
    picture = np.clip(clip.pictures[number].astype(int) + brighter, 0, 255).astype(np.uint8)
    return Shown(number, float(clip.time_s[number]), picture, np.zeros(3))


def walked(clip: Any, lately: Lately, brighter: int = 0) -> list[Step]:
    walk = Walk(lately, PLANE.mask, 0.0, [shown(clip, i, brighter) for i in range(LOOKED_AT)])
    steps = [walk.step(shown(clip, i, brighter)) for i in range(LOOKED_AT, len(clip.pictures))]
    assert walk.since_s == lately.time_s
    return steps


def test_it_goes_in_and_out_as_drawn(clip: Any, lately: Lately) -> None:
    steps, drawn_mm = walked(clip, lately), clip.insertion_mm[LOOKED_AT:]
    told_mm = np.array([step.along_mm for step in steps])
    both = np.isfinite(told_mm) & np.isfinite(drawn_mm)

    assert both.sum() > 0.9 * np.isfinite(drawn_mm).sum()
    # The axis begins a little inside the edge: by half a millimetre along it.
    off_mm = told_mm[both] - drawn_mm[both]
    assert np.percentile(np.abs(off_mm - np.median(off_mm)), 95) < 0.6
    assert abs(np.median(off_mm)) < 1.0
    # It is told to be out within a quarter of a second.
    out = int(np.flatnonzero(np.isfinite(drawn_mm))[-1])
    assert np.isnan(told_mm[out + 5 :]).all()


def test_brighter_pictures_are_brought_to_the_same_grey(clip: Any, lately: Lately) -> None:
    """All pictures of the walk are 12 greys brighter than those that were looked at: a turned gain."""
    as_they_are, brighter = walked(clip, lately), walked(clip, lately, 12)
    apart_mm = np.array([a.along_mm - b.along_mm for a, b in zip(as_they_are, brighter, strict=True)])

    assert np.nanmax(np.abs(apart_mm)) < 0.5
    assert np.isnan(apart_mm).sum() == np.isnan([step.along_mm for step in as_they_are]).sum()
