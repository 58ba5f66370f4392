"""Gaps in sight are bridged on invented paths whose truth is known; an exit is left alone."""

import numpy as np
import pytest

from needlecoach.tracking.bridge import beyond_sight, bridge_hidden, leapt_back, without_loose_ends
from needlecoach.tracking.tip import TipPath

FPS = 20.0


def clock(duration_s: float, *, fps: float = FPS) -> np.ndarray:
    return np.arange(0, duration_s, 1 / fps)


def path_of(time_s: np.ndarray, *stops: tuple[float, float]) -> np.ndarray:
    """Tip (n,) in mm through stops (time s, mm); NaN outside."""
    at_s, at_mm = np.array(stops).T
    position = np.interp(time_s, at_s, at_mm)
    return np.where(position > 0, position, np.nan)


def hand(time_s: np.ndarray, *moves: tuple[float, float, float, float]) -> np.ndarray:
    """Tip (n,) in mm moved from rest to rest as hands do: (start s, end s, from mm, to mm) each.

    Minimum-jerk moves (Flash & Hogan, J Neurosci 1985, from memory).
    """
    place = np.full(len(time_s), moves[0][2])
    for start_s, end_s, start_mm, end_mm in moves:
        u = np.clip((time_s - start_s) / (end_s - start_s), 0, 1)
        shape = u**3 * (10 - 15 * u + 6 * u**2)
        place = np.where(time_s >= start_s, start_mm + (end_mm - start_mm) * shape, place)
    return place


class TestLeaps:
    """The end of a shaft that leaves the plane and comes back, against needles that do move."""

    TIME_S = clock(6)

    def test_an_end_that_leaps_back_and_forth_is_hidden_in_between(self) -> None:
        shown_mm = path_of(
            self.TIME_S, (0, -1), (0.5, -1), (2, 20), (2.5, 20), (2.65, 8), (3.5, 10), (3.65, 24), (6, 24)
        )
        hidden = leapt_back(shown_mm, self.TIME_S)
        between = (self.TIME_S > 2.65) & (self.TIME_S < 3.5)
        assert hidden[between].all()
        assert not hidden[(self.TIME_S < 2.4) | (self.TIME_S > 3.75)].any()

    @pytest.mark.parametrize("fps", [10.0, 20.0, 30.0])
    @pytest.mark.parametrize("took_s", [0.5, 0.8])
    def test_a_needle_drawn_back_quickly_and_sent_on_again_is_seen(self, fps: float, took_s: float) -> None:
        """14 mm back and 16 forth, at up to 60 mm/s for the quicker of both: fast for a hand."""
        time_s = clock(6, fps=fps)
        moves = ((0.5, 2, 0.1, 24), (2.5, 2.5 + took_s, 24, 10), (3.8, 3.8 + took_s, 10, 26))
        assert not leapt_back(hand(time_s, *moves), time_s).any()

    def test_an_end_that_leaps_back_and_stays_was_drawn_back(self) -> None:
        shown_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (2, 20), (2.5, 20), (2.65, 8), (6, 8))
        assert not leapt_back(shown_mm, self.TIME_S).any()

    def test_a_long_way_made_quickly_is_no_leap(self) -> None:
        """45 mm in 0.8 s, at up to 105 mm/s: too far for a leap, which starts and stops at once."""
        moves = ((0.5, 2, 0.1, 50), (2.5, 3.3, 50, 5), (3.8, 4.6, 5, 50))
        assert not leapt_back(hand(self.TIME_S, *moves), self.TIME_S).any()

    def test_an_end_that_comes_back_by_itself_was_drawn_back(self) -> None:
        """It has advanced to where it leapt from before it leaps on."""
        shown_mm = path_of(
            self.TIME_S,
            (0, -1),
            (0.5, -1),
            (2, 20),
            (2.5, 20),
            (2.65, 8),
            (3.4, 19),
            (4, 19),
            (4.15, 30),
            (6, 30),
        )
        assert not leapt_back(shown_mm, self.TIME_S).any()

    @pytest.mark.parametrize("n", [0, 1, 2, 5])
    def test_a_few_frames_hold_no_leap(self, n: int) -> None:
        assert not leapt_back(np.full(n, 10.0), clock(6)[:n]).any()


