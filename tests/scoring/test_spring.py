"""What a spring does is not put down to the hand. Tracks solved by hand; all data are invented."""

import numpy as np
import pytest

from needlecoach.model import Core
from needlecoach.scoring.bounds import Bounds
from needlecoach.scoring.motion import Scene, prepare
from needlecoach.scoring.spring import without_throw
from tests.scoring.conftest import REGION, Drawing

CORE = Core(5.0, 18.0, 22.0)
# In at 10 mm/s to 15 mm, held, thrown, held, drawn out at 20 mm/s.
BEFORE = [(0, -10), (1, 0), (2.5, 15), (3.5, 15)]
TARGET = (26.0, 0.0, 4.0)  # in the middle of the throw, where the point only flies through


def thrown(rate_hz: float, took_s: float, jump_mm: float = 22.0) -> Drawing:
    end_s, end_mm = 3.5 + took_s, 15 + jump_mm
    out_s = end_s + 1.5 + end_mm / 20
    knots = [*BEFORE, (end_s, end_mm), (end_s + 1.5, end_mm), (out_s, 0), (out_s + 0.5, -10)]
    return Drawing(knots, rate_hz=rate_hz, tip_sd_mm=0.1, target_mm=TARGET)


@pytest.mark.parametrize(("rate_hz", "took_s"), [(20.0, 0.05), (20.0, 0.1), (50.0, 0.06), (50.0, 0.02)])
def test_speed_and_travel_are_the_hands(rate_hz: float, took_s: float) -> None:
    figures = thrown(rate_hz, took_s).figures(core=CORE)

    assert figures["fired_s"] == pytest.approx(3.5 + took_s, abs=1 / rate_hz)
    assert figures["peak_advance_mm_s"] == pytest.approx(10.0, abs=0.3)
    assert figures["mean_advance_mm_s"] == pytest.approx(10.0, abs=1.0)  # slower where it sets off and stops
    # In 15 mm, out 37 mm but for the part before the last frame; what turns round loses half a millimetre.
    assert figures["path_mm"] == pytest.approx(15 + 37, abs=2.0)
    assert figures["path_efficiency"] == pytest.approx(1.0, abs=0.02)
    assert figures["blind_advance_mm"] == 0


def test_smoothness_is_that_of_the_way_up_to_the_throw() -> None:
    shot = thrown(20.0, 0.1).figures(core=CORE)
    at_rest = Drawing([*BEFORE, (3.55, -10)], rate_hz=20.0, tip_sd_mm=0.1, target_mm=TARGET).figures()
    by_hand = thrown(20.0, 0.1).figures()

    for name in ("smoothness_sparc", "smoothness_ldlj"):
        assert shot[name] == pytest.approx(at_rest[name], rel=0.02)
        assert abs(by_hand[name] - at_rest[name]) > 0.1 * abs(at_rest[name])


def test_the_closest_approach_is_none_of_the_flight() -> None:
    """Caught at 26 mm on its way, in the middle of the target; the rests lie 7 mm before it and beyond."""
    drawing = Drawing([*BEFORE, (3.6, 37), (5, 37)], rate_hz=20.0, tip_sd_mm=0.1, target_mm=TARGET)
    (attempt,) = drawing.score(core=CORE).attempts

    assert attempt.closest_frame is not None and attempt.closest_frame != 71
    assert attempt.figures["closest_edge_mm"].value == pytest.approx(7, abs=0.05)


def test_the_point_was_where_it_rested_just_before_the_throw() -> None:
    drawing = thrown(20.0, 0.1)
    scene = Scene.of(
        drawing.track(), scale=drawing.scale, target=drawing.target, region=REGION, pass_withdrawal_mm=5.0,
        bounds=Bounds(), core=CORE,
    )  # fmt: skip
    motion = prepare(scene, scene.spans()[0])
    assert motion is not None
    parted = without_throw(motion)
    assert parted.thrown is not None
    before, after = parted.thrown

    near = slice(before - 3, before + 1)
    np.testing.assert_allclose(parted.depth_mm[near], 15, atol=0.01)
    np.testing.assert_allclose(parted.tip_mm[near], parted.raw_tip_mm[near], atol=0.01)
    np.testing.assert_allclose(parted.depth_mm[after : after + 4], 37, atol=0.01)
    assert np.abs(motion.depth_mm[near] - 15).max() > 0.5
    assert np.isnan(parted.edge_mm[before + 1 : after]).all()
    np.testing.assert_allclose(parted.edge_mm[[before, after]], 7, atol=0.01)
