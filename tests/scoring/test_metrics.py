"""Figures without a target, from tracks solved by hand. Invented data.

The needle comes in at 1 s, goes 18 mm deep at 10 mm/s, rests from 2.8 to 4.8 s and leaves at 20 mm/s by 5.7
s.
"""

import numpy as np
import pytest

THREE_PASSES = [
    (0, -10), (1, 0), (3, 20), (3.6, 20), (4.6, 10), (5.2, 10), (6.2, 20), (6.8, 20), (7.8, 10), (8.4, 10),
    (9.4, 20), (10, 20), (11, 0), (11.5, -5),
]  # fmt: skip


def bend(drawn, *angles):
    """Angle by time: the first until 4.9 s, the second until 8.1 s, then the third."""
    return np.select([drawn.time_s < 4.9, drawn.time_s < 8.1], angles[:2], angles[2]).astype(float)


def test_one_pass_without_strokes(drawing):
    figures = drawing().figures()
    assert (figures["passes"], figures["strokes"], figures["redirections"]) == (1, 0, 0)


def test_strokes_within_a_pass(drawing):
    knots = [(0, -10), (1, 0), (3, 20), (3.5, 20), (3.8, 17), (4.3, 17), (4.6, 20), (5.1, 20), (6.1, 0)]
    assert drawing(knots).figures()["strokes"] == 1
    assert drawing(knots).figures()["passes"] == 1


@pytest.mark.parametrize(
    ("angles", "redirections"),
    [((30, 30, 30), 0), ((30, 32.8, 30), 0), ((30, 33.5, 33), 1), ((30, 36, 30), 2)],
)
def test_redirections_are_passes_turned_by_over_three_degrees(drawing, angles, redirections):
    drawn = drawing(THREE_PASSES)
    present = drawn.depth_mm >= 0
    drawn.change = {"angle_deg": np.where(present, bend(drawn, *angles), np.nan)}
    figures = drawn.figures()
    assert (figures["passes"], figures["redirections"]) == (3, redirections)


def test_visibility_is_time_in_sight_over_time_in(drawing):
    # In from 1.0 to 5.7 s: 4.7 s and the last frame's 0.04 s. Hidden for 0.5 s, of which 0.3 s moving
    # forward.
    figures = drawing(hidden_s=((2.5, 3.0),)).figures()
    assert figures["tip_visibility_share"] == pytest.approx(1 - 0.5 / 4.72, abs=0.01)
    assert figures["tip_visibility_advancing"] == pytest.approx(1 - 0.3 / 1.8, abs=0.06)


def test_a_share_is_of_time_and_not_of_frames(drawing):
    # A recorder that drops to 10 frames/s while the tip is hidden: 1.0 s of 4.7 s, though 10 of 200 frames.
    fast, slow = np.arange(0, 3, 0.02), np.arange(3, 4, 0.1)
    times = np.concatenate([fast, slow, np.arange(4, 6.2, 0.02)])
    figures = drawing(times=times, hidden_s=((3.0, 4.0),)).figures()
    assert figures["tip_visibility_share"] == pytest.approx(1 - 1 / 4.7, abs=0.01)


def test_visibility_while_advancing_is_blank_when_it_never_advances(drawing):
    figures = drawing([(0, 8), (1, 8), (2, 2), (3, 2)]).figures()
    assert figures["tip_visibility_advancing"] is None
    assert figures["mean_advance_mm_s"] is None and figures["peak_advance_mm_s"] is None
    assert figures["tip_visibility_share"] == 1.0


def test_blind_advance_is_new_depth_gained_out_of_sight(drawing):
    # 0.4 s and 0.2 s at 10 mm/s; hidden at rest and on the way out gains nothing.
    hidden = ((1.4, 1.8), (2.2, 2.4), (3.2, 4.0), (4.9, 5.3))
    figures = drawing(hidden_s=hidden).figures()
    assert figures["blind_advance_mm"] == pytest.approx(6, abs=0.15)
    assert figures["longest_blind_mm"] == pytest.approx(4, abs=0.15)


def test_seen_all_the_way_is_a_blind_advance_of_zero(drawing):
    figures = drawing().figures()
    assert figures["blind_advance_mm"] == 0 and figures["longest_blind_mm"] == 0


def test_depth_regained_is_not_new(drawing):
    # Back from 20 to 17 mm and blindly forward to 22: only 2 mm are new.
    knots = [(0, -10), (1, 0), (3, 20), (3.5, 20), (3.8, 17), (4.5, 17), (5, 22), (6, 22), (7, 0)]
    assert drawing(knots, hidden_s=((4.2, 5.6),)).figures()["blind_advance_mm"] == pytest.approx(2, abs=0.15)