class TestBridge:
    """Between two sights of the tip the path is what those sights allow."""

    TIME_S = clock(6)

    def bridged(
        self, truth_mm: np.ndarray, seen: np.ndarray, shown_mm: np.ndarray, moved_mm: np.ndarray | None = None
    ) -> TipPath:
        n = len(self.TIME_S)
        still = np.full(n, np.nan) if moved_mm is None else moved_mm
        path, by_motion = (
            TipPath(mm.copy(), np.where(np.isfinite(mm), 0.2, np.nan), np.isfinite(mm).astype(float))
            for mm in (shown_mm, still)
        )
        return bridge_hidden(path, by_motion, seen & np.isfinite(truth_mm), self.TIME_S)

    def test_a_gap_in_sight_is_filled_evenly(self) -> None:
        """Steady advance at 8 mm/s, out of sight from 2 to 3.5 s: the visible shaft seems to draw back."""
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (4.5, 31), (6, 31))
        hidden = (self.TIME_S > 2) & (self.TIME_S < 3.5)
        shown_mm = np.where(hidden, truth_mm - 9, truth_mm)

        path = self.bridged(truth_mm, ~hidden, shown_mm)

        np.testing.assert_allclose(path.position_mm, truth_mm, atol=0.05)
        assert path.sd_mm[hidden].min() > 0.5
        assert path.sd_mm[hidden].max() > 1.5
        np.testing.assert_allclose(path.sd_mm[~hidden & np.isfinite(truth_mm)], 0.2)

    def test_a_tip_lost_on_its_way_and_found_at_rest_went_on_first(self) -> None:
        """From 10 mm at 20 mm/s, slowing down to rest at 20 mm after a second; hidden for two."""
        t = self.TIME_S - 1.5
        truth_mm = np.where(t < 0, 10 + 20 * t, 20 - 10 * np.clip(1 - t, 0, 1) ** 2)
        truth_mm[truth_mm < 0] = np.nan
        hidden = (t > 0) & (t < 2)

        path = self.bridged(truth_mm, ~hidden, np.where(hidden, 8.0, truth_mm))

        np.testing.assert_allclose(path.position_mm[hidden], truth_mm[hidden], atol=2.0)
        assert (np.diff(path.position_mm[hidden]) >= 0).all()

    @pytest.mark.parametrize("out_mm", [8.0, -8.0])
    def test_a_tip_lost_going_on_and_found_coming_back_was_further_on(self, out_mm: float) -> None:
        """Out of sight from soon after it set out until it is nearly back; at rest there meanwhile."""
        turns = (
            (0, -1),
            (0.5, -1),
            (1.5, 20),
            (2.5, 20),
            (2.8, 20 + out_mm),
            (3.4, 20 + out_mm),
            (3.7, 20),
            (6, 20),
        )
        truth_mm = path_of(self.TIME_S, *turns)
        hidden = np.abs(truth_mm - 20) > 2.5
        hidden &= (self.TIME_S > 2.5) & (self.TIME_S < 3.8)

        path = self.bridged(truth_mm, ~hidden, np.where(hidden, 6.0, truth_mm))

        error_mm = np.abs(path.position_mm - truth_mm)[hidden]
        assert error_mm.mean() < 4.0
        assert (error_mm <= 2 * path.sd_mm[hidden]).mean() > 0.9

    def lost_and_found(self, behind_mm: np.ndarray, sd_mm: float) -> tuple[np.ndarray, TipPath]:
        """Hidden from 2 to 3.5 s at 8 mm/s; just before and just after, the path lies behind the tip."""
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (4.5, 31), (6, 31))
        hidden = (self.TIME_S > 2) & (self.TIME_S < 3.5)
        first, last = np.flatnonzero(hidden)[[0, -1]]
        behind = np.where(hidden, 8.0, 0.0)
        behind[first - len(behind_mm) : first] = behind_mm
        behind[last + 1 : last + 1 + len(behind_mm)] = behind_mm[::-1]
        sds_mm = np.where((behind > 0) & ~hidden, sd_mm, 0.2)
        still = np.full(len(truth_mm), np.nan)
        shown = TipPath(truth_mm - behind, sds_mm, np.isfinite(truth_mm).astype(float))
        seen = ~hidden & np.isfinite(truth_mm)
        return truth_mm, bridge_hidden(shown, TipPath(still, still, still), seen, self.TIME_S)

    def test_a_dim_tip_whose_place_is_vague_is_bridged_too(self) -> None:
        truth_mm, path = self.lost_and_found(np.array([0.9]), sd_mm=2.0)
        np.testing.assert_allclose(path.position_mm, truth_mm, atol=0.2)

    def test_a_path_that_must_catch_up_with_the_tip_is_bridged_too(self) -> None:
        truth_mm, path = self.lost_and_found(np.array([2.0, 4.0]), sd_mm=0.5)
        np.testing.assert_allclose(path.position_mm, truth_mm, atol=0.2)

    def test_a_needle_lost_altogether_for_a_while_is_still_in(self) -> None:
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (2, 20), (6, 20))
        lost = (self.TIME_S > 3) & (self.TIME_S < 5)

        path = self.bridged(truth_mm, ~lost, np.where(lost, np.nan, truth_mm))

        np.testing.assert_allclose(path.position_mm[lost], 20, atol=0.05)
        assert path.present[lost].min() >= 0.5

    def test_motion_deeper_than_both_sights_is_believed(self) -> None:
        """Out of sight it goes on to 26 mm and comes back to where it was lost."""
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (2, 18), (3, 26), (4, 18), (6, 18))
        hidden = (self.TIME_S > 2) & (self.TIME_S < 4)

        path = self.bridged(truth_mm, ~hidden, np.where(hidden, 12.0, truth_mm), truth_mm)

        deep = hidden & (truth_mm > 21.5)
        np.testing.assert_allclose(path.position_mm[deep], truth_mm[deep], atol=0.05)
        assert path.sd_mm[deep].max() > 2
        # It passed what lies between on its way there and back.
        np.testing.assert_allclose(path.position_mm[hidden], truth_mm[hidden], atol=0.05)

    @pytest.mark.parametrize("hidden_lead_mm", [0.0, 1.0, 2.0])
    def test_motion_leads_a_dim_tip_by_less_than_a_bright_one(self, hidden_lead_mm: float) -> None:
        """By 2 mm where the tip is seen; by anything up to as much where it is not."""
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (2, 18), (2.8, 25), (3.6, 25), (4.4, 18), (6, 18))
        hidden = (self.TIME_S > 2) & (self.TIME_S < 4.4)
        moved_mm = truth_mm + np.where(hidden, hidden_lead_mm, 2.0)

        path = self.bridged(truth_mm, ~hidden, np.where(hidden, 12.0, truth_mm), moved_mm)

        error_mm = np.abs(path.position_mm - truth_mm)[hidden]
        assert error_mm.max() <= 1.05
        assert (error_mm <= 2 * path.sd_mm[hidden]).all()

    def test_an_exit_is_left_alone(self) -> None:
        """Out from 2.5 to 4 s and seen near the edge on either side: two stays, not one gap."""
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (1.5, 20), (2.5, -1), (4, -1), (5, 20), (6, 20))
        seen = np.isfinite(truth_mm)

        path = self.bridged(truth_mm, seen, truth_mm)

        np.testing.assert_array_equal(np.isnan(path.position_mm), np.isnan(truth_mm))
        np.testing.assert_allclose(path.position_mm[seen], truth_mm[seen])

    def test_a_needle_never_seen_again_is_left_alone(self) -> None:
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (2, 20), (3, -1), (6, -1))
        seen = self.TIME_S < 2.2

        path = self.bridged(truth_mm, seen, truth_mm)

        np.testing.assert_array_equal(path.position_mm, truth_mm)

    def test_a_loss_shorter_than_motion_blur_is_left_to_the_path(self) -> None:
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (2, 20), (6, 20))
        blink = (self.TIME_S > 3) & (self.TIME_S < 3.2)

        path = self.bridged(truth_mm, ~blink, truth_mm)

        np.testing.assert_allclose(path.sd_mm[np.isfinite(truth_mm)], 0.2)

    def test_a_glimpse_far_behind_the_sights_around_it_is_doubted(self) -> None:
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (2, 20), (6, 20))
        hidden = (self.TIME_S > 3) & (self.TIME_S < 5)
        glimpse = (self.TIME_S > 3.9) & (self.TIME_S < 4.05)

        path = self.bridged(truth_mm, ~hidden | glimpse, np.where(hidden, 9.0, truth_mm))

        np.testing.assert_allclose(path.position_mm[hidden], 20, atol=0.05)

    def test_nothing_is_bridged_without_sight(self) -> None:
        truth_mm = path_of(self.TIME_S, (0, -1), (0.5, -1), (2, 20), (6, 20))
        path = self.bridged(truth_mm, np.zeros(len(truth_mm), bool), truth_mm)
        np.testing.assert_array_equal(path.position_mm, truth_mm)


