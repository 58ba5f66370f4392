"""Where tip and target lie along a strip, on lines that can be solved by hand. Invented data."""

import numpy as np
import pytest

from needlecoach.model import Scale, Strip
from needlecoach.scoring.along import target_along_mm, tip_along_mm

# Pixels twice as high as wide: 0.1 and 0.2 mm. A line that goes 30 mm right and 40 mm down, 50 mm long.
SCALE = Scale(0.1, 0.2, "drawn", 0.0)
START, END = np.array([100.0, 50.0]), np.array([400.0, 250.0])


@pytest.fixture
def strip() -> Strip:
    known = np.array([[1.0], [1.0], [np.nan]])
    return Strip(np.zeros((3, 201), dtype=np.uint8), 0.25, START * known, END * known)


def test_the_tip_is_its_foot_on_the_strip_s_line(strip: Strip) -> None:
    middle = (START + END) / 2
    # 5 mm across the line, to the right and up: 4 mm and 3 mm.
    tip = middle + np.array([(0.0, 0.0), (40.0, -15.0), (0.0, 0.0)])
    assert tip_along_mm(strip, tip, SCALE)[:2] == pytest.approx([25.0, 25.0])
    assert np.isnan(tip_along_mm(strip, tip, SCALE)[2])


def test_the_strip_knows_its_length(strip: Strip) -> None:
    assert strip.length_mm == 50.0


def test_the_target_s_stretch_runs_from_wall_to_wall_where_the_line_meets_it(strip: Strip) -> None:
    # A square of 6 mm across the diagonals' ends, centred 20 mm along; then 10 mm off the line.
    corner = 3.0 * np.array([[0.6, 0.8], [-0.8, 0.6], [-0.6, -0.8], [0.8, -0.6]])
    outline_px = corner / (0.1, 0.2)
    on = START + 20 * np.array([0.6, 0.8]) / (0.1, 0.2)
    off = on + 10 * np.array([-0.8, 0.6]) / (0.1, 0.2)
    band = target_along_mm(strip, outline_px, np.array([on, off, on]), SCALE)
    assert band[0] == pytest.approx([17.0, 23.0])
    assert np.isnan(band[1:]).all()
