"""What is made of the needles that stills may show; their looks are tested in finding. Invented data."""

import numpy as np
import pytest

from needlecoach.finding.standing import Standing
from needlecoach.model import Region, Scale
from needlecoach.tracking import stills
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.stills import MOST_STILLS, STILL_SD_MM, needle_in_stills

PLANE = Plane(Region("rectangle", (60, 30, 240, 220)), Scale.from_mm_per_px(0.15))


def standing(motion: float) -> Standing:
    """Needle from (10, 20) at 40 degrees to 12 mm along, in working pixels of 0.15 mm."""
    turn = np.radians(40)
    terms = {"looks": 14.0, "motion": motion}
    return Standing((10.0, 20.0), (float(np.cos(turn)), float(np.sin(turn))), 12.0, 0.15, terms)


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch):
    """Return a function that sets what the pooled pictures are said to show."""

    def show(found: list[Standing | None]) -> None:
        monkeypatch.setattr(stills, "find_standings", lambda *_, **__: [])
        monkeypatch.setattr(stills, "pool_standing", lambda _: found)

    return show


def pictures(n: int) -> list[np.ndarray]:
    return [np.zeros((220, 240), dtype=np.uint8)] * n


def test_a_needle_whose_end_moved_is_given_in_px_of_the_frame(looks) -> None:
    looks([standing(2.0), None, standing(2.0)])
    drift = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [3.0, -2.0, 0.0]])

    rows = needle_in_stills(pictures(3), drift, PLANE)

    np.testing.assert_array_equal(rows.needle_present, [True, False, True])
    np.testing.assert_array_equal(rows.tip_visible, rows.needle_present)
    tip = np.array([10 + 80 * np.cos(np.radians(40)), 20 + 80 * np.sin(np.radians(40))]) + np.array([60, 30])
    np.testing.assert_allclose(rows.tip_px[0], tip, atol=0.01)
    np.testing.assert_allclose(rows.tip_px[2], tip + np.array([3, -2]), atol=0.01)
    np.testing.assert_allclose(rows.entry_px[2], (73, 48), atol=0.01)
    np.testing.assert_allclose(rows.angle_deg[[0, 2]], 40)
    assert rows.tip_sd_mm[0] == STILL_SD_MM
    assert np.isnan(rows.tip_px[1]).all()


def test_looks_alone_are_not_enough(looks) -> None:
    looks([standing(0.0)] * 3)

    assert not needle_in_stills(pictures(3), np.zeros((3, 3)), PLANE).needle_present.any()


def test_many_pictures_are_a_recording(looks) -> None:
    n = MOST_STILLS + 1
    looks([standing(2.0)] * n)

    assert not needle_in_stills(pictures(n), np.zeros((n, 2)), PLANE).needle_present.any()