def resting(time_s: np.ndarray, at_mm: float, *, sd_mm: float = 0.2) -> TipPath:
    """A tip at one place throughout."""
    here = np.full(len(time_s), at_mm)
    return TipPath(here, np.full(len(time_s), sd_mm), np.ones(len(time_s)))


class TestBeyondSight:
    """An end at rest is believed unless it is dim and motion says that something went past it."""

    TIME_S = clock(4.0)
    DIM = np.where(TIME_S < 2.5, 200.0, 140.0)

    def moved(self, to_mm: float) -> TipPath:
        """Motion that agrees with an end at 30 mm while that is bright, and lies at `to_mm` later."""
        path = resting(self.TIME_S, 30.0)
        path.position_mm[self.TIME_S >= 2.5] = to_mm
        return path

    def test_a_dim_end_at_rest_far_behind_what_moved_is_not_the_tip(self) -> None:
        doubted = beyond_sight(resting(self.TIME_S, 30.0), self.moved(39.0), self.DIM, self.TIME_S)

        np.testing.assert_array_equal(doubted, self.TIME_S >= 2.5)

    def test_an_end_as_bright_as_the_tip_ever_is_is_believed(self) -> None:
        bright = np.full(len(self.TIME_S), 200.0)

        assert not beyond_sight(resting(self.TIME_S, 30.0), self.moved(39.0), bright, self.TIME_S).any()

    def test_a_tip_where_motion_puts_it_is_believed(self) -> None:
        assert not beyond_sight(resting(self.TIME_S, 30.0), self.moved(33.0), self.DIM, self.TIME_S).any()

    def test_motion_that_runs_ahead_of_a_fast_tip_is_no_reason_to_doubt_it(self) -> None:
        moving = 5 + 20 * self.TIME_S
        path = TipPath(moving, np.full(len(moving), 0.2), np.ones(len(moving)))
        ahead = TipPath(moving + 6, np.full(len(moving), 0.2), np.ones(len(moving)))

        assert not beyond_sight(path, ahead, self.DIM, self.TIME_S).any()

    def test_a_stray_change_deep_down_for_a_moment_is_no_reason_either(self) -> None:
        stray = resting(self.TIME_S, 30.0)
        stray.position_mm[60:64] = 45.0

        assert not beyond_sight(resting(self.TIME_S, 30.0), stray, self.DIM, self.TIME_S).any()


def test_a_place_lost_after_the_last_sight_is_not_reported() -> None:
    time_s = clock(2.0)
    path = resting(time_s, 20.0)
    path.sd_mm[30:] = 15.0
    seen = np.arange(len(time_s)) < 25

    kept = without_loose_ends(path, seen)

    assert np.isfinite(kept.position_mm[:30]).all()
    assert np.isnan(kept.position_mm[30:]).all()
    assert np.isnan(kept.sd_mm[30:]).all()


def test_a_place_lost_between_two_sights_stays() -> None:
    time_s = clock(2.0)
    path = resting(time_s, 20.0)
    path.sd_mm[10:20] = 15.0
    seen = (np.arange(len(time_s)) < 10) | (np.arange(len(time_s)) >= 20)

    assert np.isfinite(without_loose_ends(path, seen).position_mm).all()
