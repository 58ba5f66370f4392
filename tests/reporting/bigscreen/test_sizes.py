"""Sizes of things that a distance is compared with, against the rules and standards that they are from.

All from memory of the named source, unless said otherwise.
"""

import numpy as np
import pytest

from needlecoach.reporting.bigscreen.sizes import FAR_LARGER, NEAR_ENOUGH, THINGS, like, no_less_than

BY_NAME = {one.name: one.mm for one in THINGS}


@pytest.mark.parametrize(
    ("name", "mm", "tolerance"),
    [
        # ISO/IEC 7810, ID-1: thickness 0.76 +- 0.08 mm, 85.60 x 53.98 mm.
        ("card", 0.76, 0.0), ("two_cards", 2 * 0.76, 0.0), ("card_wide", 53.98, 0.0),
        ("card_long", 85.60, 0.0),
        # Council Regulation (EC) No 975/98: thickness and diameter.
        ("cent", 1.67, 0.0), ("two_cents", 2 * 1.67, 0.0), ("three_cents", 3 * 1.67, 0.0),
        ("five_cents", 5 * 1.67, 0.0), ("cent_across", 16.25, 0.0), ("ten_cents_across", 19.75, 0.0),
        ("euro_across", 23.25, 0.0), ("fifty_cents", 2.38, 0.0),
        # IEC 60086-2: LR03 9.5 to 10.5 mm, LR6 13.5 to 14.5 mm across, 49.2 to 50.5 mm long.
        ("small_battery", 10.0, 0.5), ("battery", 14.0, 0.5), ("battery_long", 49.85, 0.66),
        # Laws of table tennis 2.3.
        ("ball", 40.0, 0.0),
        # Long grain after Regulation (EU) No 1308/2013: over 6.0 mm, at least three times as long as wide;
        # after Codex CXS 198-1995: 6.6 mm or more.
        ("rice_wide", 6.0 / 3, 0.2), ("rice_long", 6.6, 0.0),
        # Common practice, no source: copying paper of 80 g/m2.
        ("sheet", 0.1, 0.01), ("ten_sheets", 1.0, 0.1),
    ],
)  # fmt: skip
def test_things_are_as_big_as_their_source_says(name, mm, tolerance):
    assert BY_NAME[name] == pytest.approx(mm, abs=tolerance + 1e-9)


def test_every_thing_says_where_its_size_is_from_and_they_rise():
    assert all(len(one.source) > 20 for one in THINGS)
    sizes = [one.mm for one in THINGS]
    assert sizes == sorted(sizes)
    assert len(BY_NAME) == len(THINGS)


def test_every_distance_on_a_picture_has_something_of_its_size():
    # A linear probe's picture is about 40 mm wide (common practice, no source).
    for mm in np.arange(0.1, 60, 0.1):
        found = like(float(mm))
        assert found is not None, mm
        assert abs(found.mm - mm) <= NEAR_ENOUGH * mm


def test_what_a_distance_is_less_than_is_never_smaller():
    for mm in np.arange(0.1, 60, 0.1):
        found = no_less_than(float(mm))
        assert found is not None, mm
        assert mm <= found.mm <= FAR_LARGER * mm
    assert no_less_than(0.9).name == "ten_sheets"  # though a bank card, 0.76 mm, is nearly as near
    assert no_less_than(90.0) is None


@pytest.mark.parametrize("mm", [0.0, -1.0, 0.05, 150.0, float("nan")])
def test_what_nothing_is_as_big_as_has_no_comparison(mm):
    assert like(mm) is None


def test_two_millimetres_are_a_grain_of_rice():
    assert like(2.0).name == "rice_wide"
