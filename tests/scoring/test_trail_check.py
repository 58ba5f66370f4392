"""The trail held against the track, in words. Invented data."""

import numpy as np
import pytest

from needlecoach.model import Scale


def notes(drawing, beyond_mm, sd_mm, *, scale_sd=0.0):
    drawn = drawing(scale=Scale(0.1, 0.1, "drawn", scale_sd))
    after = np.where(drawn.time_s > 5.9, 1.0, np.nan)
    drawn.change = {"trail_beyond_mm": beyond_mm * after, "trail_beyond_sd_mm": sd_mm * after}
    return [note for note in drawn.score().notes if "trail" in note]


@pytest.mark.parametrize(
    ("beyond_mm", "told", "place"),
    [(4.2, "4 ± 1 mm deeper", "too shallow"), (-3.1, "3 ± 1 mm less", "too deep")],
)
def test_a_trail_that_disagrees_is_told_with_way_size_and_place(drawing, beyond_mm, told, place):
    (note,) = notes(drawing, beyond_mm, 1.0)
    assert note.startswith("Attempt 1: ") and told in note and place in note
    assert "2.7 s" in note or "2.8 s" in note


@pytest.mark.parametrize("beyond_mm", [1.9, -1.9, 0.0, np.nan])
def test_within_two_standard_uncertainties_nothing_is_said(drawing, beyond_mm):
    assert notes(drawing, beyond_mm, 1.0) == []


def test_the_scale_takes_part(drawing):
    assert notes(drawing, 4.2, 2.0) and not notes(drawing, 4.2, 2.0, scale_sd=0.3)
