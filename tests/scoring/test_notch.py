"""A notch drawn into a strip of greys, told where it shows. All data are invented."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.model import Core
from needlecoach.scoring.firing import Firing
from needlecoach.scoring.notch import NotchSeen, notch_seen
from needlecoach.scoring.stretch import raised_stretch
from tests.scoring.conftest import Drawing
from tests.scoring.test_firing import CORE, motion_of, resting, strip_of


def bare(drawing: Drawing, length_mm: float = 18.0) -> np.ndarray:
    return np.full(len(drawing.time_s), length_mm)


@pytest.mark.parametrize("length_mm", [12.0, 18.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_ends_of_a_notch(length_mm: float, seed: int) -> None:
    drawing = resting()
    seen = notch_seen(motion_of(drawing), CORE, strip_of(drawing, bare(drawing, length_mm), seed=seed))

    assert seen is not None
    assert seen.dead_space_mm == pytest.approx(5, abs=1.5)
    assert seen.notch_end_mm == pytest.approx(5 + length_mm, abs=1.5)
    assert abs(seen.notch_mm - length_mm) < 3 * seen.notch_sd_mm
    # Given is 18 mm from 5 mm on.
    assert bool(seen.note(CORE)) == (length_mm == 12)


def test_sizes_given_do_not_draw_it_to_them() -> None:
    drawing = resting()
    wrong = Core(8.0, 15.0, 22.0)
    seen = notch_seen(motion_of(drawing), wrong, strip_of(drawing, bare(drawing)))

    assert seen is not None
    assert seen.dead_space_mm == pytest.approx(5, abs=1.5)
    assert "begins 5 ± 1 mm behind the point, by the sizes given 8 mm" in seen.note(wrong)
    assert "ends" not in seen.note(wrong)


def test_a_disagreement_counts_beyond_two_mm_and_two_uncertainties() -> None:
    def note(front: float, sd: float) -> str:
        return NotchSeen(front, sd, 23.0, 0.5, 0.7).note(CORE)

    assert note(7.1, 0.5) and not note(6.9, 0.5) and not note(7.9, 1.5)


def test_what_does_not_show_is_none() -> None:
    drawing = resting()
    motion = motion_of(drawing)

    assert notch_seen(motion, CORE, strip_of(drawing, bare(drawing, 0.0))) is None
    shallow = Drawing([(0, -2), (1.5, 14), (3.5, 14), (5, -2)], tip_sd_mm=0.1)
    assert notch_seen(motion_of(shallow), CORE, strip_of(shallow, bare(shallow))) is None
    hidden = resting(hidden_s=((0.0, 9.0),))
    assert notch_seen(motion_of(hidden), CORE, strip_of(hidden, bare(hidden))) is None


def test_a_notch_that_a_sheath_covered_is_not_told() -> None:
    drawing = resting()
    strip, motion = strip_of(drawing, bare(drawing)), motion_of(drawing)

    assert notch_seen(motion, CORE, strip, Firing(50, "sheath", 18.0, 1.0)) is None
    assert notch_seen(motion, CORE, strip, Firing(50, "tip", 22.0, 1.0)) is not None


def test_a_gap_of_the_gel_is_no_notch() -> None:
    """Dull at one place of the gel: it lies at another distance behind the point in every frame."""
    drawing = Drawing([(0, -2), (3.5, 45), (7, -2)], tip_sd_mm=0.1)
    strip = strip_of(drawing, bare(drawing, 0.0))
    grey = strip.grey.copy()
    grey[:, 60:90] //= 2

    assert notch_seen(motion_of(drawing), CORE, replace(strip, grey=grey)) is None


def test_the_stretch_of_a_clean_profile_is_exact() -> None:
    values = np.where((np.arange(100) >= 20) & (np.arange(100) < 60), 10.0, 0.0)
    found = raised_stretch(values, 0.25, front_mm=(0.0, 20.0), length_mm=(2.0, 20.0))

    assert found is not None
    # Half-way between the last sample outside and the first inside.
    assert (found.front_mm, found.back_mm) == pytest.approx((4.875, 14.875), abs=1e-3)
    assert (found.excess, found.gain) == pytest.approx((10, 1), abs=1e-6)
    assert found.front_sd_mm == pytest.approx(0.25 / np.sqrt(12), abs=1e-3)


def test_no_stretch_where_none_may_be() -> None:
    assert raised_stretch(np.zeros(50), 0.25, front_mm=(0, 5), length_mm=(2, 8)) is None
    assert raised_stretch(np.zeros(0), 0.25, front_mm=(0, 5), length_mm=(2, 8)) is None
    assert raised_stretch(np.arange(50.0), 0.25, front_mm=(90, 99), length_mm=(2, 8)) is None


def test_the_ends_stray_by_what_is_stated() -> None:
    """In 95 of 100 noisy profiles an end is off by less than twice its stated uncertainty."""
    rng = np.random.default_rng(7)
    off, stated = [], []
    for _ in range(200):
        values = np.where((np.arange(120) >= 20) & (np.arange(120) < 80), 10.0, 0.0) + rng.normal(0, 6, 120)
        found = raised_stretch(values, 0.25, front_mm=(0.0, 15.0), length_mm=(2.0, 25.0))
        assert found is not None
        off.append(found.front_mm - 4.875)
        stated.append(found.front_sd_mm)

    assert np.mean(np.abs(off) <= 2 * np.array(stated)) > 0.95
