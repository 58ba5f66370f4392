"""A bright dot without a shaft is followed along its way, if it goes one; drawn dots, invented data."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from needlecoach.model import Region, Scale
from needlecoach.tracking.changes import find_changes
from needlecoach.tracking.lone_tip import follow_lone_tip
from needlecoach.tracking.plane import Plane

STEP_MM = 0.15
PLANE = Plane(Region("rectangle", (0, 0, 240, 220)), Scale.from_mm_per_px(STEP_MM))
SLOPE = np.radians(35.0)
ENTRY_PX = np.array([0.0, 40.0])
TIME_S = np.arange(100) / 20
# In at 15 mm/s to 22 mm, a rest, and out again; NaN is outside.
DEPTH_MM = np.interp(TIME_S, [0.5, 2.0, 3.0, 4.5], [-1, 22, 22, -1])


def places_px(depth_mm: np.ndarray) -> np.ndarray:
    return ENTRY_PX + depth_mm[:, None] / STEP_MM * np.array([np.cos(SLOPE), np.sin(SLOPE)])


def with_dots(gel: np.ndarray, places: np.ndarray, *, grey: float = 130.0) -> list[np.ndarray]:
    """The gel with a round dot of 0.3 mm (sigma) in every picture, clipped to 8 bits."""
    rows, columns = np.mgrid[: gel.shape[0], : gel.shape[1]]
    spread_px = 0.3 / STEP_MM
    return [
        np.clip(gel + grey * np.exp(-0.5 * ((columns - x) ** 2 + (rows - y) ** 2) / spread_px**2), 0, 255)
        .round()
        .astype(np.uint8)
        for x, y in places
    ]


def follow(pictures: list[np.ndarray]):
    changes = find_changes(pictures, TIME_S, mask=PLANE.mask, step_mm=STEP_MM)
    return follow_lone_tip(pictures, changes, TIME_S, PLANE)


def test_a_dot_is_followed_in_and_out(gel: Callable) -> None:
    true_px = places_px(DEPTH_MM)

    found = follow(with_dots(gel(1), true_px))

    assert found is not None
    sheet, path, _, _ = found
    inside = (DEPTH_MM > 1) & np.isfinite(path.position_mm)
    at_px = np.array([sheet.axis.points(i, path.position_mm[i]) for i in np.flatnonzero(inside)])
    error_mm = np.hypot(*(at_px - true_px[inside]).T) * STEP_MM
    assert inside.sum() > 0.95 * (DEPTH_MM > 1).sum()
    assert not np.isfinite(path.position_mm[DEPTH_MM < -0.9]).any()
    assert np.median(error_mm) < 0.2
    assert error_mm.max() < 0.8


def test_the_end_of_a_shaft_that_comes_out_of_hiding_is_the_tip(gel: Callable) -> None:
    """Hidden but for its tip on the first 12 mm, say by an interface along it; from there on it shows."""
    true_px = places_px(DEPTH_MM)
    shafts_mm = [np.arange(12.0, max(depth_mm, 12.0), 0.3) for depth_mm in DEPTH_MM]
    shafts = [
        np.maximum.reduce(with_dots(gel(7), places_px(np.append(-30.0, shaft_mm)))) for shaft_mm in shafts_mm
    ]
    dots = with_dots(gel(7), true_px)

    found = follow([np.maximum(dot, shaft) for dot, shaft in zip(dots, shafts, strict=True)])

    assert found is not None
    sheet, path, _, _ = found
    deep = DEPTH_MM > 5
    at_px = np.array([sheet.axis.points(i, path.position_mm[i]) for i in np.flatnonzero(deep)])
    error_mm = np.hypot(*(at_px - true_px[deep]).T) * STEP_MM
    assert np.median(error_mm) < 0.6
    assert error_mm.max() < 1.5


@pytest.mark.parametrize(
    "depth_mm",
    [np.full(100, 15.0), np.interp(TIME_S, [0.5, 2.0, 3.0, 4.5], [-1, 5, 5, -1])],
    ids=["stands still", "comes in by 5 mm"],
)
def test_a_dot_that_goes_no_way_is_no_needle(gel: Callable, depth_mm: np.ndarray) -> None:
    assert follow(with_dots(gel(2), places_px(depth_mm))) is None


def test_a_dot_seen_now_and_then_is_no_needle(gel: Callable) -> None:
    """In two pictures of five: sparks on one line by chance."""
    seen = with_dots(gel(5), places_px(DEPTH_MM))
    unseen = with_dots(gel(5), places_px(np.full(100, -30.0)))

    assert follow([seen[i] if i % 5 < 2 else unseen[i] for i in range(100)]) is None


def test_what_glitters_everywhere_is_no_needle(gel: Callable) -> None:
    """As bright as the dot and elsewhere in every picture: nothing tells which is the tip."""
    dotted = with_dots(gel(3), places_px(DEPTH_MM))
    rng = np.random.default_rng(3)
    for picture in dotted:
        for x, y in rng.integers([20, 20], [220, 200], (6, 2)):
            cv2.circle(picture, (int(x), int(y)), 2, 255, -1)

    assert follow(dotted) is None


def test_one_dot_of_many_is_no_needle(gel: Callable) -> None:
    """Bubbles rise in numbers: another one, as bright, goes its own way."""
    other = np.stack([np.linspace(30, 200, 100), np.linspace(190, 60, 100)], axis=1)
    first, second = with_dots(gel(6), places_px(DEPTH_MM)), with_dots(gel(6), other)

    assert follow([np.maximum(one, two) for one, two in zip(first, second, strict=True)]) is None


def test_gel_alone_holds_no_needle(gel: Callable) -> None:
    rng = np.random.default_rng(4)
    noisy = [np.clip(gel(4) + rng.normal(0, 2, gel(4).shape), 0, 255).astype(np.uint8) for _ in TIME_S]

    assert follow(noisy) is None
