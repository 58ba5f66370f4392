"""A marked outline held against the true size of the thing; slices are drawn from its own equation."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from needlecoach.model import BlockTarget, Marks, OfBlock, Scale, Target
from needlecoach.screen.size import across_range_mm, check_size, extents_mm, largest_mm, size_notes

SCALE = Scale.from_mm_per_px(0.1)
BALL = BlockTarget("A1", "fluid", "ball", (10.0, 10.0, 10.0), 25.0, (0.0, 0.0))
EGG = BlockTarget("A2", "solid", "egg", (8.0, 20.0, 6.0), 25.0, (0.0, 0.0))
ROD = BlockTarget("B1", "fluid", "rod", (6.0, 40.0, 6.0), 25.0, (0.0, 0.0))


def checked(outline, cast=BALL, scale=SCALE):
    target = outline if isinstance(outline, Target) else Target.from_ellipse((300.0, 200.0), outline)
    return check_size(Marks(block="G3", of_block=OfBlock(target=cast)), target, scale)


def section_mm(size_mm, turn, beside):
    """Extents (across, high) of an upright slice of an ellipsoid, `turn` radians from its length.

    `beside` is how far from the middle it runs, as a share of where it would only touch. By substitution into
    x²/a² + y²/b² + z²/c² = 1: support functions of an ellipse.
    """
    b, a, c = (side / 2 for side in size_mm)  # width, length, height
    along, normal = (np.cos(turn), np.sin(turn)), (-np.sin(turn), np.cos(turn))
    touch = np.hypot(a * normal[0], b * normal[1])
    centre = beside * np.array([a**2 * normal[0], b**2 * normal[1]]) / touch
    shrunk = np.sqrt(1 - beside**2)
    half = shrunk / np.hypot(along[0] / a, along[1] / b)
    assert np.sum(((centre + half * np.array(along)) / (a, b)) ** 2) == pytest.approx(1)
    return 2 * half, 2 * c * shrunk


@given(
    st.tuples(*[st.floats(3, 30)] * 3),
    st.floats(0, np.pi),
    st.floats(0, 0.99),
    st.sampled_from(["ball", "egg"]),
)
@settings(max_examples=60)
def test_no_upright_slice_of_a_ball_or_egg_is_called_too_large(size_mm, turn, beside, shape):
    across, high = section_mm(size_mm, turn, beside)
    cast = replace(BALL, shape=shape, size_mm=size_mm)
    check = checked((across / 2 / 0.1, high / 2 / 0.1), cast)
    assert check.across_share <= 1e-6 and check.high_share <= 1e-6
    assert max(across, high) <= largest_mm(cast) + 1e-6
    if beside == 0:
        assert (check.across_share, check.high_share) == pytest.approx((0, 0), abs=1e-6)


def test_a_rod_or_box_cut_aslant_is_as_long_as_its_diagonal():
    """Pythagoras: 6 by 40 mm has a diagonal of √1636 mm, and with 6 mm of height √1672 mm."""
    assert across_range_mm(ROD) == pytest.approx((6, np.sqrt(1636)))
    assert largest_mm(ROD) == pytest.approx(np.sqrt(1672))
    assert across_range_mm(EGG) == (8, 20) and largest_mm(EGG) == 20


@pytest.mark.parametrize("tilt_deg", [0, 30, -30, 60, 90, 150])
def test_extents_are_along_the_outlines_own_axes(tilt_deg):
    """An ellipse of 20 x 8 mm in any direction: the axis nearer to the horizontal is the one across."""
    outline = Target.from_ellipse((50.0, 90.0), (10.0, 4.0), tilt_deg=tilt_deg).outline_px
    wanted = (20, 8) if abs(tilt_deg) <= 30 or tilt_deg == 150 else (8, 20)
    assert extents_mm(outline) == pytest.approx(wanted, rel=1e-3)
    assert extents_mm(outline[::-1]) == pytest.approx(wanted, rel=1e-3)


def test_a_square_is_measured_along_its_sides():
    square = np.array([[0.0, 0.0], [6.0, 0.0], [6.0, 6.0], [0.0, 6.0]])
    assert extents_mm(square) == pytest.approx((6, 6))
    assert extents_mm(square * (1, 3)) == pytest.approx((6, 18))
    by_hand = np.array([[0.0, 0.0], [6.0, 0.0], [6.2, 6.2], [0.0, 6.0]])  # longer along one diagonal
    assert extents_mm(by_hand) == pytest.approx((6.2, 6.2))


@pytest.mark.parametrize(
    ("radii_px", "told"),
    [
        ((50, 50), ()),
        ((54.9, 45.1), ()),
        ((55.5, 50), ("11% more across",)),
        ((50, 44.5), ("11% less in height",)),
        ((60, 40), ("20% more across", "20% less in height")),
    ],
)
def test_over_ten_percent_either_way_is_told(radii_px, told):
    """100 px of 0.1 mm are the ball's 10 mm."""
    notes = size_notes(checked(radii_px))
    assert len(notes) == bool(told)
    assert all(words in notes[0] for words in told)


def test_too_large_is_wrong_and_too_small_may_be_right():
    (large,) = size_notes(checked((60, 60)))
    assert "marked 12.0 mm across and 12.0 mm high; in block G3 it is 10 mm across and 10 mm high" in large
    assert "No slice through it is so large: check scale" in large
    (small,) = size_notes(checked((40, 40)))
    assert "A slice beside its middle is smaller than the thing itself, so this may be right" in small
    # 6 mm high lying rod, marked 9 mm high: a probe that leans sees it longer.
    (leaning,) = size_notes(checked((45, 45), ROD))
    assert "with the probe held upright, is so large" in leaning and "6 to 40.4 mm across" in leaning


def test_the_uncertainty_is_that_of_marking_and_scale():
    """Two ends each to 2 px of 0.1 mm, and a scale known to 3 %: √(2 · 0.04 + 0.09) mm of 10 mm."""
    target = Target.from_ellipse((300.0, 200.0), (50.0, 50.0))
    check = checked(replace(target, marking_sd_px=2.0), scale=Scale(0.1, 0.1, "ruler", 0.03))
    assert check.sd_mm == pytest.approx((np.sqrt(0.17),) * 2, rel=1e-3)


def test_a_scale_taken_from_the_outline_is_no_check_of_it():
    target = Target.from_ellipse((300.0, 200.0), (50.0, 50.0))
    check = checked(target, scale=Scale.from_target(target, 12.0))
    assert check.by_target
    assert size_notes(check)[0].endswith("The scale was taken from this very outline.")
    assert not checked(target).by_target


def test_without_a_blocks_target_nothing_is_compared():
    target = Target.from_ellipse((300.0, 200.0), (50.0, 50.0))
    for marks in (Marks(), Marks(block="G3"), Marks(block="G3", of_block=OfBlock())):
        assert check_size(marks, target, SCALE) is None
    assert check_size(Marks(block="G3", of_block=OfBlock(target=BALL)), None, SCALE) is None
    assert size_notes(None) == ()
