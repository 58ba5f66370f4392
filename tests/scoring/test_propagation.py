"""Uncertainty of a figure of needle and outline, against drawn errors. Invented data; seeds are fixed."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.model import Core, Target
from needlecoach.scoring.propagation import Errors, Pose, propagated_sd
from needlecoach.scoring.sampling import notch_gap, notch_inside

CORE = Core(5.0, 18.0)
CIRCLE = Target.from_ellipse((0.0, 0.0), (6.0, 6.0)).outline_px
EDGES = np.array([[-4, -3], [6, -5], [5, 4], [1, 1], [-3, 5]], dtype=float)
N = 3_000


def pose(tip, outline=CIRCLE, angle_deg=30.0, n=1):
    turned = np.radians(angle_deg)
    unit = np.array([np.cos(turned), np.sin(turned)])
    along, across = tip
    place = along * unit + across * np.array([-unit[1], unit[0]])
    return Pose(np.tile(place, (n, 1)), np.tile(unit, (n, 1)), outline)


def drawn_sd(measure, middle, *, tip, marking, following, scale, angle_deg):
    """Spread over drawn errors: tip in both axes, outline's place and radius, scale, angle."""
    rng = np.random.default_rng(7)
    shift = rng.normal(0, tip / np.sqrt(2), (N, 2)) - rng.normal(
        0, np.hypot(marking / np.sqrt(2), following), (N, 2)
    )
    turn = np.radians(rng.normal(0, angle_deg, N))
    cos, sin = np.cos(turn), np.sin(turn)
    x, y = middle.direction[0]
    unit = np.stack([x * cos - y * sin, x * sin + y * cos], axis=-1)
    radius = float(np.hypot(*middle.outline_mm.T).mean())
    grown, stretched = 1 + rng.normal(0, marking / np.sqrt(2), N) / radius, 1 + rng.normal(0, scale, N)
    # Needle measures are in true mm: with another outline per draw, all of its lengths are divided instead.
    size = grown * stretched
    tips = (middle.tip_mm[0] + shift) * stretched[:, None]
    values = np.array([measure(Pose(tips[[i]], unit[[i]], middle.outline_mm * size[i]))[0] for i in range(N)])
    return values.std()


@pytest.mark.parametrize(
    ("along", "across", "outline", "within"),
    [
        (3.0, 0.0, CIRCLE, 0.05),  # one wall in the notch
        (20.0, 2.0, CIRCLE, 0.05),  # both walls, off the middle
        (8.0, 1.0, EDGES, 0.15),  # concave: beside a corner errors don't add up any more
        (4.0, 4.5, CIRCLE, 0.05),  # a slanting wall
    ],
)
def test_length_inside_against_drawn_errors(along, across, outline, within):
    given = dict(tip=0.3, marking=0.2, following=0.1, scale=0.01, angle_deg=0.3)
    middle = pose((along, across), outline)
    expected = drawn_sd(notch_inside(CORE), middle, **given)
    errors = Errors.of_marking(np.array([0.3]), 0.2, following_mm=0.1, scale_share=0.01, angle_deg=0.3)
    stated = propagated_sd(notch_inside(CORE), middle, errors)[0]
    assert stated == pytest.approx(expected, rel=within)


def test_a_notch_that_just_touches_has_an_uncertainty_all_the_same():
    """Nothing inside, the wall 0.1 mm on, the tip uncertain by 0.2 mm along: some of the draws are inside."""
    middle = pose((-1.1, 0.0))  # the notch ends at -6.1, the wall is at -6
    errors = Errors.of_marking(np.array([0.2 * np.sqrt(2)]), 0.0, scale_share=0.0, angle_deg=0.0)
    draws = np.maximum(0, np.random.default_rng(7).normal(-0.1, 0.2, 100_000))
    assert notch_inside(CORE)(middle)[0] == 0
    assert propagated_sd(notch_inside(CORE), middle, errors)[0] == pytest.approx(draws.std(), rel=0.35)


def test_each_error_alone_by_hand():
    """The tip in the circle's middle, 23 mm of needle behind it: the near wall 6 mm back cuts the notch."""
    middle = pose((0.0, 0.0))
    none = Errors(np.zeros(1), np.zeros(1), 0.0, 0.0, 0.0)

    def sd(**changes):
        return propagated_sd(notch_inside(CORE), middle, replace(none, **changes))[0]

    assert notch_inside(CORE)(middle)[0] == pytest.approx(1.0)
    assert sd() == 0
    assert sd(tip_mm=np.array([0.3])) == pytest.approx(0.3 / np.sqrt(2), rel=0.01)
    assert sd(place_mm=np.array([0.3])) == pytest.approx(0.3, rel=0.01)
    assert sd(size_mm=0.3) == pytest.approx(0.3, rel=1e-6)
    # 6 mm of way from the tip to the wall stretch, the 5 mm of dead space do not.
    assert sd(scale_share=0.02) == pytest.approx(0.12, rel=1e-6)
    # Turned about the middle of a circle nothing changes.
    assert sd(angle_deg=1.0) == pytest.approx(0, abs=1e-3)
    # Turned about a tip 17 mm from the middle, 1 degree moves the line by 0.3 mm there: second order.
    deep = propagated_sd(notch_inside(CORE), pose((17.0, 3.0)), replace(none, angle_deg=1.0))[0]
    across = np.array([3.0 + 17 * np.radians(1), 3.0 - 17 * np.radians(1)])
    assert deep == pytest.approx(abs(np.diff(2 * np.sqrt(36 - across**2))[0]) / 2, rel=0.03)


def test_the_unknown_counts_as_no_error_and_a_lost_figure_has_none():
    errors = Errors.of_marking(np.array([np.nan]), 0.2, scale_share=0.0, angle_deg=0.0)
    assert propagated_sd(notch_inside(CORE), pose((0.0, 0.0)), errors)[0] == pytest.approx(0.2, rel=0.02)
    nowhere = replace(pose((0.0, 0.0)), tip_mm=np.full((1, 2), np.nan))
    assert np.isnan(propagated_sd(notch_gap(CORE), nowhere, errors)[0])