def test_a_tip_that_reappears_deeper_went_there_blindly(drawing):
    drawn = drawing(hidden_s=((1.6, 2.2),))
    held = np.where((drawn.time_s >= 1.6) & (drawn.time_s < 2.2 - 1e-9), 6.0, drawn.depth_mm)
    tip = np.array([100, 50]) + held[:, None] * drawn.unit / 0.1
    tip[drawn.depth_mm < 0] = np.nan
    drawn.change = {"tip_px": tip}
    assert drawn.figures()["blind_advance_mm"] == pytest.approx(6, abs=0.5)


def test_a_short_loss_counts_for_what_was_gained_in_it(drawing):
    # Two frames and one, at 0.4 mm a frame.
    figures = drawing(hidden_s=((1.4, 1.48), (2.0, 2.04))).figures()
    assert figures["blind_advance_mm"] == pytest.approx(1.2, abs=0.05)


@pytest.mark.parametrize("speeds", [(6, 14, 6), (14, 6, 14), (6, 10, 14), (14, 10, 6)])
def test_a_step_back_into_sight_at_the_needles_own_pace_is_seen(drawing, speeds):
    # Speeds in mm/s before, while and after the tip is hidden from 2 to 3 s; the hidden second alone counts.
    before, hidden, after = speeds
    knots = [(0, -before), (1, 0), (2, before), (3, before + hidden), (4, before + hidden + after), (5, 0)]
    drawn = drawing(knots, rate_hz=10, hidden_s=((2.05, 3.05),))
    assert drawn.figures()["blind_advance_mm"] == pytest.approx(hidden, abs=0.35)


def test_pictures_shown_several_times_make_no_leap(drawing):
    # A new picture every third frame: steps of 0, 0, 1.2 mm at 10 mm/s, the last of them back into sight.
    drawn = drawing(hidden_s=((1.4, 1.8),))
    shown = np.repeat(drawn.depth_mm[::3], 3)[: len(drawn.time_s)]
    hidden = np.flatnonzero((drawn.time_s >= 1.4 - 1e-9) & (drawn.time_s < 1.8 - 1e-9))
    assert shown[hidden[-1] + 1] - shown[hidden[-1]] == pytest.approx(1.2)
    tip = np.array([100, 50]) + shown[:, None] * drawn.unit / 0.1
    tip[drawn.depth_mm < 0] = np.nan
    drawn.change = {"tip_px": tip}
    assert drawn.figures()["blind_advance_mm"] == pytest.approx(4, abs=0.25)


def test_where_a_needle_was_before_it_was_first_seen_is_not_known(drawing):
    # In from the first frame at 8 mm, first seen at 20: no telling how much of that was gained in the clip.
    knots = [(0, 8), (1, 8), (2.2, 20), (3, 20), (4, 0), (4.5, -5)]
    assert drawing(knots, hidden_s=((0, 2.1),)).figures()["blind_advance_mm"] == 0
    # Followed from the edge on, it advanced unseen.
    knots = [(0, -10), (1, 0), (2.2, 20), (3, 20), (4, 0), (4.5, -5)]
    assert drawing(knots, hidden_s=((0, 2.1),)).figures()["blind_advance_mm"] > 15


def gain_sd(drawing, **changes):
    (attempt,) = drawing(**changes).score().attempts
    return attempt.figures["blind_advance_mm"].sd


def test_the_uncertainty_of_a_blind_advance_is_that_of_its_ends(drawing):
    # Still for a moment where sight is lost and found: only the tip's error, at both ends.
    pauses = [(0, -10), (1, 0), (2, 10), (2.4, 10), (3, 16), (3.6, 16), (4.2, 22), (5, 22), (6, 0)]
    resting = gain_sd(drawing, knots=pauses, hidden_s=((2.2, 3.3),), tip_sd_mm=1.0)
    assert resting == pytest.approx(1.0, rel=0.05)
    # On the move at 10 mm/s the moment itself is uncertain: half a frame and 0.04 s of fading at either end.
    moving = gain_sd(drawing, hidden_s=((1.4, 1.8),))
    assert moving == pytest.approx(np.sqrt(2) * 10 * np.hypot(0.02, 0.04), rel=0.1)
    # Twice as fast, or seen twice as rarely, it is worth less; four losses are worth less than one.
    fast = gain_sd(drawing, knots=[(0, -20), (1, 0), (1.9, 18), (4, 18), (5, 0)], hidden_s=((1.4, 1.8),))
    assert fast == pytest.approx(2 * moving, rel=0.1)
    assert gain_sd(drawing, rate_hz=5, hidden_s=((1.35, 1.95),)) > 1.5 * moving
    often = gain_sd(drawing, hidden_s=((1.2, 1.4), (1.6, 1.8), (2.0, 2.2), (2.4, 2.6)))
    assert often == pytest.approx(2 * moving, rel=0.1)


