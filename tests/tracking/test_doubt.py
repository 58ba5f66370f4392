"""What the stated error of the tip is made of."""

import numpy as np
import pytest

from needlecoach.tracking.doubt import astray_mm, seen_doubt_mm, spread_mm, unseen_doubt_mm
from needlecoach.tracking.spot import Spot
from needlecoach.tracking.tip import TipPath

N, FPS = 40, 20
TIME_S = np.arange(N) / FPS
SEEN = np.ones(N, dtype=bool)
HALF_WIDTH_MM = 0.3
# Behind the end of brightness at 0.6 of the 6 dB lies the tip, by the root of that of the half-width.
TIP_MM = 10.0
END_MM = TIP_MM + HALF_WIDTH_MM * np.sqrt(0.6)


def path(at_mm: float | np.ndarray = TIP_MM, sd_mm: float | np.ndarray = 0.1) -> TipPath:
    at, sd = (np.broadcast_to(v, N).astype(float).copy() for v in (at_mm, sd_mm))
    return TipPath(at, sd, np.ones(N))


def spot(end_mm: float = END_MM, grey: float = 200.0, fall_mm: float = HALF_WIDTH_MM) -> Spot:
    return Spot(end_mm, 0.0, grey, HALF_WIDTH_MM, fall_mm)


def doubt(
    spots: list[Spot | None], sd_mm: float | np.ndarray = 0.1, moved_mm: float | np.ndarray = TIP_MM
) -> np.ndarray:
    return seen_doubt_mm(path(sd_mm=sd_mm), path(moved_mm), spots, SEEN, TIME_S)


def test_a_clear_tip_is_known_to_a_fraction_of_its_picture() -> None:
    """Localising a point in little noise is far finer than its picture: common practice, no source."""
    found = doubt([spot()] * N)
    assert (found > 0).all()
    assert (found < HALF_WIDTH_MM / 3).all()


def test_a_clip_whose_spots_have_no_width_states_some_error() -> None:
    assert (doubt([Spot(TIP_MM, 0.0, 200.0, np.nan, 0.0)] * N) > 0).all()


@pytest.mark.parametrize(
    "odd", [spot(fall_mm=1.2), spot(grey=140.0), spot(end_mm=END_MM + 0.8), None], ids=str
)
def test_what_speaks_against_a_tip_makes_it_less_sure(odd: Spot | None) -> None:
    """A slow fall, a dim spot, one apart from the path, none at all."""
    found = doubt([*[spot()] * (N // 2), odd, *[spot()] * (N - N // 2 - 1)])
    assert found[N // 2] > 3 * np.delete(found, N // 2).max()


def test_a_spread_tells_of_the_frames_beside_it_too() -> None:
    sd_mm = np.where(np.arange(N) == 20, 1.0, 0.1)
    found = doubt([spot()] * N, sd_mm)
    assert (found[18:23] > 1).all()
    assert (found[:16] < 0.2).all()
    assert (found[25:] < 0.2).all()


def test_a_spread_out_of_sight_does_not_tell_of_the_frames_in_sight() -> None:
    sd_mm, seen = np.where(np.arange(N) >= 20, 5.0, 0.1), np.arange(N) < 20
    found = spread_mm(path(sd_mm=sd_mm), seen, TIME_S)
    assert found[:20].max() == 0
    assert found[20:].min() > 4


def test_motion_far_ahead_of_a_tip_at_rest_makes_it_less_sure() -> None:
    """Not the little by which a tip's own picture leads it, nor what a tip on its way has just passed."""
    assert doubt([spot()] * N, moved_mm=TIP_MM + 2)[10] < 0.1
    assert doubt([spot()] * N, moved_mm=TIP_MM + 6)[10] > 3
    at_mm = TIP_MM + 30 * TIME_S
    moving = [spot(at + END_MM - TIP_MM) for at in at_mm]
    assert seen_doubt_mm(path(at_mm), path(at_mm + 5), moving, SEEN, TIME_S)[10] < 0.1


def test_an_unseen_tip_is_surer_on_its_way_than_at_rest() -> None:
    own, rest = path(sd_mm=0.8), np.arange(N) < 20
    found = unseen_doubt_mm(own, own, ~SEEN, rest, TIME_S)
    assert found[:20].min() > 2 * found[20:].max()
    assert found[20:].min() > 0.8


def test_a_bridged_tip_has_the_error_of_its_bridge() -> None:
    bridged = path(at_mm=12.0, sd_mm=3.0)
    found = unseen_doubt_mm(path(sd_mm=0.2), bridged, ~SEEN, SEEN, TIME_S)
    np.testing.assert_allclose(found, 3.0, rtol=0.02)


class TestAstray:
    """How far off the bridge a tip may be."""

    def test_least_beside_the_sights_and_most_half_way(self) -> None:
        found = astray_mm(10.0, TIME_S, (0.0, 0.0))
        assert len(found) == N - 2
        assert found.argmax() in (N // 2 - 1, N // 2 - 2)
        assert found[0] < found.max() / 3

    def test_grows_with_the_way_and_the_time(self) -> None:
        still = astray_mm(0.0, TIME_S, (0.0, 0.0)).max()
        assert astray_mm(30.0, TIME_S, (0.0, 0.0)).max() > 1.3 * still
        assert astray_mm(0.0, TIME_S / 2, (0.0, 0.0)).max() < 0.75 * still

    def test_a_lost_speed_goes_on_for_a_while(self) -> None:
        """At first by speed times time; never by more than it makes of the half second it keeps to a way,
        and the root of the time after (Uhlenbeck & Ornstein 1930, from memory)."""
        long_s = np.arange(400) / FPS
        found = astray_mm(0.0, long_s, (40.0, 40.0))
        assert found[0] == pytest.approx(40 / FPS, rel=0.1)
        assert found[199] == pytest.approx(
            np.hypot(40, 7.5) * 0.5 * np.sqrt(2 * (long_s[200] / 0.5 - 1)) / np.sqrt(2), rel=0.02
        )

    def test_drawn_hands_stay_within_twice_of_it(self) -> None:
        """Speeds forgotten in half a second, drawn step by step (invented), tied at both ends by a line."""
        random, step_s, n = np.random.default_rng(5), 0.05, 31
        keep = np.exp(-step_s / 0.5)
        speed, ways = random.normal(0, 7.5, 2000), [np.zeros(2000)]
        for _ in range(n - 1):
            ways.append(ways[-1] + speed * step_s)
            speed = keep * speed + random.normal(0, 7.5 * np.sqrt(1 - keep**2), 2000)
        hands = np.array(ways)
        off = hands - np.linspace(0, 1, n)[:, None] * hands[-1]
        inside = np.abs(off[1:-1]) <= 2 * astray_mm(0.0, np.arange(n) * step_s, (0.0, 0.0))[:, None]
        assert inside.mean() > 0.92
