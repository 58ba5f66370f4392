"""The way between two sights of the tip, by the speeds at them."""

import numpy as np
import pytest

from needlecoach.tracking.between import onward_mm, out_and_back_mm, unspent_mm_s

FPS = 25
TIME_S = np.arange(100) / FPS
FIRST, LAST = 30, 70
SEEN = (np.arange(100) <= FIRST) | (np.arange(100) >= LAST)


def ways(lost_mm_s: float, found_mm_s: float, way_mm: float = 0.0) -> np.ndarray:
    """Positions with one speed up to the first sight and another from the last on."""
    before = 20 + lost_mm_s * np.minimum(TIME_S - TIME_S[FIRST], 0)
    after = way_mm + found_mm_s * np.maximum(TIME_S - TIME_S[LAST], 0)
    return before + np.where(np.arange(100) >= LAST, after, 0.0)


def test_an_even_way_goes_on_evenly() -> None:
    truth = 5 + 10 * TIME_S
    np.testing.assert_allclose(
        onward_mm(truth, SEEN, TIME_S, FIRST, LAST), truth[FIRST + 1 : LAST], atol=1e-9
    )
    assert unspent_mm_s(truth, SEEN, TIME_S, FIRST, LAST) == pytest.approx((0, 0), abs=1e-6)


@pytest.mark.parametrize(("lost", "found"), [(20.0, -12.0), (-20.0, 12.0)])
def test_speeds_that_lead_away_are_unspent(lost: float, found: float) -> None:
    unspent = unspent_mm_s(ways(lost, found), SEEN, TIME_S, FIRST, LAST)
    assert unspent == pytest.approx((lost, found), rel=1e-6)


def test_a_tip_drawn_smoothly_out_and_back_is_found_there() -> None:
    """A parabola in time is its own cubic: 12 mm deeper half-way."""
    times = TIME_S[FIRST : LAST + 1] - TIME_S[FIRST]
    span_s = times[-1]
    truth = 12 * 4 * times * (span_s - times) / span_s**2
    speed = 12 * 4 / span_s

    out = out_and_back_mm(0.0, times, (speed, -speed))

    np.testing.assert_allclose(out, truth[1:-1], atol=1e-9)
    np.testing.assert_allclose(out_and_back_mm(0.0, times, (-speed, speed)), -out)


@pytest.mark.parametrize(
    ("way_mm", "unspent"),
    [(0.0, (30.0, 30.0)), (0.0, (30.0, -2.0)), (0.0, (2.0, -30.0)), (0.0, (0.0, 0.0)), (30.0, (30.0, -30.0))],
)
def test_nothing_is_added_where_it_did_not_turn(way_mm: float, unspent: tuple[float, float]) -> None:
    """Both speeds the same way; one of them at rest; a way as long as the detour would be."""
    assert not out_and_back_mm(way_mm, TIME_S[FIRST : LAST + 1], unspent).any()


def test_a_long_gap_does_not_lead_further_than_two_seconds_do() -> None:
    two_s, ten_s = np.linspace(0, 2, 41), np.linspace(0, 10, 201)
    reach = [out_and_back_mm(0.0, times, (30.0, -30.0)).max() for times in (two_s, ten_s)]
    assert reach[0] == pytest.approx(reach[1], rel=0.01) == pytest.approx(15.0, rel=0.01)


def test_a_sight_alone_has_no_speed() -> None:
    alone = np.isin(np.arange(100), (FIRST, LAST))
    assert unspent_mm_s(ways(20, -20), alone, TIME_S, FIRST, LAST) == (0.0, 0.0)
