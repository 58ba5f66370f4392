"""The tip is followed on invented evidence whose truth is known."""

import numpy as np
import pytest

from needlecoach.tracking.kymograph import SAMPLE_MM
from needlecoach.tracking.likelihood import (
    TIP_NATS,
    emission,
    log_odds,
    motion_odds,
    moving_share,
    tip_bonus,
    usual_tip_grey,
    where_it_stopped,
)
from needlecoach.tracking.tip import TipPath, follow_tip

N = 160
PLACES_MM = np.arange(N) * SAMPLE_MM
FPS = 20.0


def clock(duration_s: float, *, fps: float = FPS) -> np.ndarray:
    return np.arange(0, duration_s, 1 / fps)


def path_of(time_s: np.ndarray, *stops: tuple[float, float]) -> np.ndarray:
    """Tip (n,) in mm through stops (time s, mm); NaN outside."""
    at_s, at_mm = np.array(stops).T
    position = np.interp(time_s, at_s, at_mm)
    return np.where(position > 0, position, np.nan)


def evidence(
    position_mm: np.ndarray, *, nats: float = 8.0, sd_mm: float = 0.4, noise: float = 0.5
) -> np.ndarray:
    """Log likelihood against no needle: a peak at the tip, or nothing but doubt where there is none."""
    rng = np.random.default_rng(4)
    centred = PLACES_MM[None] - np.nan_to_num(position_mm, nan=-99)[:, None]
    peak = np.exp(-0.5 * (centred / sd_mm) ** 2)
    here = np.isfinite(position_mm)[:, None]
    clean = np.where(here, nats * (2 * peak - 1), -3.0)
    return clean + rng.normal(0, noise, clean.shape)