def test_an_inferred_end_makes_a_blind_advance_uncertain(drawing):
    # Never seen again: it ends where the tip is guessed, with the guess's error.
    drawn = drawing(hidden_s=((2.0, 9.0),))
    present = drawn.depth_mm >= 0
    drawn.change = {"tip_sd_mm": np.where(present, np.where(drawn.time_s < 2, 0.2, 3.0), np.nan)}
    (attempt,) = drawn.score().attempts
    sd = attempt.figures["blind_advance_mm"].sd
    assert 3 / np.sqrt(2) < sd < 3


def test_no_uncertainty_is_stated_for_an_advance_seen_all_the_way(drawing):
    assert gain_sd(drawing, tip_sd_mm=0.5) is None


def test_tremor_gains_no_depth(drawing):
    drawn = drawing(rate_hz=50, hidden_s=((3.2, 4.4),))
    shaken = drawn.depth_mm + 0.2 * np.sin(2 * np.pi * 8 * drawn.time_s)
    tip = np.array([100, 50]) + shaken[:, None] * drawn.unit / 0.1
    tip[drawn.depth_mm < 0] = np.nan
    drawn.change = {"tip_px": tip}
    assert drawn.figures()["blind_advance_mm"] < 0.1


def test_losses_of_over_three_tenths_and_the_time_to_find_again(drawing):
    # 0.28 s is no loss; 0.4 and 0.8 s are; the last, to the end, is a loss without a recovery.
    figures = drawing(hidden_s=((1.4, 1.68), (2.0, 2.4), (3.0, 3.8), (5.2, 9))).figures()
    assert figures["plane_losses"] == 3
    assert figures["mean_recovery_s"] == pytest.approx(0.6)


def test_a_tip_not_yet_seen_is_not_lost(drawing):
    figures = drawing(hidden_s=((0, 2.0),)).figures()
    assert figures["plane_losses"] == 0 and figures["mean_recovery_s"] is None


def test_angle_is_a_median_over_time_with_its_spread(drawing):
    drawn = drawing()
    # A quarter of the 4.7 s at each of four angles, in turn: the median lies between the middle two.
    share = np.clip((drawn.time_s - 1) / 4.7, 0, 0.999)
    drawn.change = {"angle_deg": np.where(drawn.depth_mm >= 0, 20 + 40 * share, np.nan)}
    figures = drawn.figures()
    assert figures["angle_deg"] == pytest.approx(40, abs=0.5)
    assert figures["angle_iqr_deg"] == pytest.approx(20, abs=0.5)


def test_travel_and_efficiency(drawing):
    figures = drawing().figures()
    # The last frame with the needle is at 5.68 s, 0.4 mm deep; see travel_mm for the 0.75 mm of slack.
    assert figures["path_mm"] == pytest.approx(18 + 17.6 - 0.75, abs=0.1)
    assert figures["path_efficiency"] == pytest.approx(1.0, abs=0.02)


def test_a_detour_costs_efficiency(drawing):
    # 20 forward, 10 back, 10 forward, 10 back, 12 forward: 62 mm of travel for 22 mm.
    knots = [(t, 22 if t in (9.4, 10) else depth) for t, depth in THREE_PASSES]
    figures = drawing(knots, target_mm=(26, 0, 4)).figures()
    assert figures["path_efficiency"] == pytest.approx(22 / 62, abs=0.02)


def test_speed_forward(drawing):
    figures = drawing().figures()
    # Smoothing rounds the abrupt start and stop of the drawing, which costs the mean some per cent.
    assert figures["mean_advance_mm_s"] == pytest.approx(10, rel=0.08)
    assert figures["peak_advance_mm_s"] == pytest.approx(10, rel=0.03)


def test_smoothness_of_a_minimum_jerk_movement(drawing):
    # One minimum-jerk movement of 40 mm in 4 s, seen throughout: the values of
    # tests/outside/test_smoothness.py, the jerk a little less for the low-pass.
    s = np.linspace(0, 1, 401)
    knots = list(zip(4 * s, 40 * s**3 * (10 - 15 * s + 6 * s**2), strict=True))
    figures = drawing(knots, rate_hz=50).figures()
    assert figures["smoothness_sparc"] == pytest.approx(-1.405, abs=0.02)
    assert figures["smoothness_ldlj"] == pytest.approx(-5.32, abs=0.2)


@pytest.mark.parametrize("changes", [{"rate_hz": 12}, {"hidden_s": ((0, 4.2),)}])
def test_smoothness_is_blank_when_it_would_mean_nothing(drawing, changes):
    figures = drawing(**changes).figures()
    assert figures["smoothness_sparc"] is None and figures["smoothness_ldlj"] is None