def moving_of(position_mm: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    speed = np.abs(np.gradient(np.nan_to_num(position_mm), time_s))
    return np.clip(speed / 5, 0, 1)


def followed(position_mm: np.ndarray, time_s: np.ndarray, **options: float) -> TipPath:
    return follow_tip(evidence(position_mm, **options), moving_of(position_mm, time_s), time_s)


def assert_follows(path: TipPath, truth_mm: np.ndarray, *, late_frames: int = 0) -> None:
    """Same presence but for some frames at the edge, and within a sample where both know the tip."""
    present = np.isfinite(truth_mm)
    assert np.count_nonzero((path.present > 0.5) != present) <= late_frames
    np.testing.assert_array_equal(np.isfinite(path.position_mm), path.present > 0.5)
    both = present & np.isfinite(path.position_mm)
    assert np.abs(path.position_mm - truth_mm)[both].max() < 0.3


WAYS = {
    "steady advance": ((0, -1), (0.5, -1), (2.5, 30)),
    "advance and rest": ((0, -1), (0.5, -1), (1.5, 20), (4, 20)),
    "in, rest, out": ((0, -1), (0.5, -1), (1.5, 20), (2.5, 20), (3.5, -1), (4.5, -1)),
    "strokes": ((0, -1), (0.5, -1), (1.5, 20), (1.8, 17), (2.1, 20), (2.4, 17), (2.7, 20), (4, 20)),
    "quick withdrawal at 50 mm/s": ((0, -1), (0.5, -1), (2, 25), (2.5, 25), (3.02, -1), (4, -1)),
    "two attempts": ((0, -1), (0.3, -1), (1, 12), (1.7, -1), (2.7, -1), (3.7, 25), (4.2, 25)),
    "in from the first frame": ((0, 18), (1, 18), (2, 28), (3, 28)),
    "pulled out from the first frame on": ((0, 18), (0.5, 18), (1.5, -1), (3, -1)),
}


@pytest.mark.parametrize("way", WAYS.values(), ids=WAYS.keys())
def test_the_tip_is_followed(way: tuple[tuple[float, float], ...]) -> None:
    time_s = clock(way[-1][0])
    truth_mm = path_of(time_s, *way)

    assert_follows(followed(truth_mm, time_s), truth_mm, late_frames=1)


def test_without_a_needle_none_is_found() -> None:
    time_s = clock(5)

    path = followed(np.full(len(time_s), np.nan), time_s)

    assert path.present.max() < 0.05
    assert np.isnan(path.position_mm).all()
    assert np.isnan(path.sd_mm).all()


def test_no_evidence_either_way_is_no_needle() -> None:
    time_s = clock(5)

    path = follow_tip(np.zeros((len(time_s), N)), np.zeros(len(time_s)), time_s)

    assert path.present.max() < 0.5


def test_a_needle_can_not_appear_in_mid_picture() -> None:
    """One frame of strong evidence at 25 mm, none before or after."""
    time_s = clock(2)
    truth_mm = np.full(len(time_s), np.nan)
    truth_mm[20] = 25.0

    path = followed(truth_mm, time_s)

    assert path.present.max() < 0.5


def test_a_quick_withdrawal_is_followed_on_weak_evidence() -> None:
    """Pulled out at 60 mm/s, four times the usual speed, 3 mm a frame."""
    time_s = clock(4)
    truth_mm = path_of(time_s, (0, -1), (0.5, -1), (2, 28), (2.5, 28), (2.98, -1), (4, -1))

    path = followed(truth_mm, time_s, nats=1.5, sd_mm=0.8, noise=0.3)

    fast = (time_s > 2.5) & (np.nan_to_num(truth_mm) > 3)
    assert np.abs(path.position_mm - truth_mm)[fast].max() < 0.8


def test_a_needle_switched_on_in_mid_picture_must_still_have_come_from_the_edge() -> None:
    """Evidence at 25 mm from 2 s to the end: the path there takes the time that 80 mm/s need."""
    time_s = clock(5)
    truth_mm = np.where(time_s >= 2, 25.0, np.nan)

    path = followed(truth_mm, time_s)

    here = np.isfinite(path.position_mm)
    first = int(np.argmax(here))
    assert path.position_mm[first] <= 80 / FPS + 0.5
    assert np.nanmax(np.abs(np.diff(path.position_mm))) <= 80 / FPS + 0.5
    assert path.position_mm[-1] == pytest.approx(25, abs=0.3)


@pytest.mark.parametrize("seed", range(3))
def test_a_variable_frame_rate_is_followed_by_the_clock(seed: int) -> None:
    """Steps of 10 to 160 ms: at 50 mm/s the tip moves 0.5 to 8 mm between frames."""
    steps = np.random.default_rng(seed).uniform(0.01, 0.16, 60)
    time_s = np.cumsum(steps)
    truth_mm = path_of(time_s, (0, -1), (0.5, -1), (1.06, 27), (1.9, 27), (2.3, 7), (6, 7))

    assert_follows(followed(truth_mm, time_s), truth_mm, late_frames=1)


def test_overwhelming_evidence_for_an_impossible_place_breaks_nothing() -> None:
    """A long bright shaft gives hundreds of nats a frame; the tip must still have come from the edge."""
    time_s = clock(1.0)
    sure = np.full((len(time_s), N), -400.0)
    sure[5:, 120] = 900.0

    path = follow_tip(sure, np.zeros(len(time_s)), time_s)

    assert np.isfinite(path.present).all()
    assert path.position_mm[-1] == pytest.approx(120 * SAMPLE_MM, abs=1)


def test_flat_evidence_widens_the_posterior() -> None:
    time_s = clock(4)
    truth_mm = path_of(time_s, (0, -1), (0.5, -1), (1.5, 20), (4, 20))
    clear = evidence(truth_mm)
    flat = clear.copy()
    dark = (time_s > 2.0) & (time_s < 3.0)
    flat[dark] = 5.0

    sharp, dull = (follow_tip(one, moving_of(truth_mm, time_s), time_s) for one in (clear, flat))

    middle = int(np.flatnonzero(dark).mean())
    assert dull.present[dark].min() > 0.9
    assert sharp.sd_mm[middle] < 0.35
    assert dull.sd_mm[middle] > 2 * sharp.sd_mm[middle]
    # Doubt grows from either side towards the middle.
    assert dull.sd_mm[middle] > dull.sd_mm[np.flatnonzero(dark)[0]]


def test_the_sd_says_how_far_off_the_tip_is() -> None:
    """Evidence that is itself off by 0.4 mm at random: most errors must lie within two sd."""
    time_s = clock(5)
    truth_mm = path_of(time_s, (0, -1), (0.2, -1), (2, 20), (3, 20), (4, 28), (5, 28))
    misled = truth_mm + np.random.default_rng(2).normal(0, 0.4, len(truth_mm))

    path = follow_tip(evidence(misled, nats=1.5, sd_mm=0.6), moving_of(truth_mm, time_s), time_s)

    both = np.isfinite(truth_mm) & np.isfinite(path.position_mm)
    assert both.sum() > 85
    within = np.abs(path.position_mm - truth_mm)[both] <= 2 * path.sd_mm[both]
    assert within.mean() > 0.85


class TestEmission:
    """Where a strip says the tip is."""

    def test_the_shaft_ends_at_the_tip(self) -> None:
        odds = np.where(PLACES_MM < 20, 1.0, -0.5)[None]

        like = emission(odds)

        best_mm = PLACES_MM[np.flatnonzero(like[0] > like.max() - 1e-9)]
        # The tip's picture reaches beyond the tip, so the halo before the end is as likely.
        assert best_mm[0] == pytest.approx(20 - 1.25, abs=0.3)
        assert best_mm[-1] == pytest.approx(20, abs=0.3)

    def test_a_tip_bonus_decides_between_places(self) -> None:
        odds = np.where(PLACES_MM < 20, 1.0, -0.5)[None]
        bonus = np.where(np.abs(PLACES_MM - 19) < 0.1, TIP_NATS, 0.0)[None]

        assert PLACES_MM[emission(odds, bonus)[0].argmax()] == pytest.approx(19)

    def test_a_dark_strip_hardly_speaks_against_a_needle(self) -> None:
        like = emission(np.full((1, N), -0.5))
        assert -0.2 < like.min() <= like.max() <= 0

    def test_a_shaft_may_fade_before_the_tip(self) -> None:
        """Seen up to 12 mm and not beyond: deeper tips stay possible at a small price."""
        like = emission(np.where(PLACES_MM < 12, 1.0, -0.5)[None])[0]
        assert 0 < like.max() - like[-1] < 1.0


class TestLogOdds:
    """What samples say, learned from a first guess."""

    def test_changed_places_speak_for_a_needle_and_still_ones_hardly_against(self) -> None:
        rng = np.random.default_rng(1)
        time_s = clock(4)
        guess_mm = path_of(time_s, (0, -1), (0.5, -1), (2.5, 25), (4, 25))
        covered = np.nan_to_num(guess_mm, nan=-9)[:, None] > PLACES_MM
        change = np.where(covered, rng.uniform(20, 60, covered.shape), rng.exponential(2, covered.shape))
        inside = np.ones_like(covered)
        inside[:, -5:] = False

        odds = log_odds(change.astype(np.float32), inside, guess_mm)

        assert odds[covered & inside].mean() > 0.5
        assert -0.7 < odds[~covered & inside].mean() < 0
        assert (odds[:, -5:] == -1).all()

    def test_more_change_never_speaks_less_for_a_needle(self) -> None:
        rng = np.random.default_rng(1)
        guess_mm = np.full(60, 20.0)
        change = rng.uniform(0, 90, (60, N)).astype(np.float32)

        odds = log_odds(change, np.ones(change.shape, bool), guess_mm)

        order = np.argsort(change.ravel())
        assert (np.diff(odds.ravel()[order]) >= -1e-12).all()

    def test_without_any_guess_there_is_no_crash(self) -> None:
        odds = log_odds(np.zeros((5, N), np.float32), np.ones((5, N), bool), np.full(5, np.nan))
        assert np.isfinite(odds).all()


class TestTipBonus:
    """A bright, changed place with a fall just beyond it."""

    GREY = np.where(PLACES_MM < 20, 150.0, 50.0).astype(np.float32)[None]
    ODDS = np.where(PLACES_MM < 20, 2.0, -0.2)[None]

    def test_it_marks_the_bright_end(self) -> None:
        bonus = tip_bonus(self.GREY, self.ODDS, 150.0)[0]

        assert PLACES_MM[bonus.argmax()] == pytest.approx(19.5, abs=0.5)
        assert bonus.max() > 0.5 * TIP_NATS
        assert bonus[(PLACES_MM < 18.5) | (PLACES_MM > 20.5)].max() == 0

    def test_an_end_far_darker_than_the_usual_tip_is_a_piece_of_shaft(self) -> None:
        assert tip_bonus(self.GREY, self.ODDS, 215.0).max() == 0

    def test_an_unchanged_place_is_no_tip(self) -> None:
        assert tip_bonus(self.GREY, np.full((1, N), -0.2), 150.0).max() == 0


class TestUsualTipGrey:
    """The grey value that tips have in a clip."""

    def test_median_of_the_brightest_near_the_guess(self) -> None:
        grey = np.full((5, N), 40, np.float32)
        for row, value in enumerate([180, 190, 200, 90, 250]):
            grey[row, 80 + row] = value
        assert usual_tip_grey(grey, np.full(5, 80 * SAMPLE_MM)) == 190

    def test_without_a_tip_nothing_is_usual(self) -> None:
        assert usual_tip_grey(np.zeros((5, N), np.float32), np.full(5, np.nan)) == 255.0


class TestMotionOdds:
    """A moving shaft changes its strip up to the tip."""

    INSIDE = np.ones((4, N), bool)

    def test_a_moving_strip_speaks_for_its_length(self) -> None:
        motion = np.full((4, N), 1.0, np.float32)
        motion[1, :80] = 30

        odds = motion_odds(motion, self.INSIDE)

        assert (odds[1, :80] > 0.3).all()
        assert (odds[1, 80:] < 0).all()
        assert (odds[[0, 2, 3]] == 0).all()
        np.testing.assert_allclose(moving_share(odds), [0, 1, 0, 0])

    def test_a_stray_sample_is_noise(self) -> None:
        motion = np.full((4, N), 1.0, np.float32)
        motion[2, 100] = 60

        np.testing.assert_array_equal(motion_odds(motion, self.INSIDE), 0)

    def test_outside_the_picture_nothing_moves(self) -> None:
        inside = self.INSIDE.copy()
        inside[:, 120:] = False
        odds = motion_odds(np.full((4, N), 30, np.float32), inside)
        assert (odds[:, 120:] == -1).all()


class TestWhereItStopped:
    """At rest, where motion stopped, the tip gets the benefit of the doubt."""

    TIME_S = clock(4.0)
    TIP_MM = path_of(TIME_S, (0.2, -1), (1.2, 16), (2.8, 16), (3.8, -1))
    # Stirring is told from two frames to either side.
    STIRRING = np.where((TIME_S < 1.3) | (TIME_S > 2.7), 1.0, 0.0)

    def test_a_bubble_does_not_wear_the_tip_down_at_rest(self) -> None:
        """While the tip rests at 16 mm a bubble at 12 mm resembles it a little more, frame by frame."""
        shown = evidence(self.TIP_MM)
        resting = self.STIRRING == 0
        shown[resting] = np.maximum(shown[resting], evidence(np.full(len(shown), 12.0), nats=10)[resting])
        bonus = np.maximum(shown, 0)
        stopped = where_it_stopped(shown, bonus, self.TIP_MM + 0.5, self.STIRRING, self.TIME_S, 2)

        by_frame, by_look = (
            follow_tip(given, self.STIRRING, self.TIME_S).position_mm[resting] for given in (shown, stopped)
        )

        assert np.median(np.abs(by_frame - 16)) > 3
        np.testing.assert_allclose(by_look, 16, atol=0.5)

    def test_what_resembles_a_tip_now_and_then_does_so_throughout(self) -> None:
        shown, bonus = np.zeros((40, N)), np.zeros((40, N))
        shown[:, 60], shown[:, 100], bonus[::5, 100] = 9.0, 6.0, 5.0

        looks = where_it_stopped(shown, bonus, np.full(40, 25.0), np.zeros(40), clock(2.0), 2)

        np.testing.assert_allclose(looks[:, 60], 9)
        np.testing.assert_allclose(looks[:, 100], 9 - 3 / FPS)
        assert looks[:, 20].max() == 0

    @pytest.mark.parametrize(("stopped_mm", "moving"), [(15.0, 0.0), (25.0, 1.0), (np.nan, 0.0)])
    def test_elsewhere_and_while_it_stirs_nothing_changes(self, stopped_mm: float, moving: float) -> None:
        shown, bonus = np.zeros((40, N)), np.full((40, N), 8.0)
        shown[:, 60], shown[:, 100] = 9.0, 6.0

        looks = where_it_stopped(shown, bonus, np.full(40, stopped_mm), np.full(40, moving), clock(2.0), 2)

        np.testing.assert_array_equal(looks[:, 100], 6)
