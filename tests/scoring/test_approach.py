"""Figures that need a target, from tracks solved by hand. Invented data.

The needle of conftest.py stops 18 mm along a shaft at 30 degrees; the target is a circle of 4 mm radius.
"""

import numpy as np
import pytest

from needlecoach.model import Region, Scale
from needlecoach.scoring import score_track
from needlecoach.scoring.biopsy import CORE_MEASURES

THROUGH = [(0, -10), (1, 0), (3.6, 26), (5, 26), (6.3, 0), (7, -10)]


def outcome(drawn):
    (attempt,) = drawn.score().attempts
    return attempt.outcome


def test_closest_approach_and_its_split(drawing):
    # Target 20 mm along, 1 mm deeper than the shaft: the tip stops 2 mm short of the centre, 1 mm too
    # shallow.
    figures = drawing(target_mm=(20, 1, 4)).figures()
    assert figures["closest_centre_mm"] == pytest.approx(np.hypot(2, 1), abs=0.01)
    assert figures["closest_edge_mm"] == pytest.approx(np.hypot(2, 1) - 4, abs=0.01)
    assert figures["offset_along_mm"] == pytest.approx(-2, abs=0.01)
    assert figures["offset_across_mm"] == pytest.approx(-1, abs=0.01)


def test_closest_frame_lies_in_the_rest(drawing):
    drawn = drawing()
    (attempt,) = drawn.score().attempts
    assert 2.7 <= drawn.time_s[attempt.closest_frame] <= 4.9


def test_noise_does_not_bring_a_resting_tip_nearer(drawing):
    # 2 s of rest 1 mm outside, slow noise of 0.2 mm on each axis: the lowest of 50 smoothed frames comes out
    # 0.2 mm too near.
    rng, errors = np.random.default_rng(8), []
    for _ in range(30):
        drawn = drawing(target_mm=(23, 0, 4), tip_sd_mm=0.2 * np.sqrt(2))
        noise = rng.normal(0, 0.2 * np.sqrt(3), (len(drawn.time_s) + 2, 2))
        slow = (noise[:-2] + noise[1:-1] + noise[2:]) / 3
        drawn.change = {"tip_px": drawn.track().tip_px + slow / 0.1}
        errors.append(drawn.figures()["closest_edge_mm"] - 1.0)
    assert abs(np.mean(errors)) < 0.1
    assert np.std(errors) < 0.12


def test_a_quick_touch_is_not_averaged_away(drawing):
    knots = [(0, -10), (1, 0), (2.5, 15), (2.9, 17), (3.3, 15), (4.8, 0), (5.4, -5)]
    figures = drawing(knots, target_mm=(22, 0, 4), tip_sd_mm=0.2).figures()
    # Smoothing costs a sharp turn at 5 mm/s 0.24 mm, the averaging half of its margin: 0.1 mm.
    assert figures["closest_edge_mm"] == pytest.approx(1.34, abs=0.06)


def test_beyond_the_centre_and_deeper_are_positive(drawing):
    figures = drawing([(0, 0), (2, 23), (4, 23)], target_mm=(20, -2, 1)).figures()
    closest = figures["offset_along_mm"], figures["offset_across_mm"]
    assert closest == pytest.approx((0, 2), abs=0.5)
    figures = drawing([(0, 23), (4, 23)], target_mm=(20, -2, 1)).figures()
    assert (figures["offset_along_mm"], figures["offset_across_mm"]) == pytest.approx((3, 2), abs=0.01)


def test_deeper_follows_the_beam_of_a_sector(drawing):
    # A shaft straight down has its sides at equal height; the beam of a sector tells which one is deeper.
    drawn = drawing([(0, 18), (3, 18)], angle_deg=90.0, target_mm=(18, -1, 4))
    sector = Region("sector", (0, 0, 700, 600), (50.0, -100.0), 20.0, 600.0, 60.0)
    scoring = score_track(drawn.track(), scale=drawn.scale, target=drawn.target, region=sector)
    # The target lies 1 mm to the right (across -1 is away from the beams' apex): the tip is on the apex's
    # side.
    assert scoring.attempts[0].figures["offset_across_mm"].value == pytest.approx(-1, abs=0.01)


def test_hit_with_its_time_and_dwell(drawing):
    figures = drawing().figures()
    assert figures["outcome"] == "hit"
    # Past the near wall, 16 mm, at 2.6 s; out again, at 20 mm/s from 4.8 s, at 4.9 s.
    assert figures["time_to_target_s"] == pytest.approx(1.6, abs=0.05)
    assert figures["dwell_in_target_s"] == pytest.approx(2.3, abs=0.05)


@pytest.mark.parametrize(
    ("along", "expected"), [(21.5, "hit"), (21.85, "borderline"), (22.15, "borderline"), (22.5, "miss")]
)
def test_outcome_against_the_tips_own_uncertainty(drawing, along, expected):
    # The tip stops at 18 mm, the near wall lies at along - 4; 0.3 mm on both axes is 0.212 mm on one.
    assert outcome(drawing(target_mm=(along, 0, 4), tip_sd_mm=0.3)) == expected


def test_a_careless_mark_makes_more_borderline(drawing):
    assert outcome(drawing(target_mm=(22.5, 0, 4), tip_sd_mm=0.3, marking_sd_px=8)) == "borderline"


@pytest.mark.parametrize(("rest_s", "expected"), [(0.12, "borderline"), (0.4, "hit")])
def test_a_hit_needs_two_tenths_of_a_second(drawing, rest_s, expected):
    knots = [(0, -10), (1, 0), (2.6, 16), (2.62, 17.5), (2.62 + rest_s, 17.5), (2.64 + rest_s, 15), (5, 0)]
    assert outcome(drawing(knots, rate_hz=100)) == expected


def test_a_guess_with_a_large_error_decides_nothing(drawing):
    drawn = drawing(target_mm=(24, 0, 4), hidden_s=((3.4, 4.2),))
    guess = (drawn.time_s >= 3.4) & (drawn.time_s < 4.2)
    depth = np.where(guess, 23.0, drawn.depth_mm)
    tip = np.array([100, 50]) + depth[:, None] * drawn.unit / 0.1
    tip[drawn.depth_mm < 0] = np.nan
    drawn.change = {
        "tip_px": tip,
        "tip_sd_mm": np.where(guess, 9.0, np.where(drawn.depth_mm >= 0, 0.2, np.nan)),
    }
    (attempt,) = drawn.score().attempts
    assert attempt.outcome == "borderline"
    assert attempt.figures["closest_edge_mm"].value == pytest.approx(2.0, abs=0.1)


def test_without_a_target_nothing_that_needs_one(drawing):
    (attempt,) = drawing(target_mm=None).score().attempts
    assert (attempt.outcome, attempt.reason, attempt.closest_frame) == (
        "unscorable",
        "no target was marked",
        None,
    )
    blank = {name for name, figure in attempt.figures.items() if figure.value is None}
    of_core = set(CORE_MEASURES) - {"time_to_target_s", "dwell_in_target_s"}
    assert blank - of_core == {
        "time_to_target_s",
        "dwell_in_target_s",
        "closest_edge_mm",
        "closest_centre_mm",
        "offset_along_mm",
        "offset_across_mm",
        "overshoot_mm",
        "mean_recovery_s",
        "path_efficiency",
        "index_of_difficulty",
        "trail_end_edge_mm",
    }


@pytest.mark.parametrize(
    ("knots", "target", "value"),
    [
        pytest.param(THROUGH, (20, 0, 4), 2.0, id="2 mm past the far wall at 24 mm"),
        pytest.param(THROUGH, (20, 2.4, 4), 26 - 20 - 3.2, id="off the middle the wall is nearer"),
        pytest.param(THROUGH, (24, 0, 4), 0.0, id="reached and not passed"),
        pytest.param(THROUGH, (36, 0, 4), None, id="never reached"),
        pytest.param(THROUGH, (20, 6, 4), None, id="passed beside it"),
    ],
)
def test_overshoot(drawing, knots, target, value):
    found = drawing(knots, target_mm=target).figures()["overshoot_mm"]
    assert found == (None if value is None else pytest.approx(value, abs=0.05))


def test_time_to_target_is_blank_without_a_hit_or_an_entry(drawing):
    assert drawing(target_mm=(30, 0, 4)).figures()["time_to_target_s"] is None
    scoring = drawing([(0, 10), (2, 20), (4, 20)]).score()
    assert scoring.attempts[0].outcome == "hit"
    assert scoring.attempts[0].figures["time_to_target_s"].value is None
    assert any("well in when the clip began" in note for note in scoring.notes)


def test_difficulty_of_a_target_three_widths_deep_is_two_bits(drawing):
    # D/W = 3 -> 2 bits: MacKenzie 1992, ISO 9241-411 (from memory).
    assert drawing(target_mm=(24, 0, 4)).figures()["index_of_difficulty"] == pytest.approx(2.0, abs=1e-3)


def test_width_for_difficulty_lies_across_the_path(drawing):
    drawn = drawing(scale=Scale(0.1, 0.1, "drawn", 0.0), angle_deg=0.0, target_mm=(24, 0, 4))
    wide = drawn.figures()["index_of_difficulty"]
    assert wide == pytest.approx(2.0, abs=1e-3)
    flat = drawn.target.outline_px.copy()
    flat[:, 1] = 50 + (flat[:, 1] - 50) / 2
    target = type(drawn.target)(flat, centre_px=drawn.target.centre_px)
    scoring = score_track(
        drawn.track(), scale=drawn.scale, target=target, region=Region("rectangle", (0, 0, 700, 600))
    )
    assert scoring.attempts[0].figures["index_of_difficulty"].value == pytest.approx(np.log2(7), abs=1e-3)


def test_the_target_is_where_it_has_moved_to(drawing):
    drawn = drawing()
    moved_px = np.where(drawn.time_s > 2, 40.0, 0.0)
    pushed = np.tile(drawn.target.centre_px, (len(drawn.time_s), 1)) + moved_px[:, None] * drawn.unit
    drawn.change = {"target_px": pushed}
    assert drawn.figures()["closest_edge_mm"] == pytest.approx(2, abs=0.01)


def test_trail_end_is_a_median_until_the_next_attempt(drawing):
    knots = [(0, -1), (1, 0), (2, 18), (3, 18), (4, 0), (4.1, -1), (6, -1), (6.1, 0), (7, 18), (8, 18)]
    drawn = drawing(knots)
    trail = np.full((len(drawn.time_s), 2), np.nan)
    free = (drawn.time_s > 4.2) & (drawn.time_s < 5.8)
    trail[free] = np.array([100, 50]) + 17 * drawn.unit[free] / 0.1
    trail[np.flatnonzero(free)[3]] += 300
    drawn.change = {"trail_end_px": trail}
    first, second = drawn.score().attempts
    assert first.figures["trail_end_edge_mm"].value == pytest.approx(-1, abs=0.01)
    assert first.figures["trail_end_edge_mm"].sd is None
    drawn.change |= {
        "trail_sd_mm": np.full(len(drawn.time_s), 0.8),
        "target_sd_mm": np.full(len(drawn.time_s), 0.6),
    }
    assert drawn.score().attempts[0].figures["trail_end_edge_mm"].sd == pytest.approx(1.0)
    assert second.figures["trail_end_edge_mm"].value is None


def test_trail_after_the_last_attempt_counts_to_the_clips_end(drawing):
    drawn = drawing()
    after = drawn.time_s > 5.8
    trail = np.where(after[:, None], np.array([100, 50]) + 15 * drawn.unit / 0.1, np.nan)
    drawn.change = {"trail_end_px": trail}
    assert drawn.figures()["trail_end_edge_mm"] == pytest.approx(1, abs=0.01)
    assert drawing().figures()["trail_end_edge_mm"] is None


def test_distances_carry_an_uncertainty(drawing):
    drawn = drawing(tip_sd_mm=0.3, marking_sd_px=2, scale=Scale(0.1, 0.1, "drawn", 0.05))
    (attempt,) = drawn.score().attempts
    # Tip 0.3 / sqrt 2, marking 2 px = 0.2 mm, scale 5 % of 2 mm.
    expected = np.sqrt(0.3**2 / 2 + 0.2**2 + 0.1**2)
    for name in ("closest_edge_mm", "closest_centre_mm", "offset_along_mm"):
        assert attempt.figures[name].sd == pytest.approx(expected, rel=0.01)


def test_following_the_target_counts_for_the_outcome(drawing):
    """1 mm inside the outline: a hit unless the target's own place is not known to that."""
    knots = [(0, -10), (1, 0), (2.7, 17), (4.8, 17), (5.7, 0), (6.2, -10)]
    drawn = drawing(knots)
    for following_mm, outcome in ((0.5, "hit"), (1.5, "borderline")):
        drawn.change = {"target_sd_mm": np.full(len(drawn.time_s), following_mm)}
        (attempt,) = drawn.score().attempts
        assert attempt.outcome == outcome
        assert attempt.figures["closest_edge_mm"].sd == pytest.approx(following_mm)


@pytest.mark.parametrize("name", ["mean_advance_mm_s", "peak_advance_mm_s"])
def test_speeds_state_no_uncertainty_and_say_so(drawing, name):
    drawn = drawing(tip_sd_mm=0.3, scale=Scale(0.1, 0.1, "drawn", 0.05))
    figure = drawn.score().attempts[0].figures[name]
    assert figure.value > 0 and figure.sd is None
    assert "no uncertainty is stated" in figure.meaning


def test_an_unknown_tip_error_gives_no_uncertainty_and_still_an_outcome(drawing):
    (attempt,) = drawing(tip_sd_mm=np.nan).score().attempts
    assert attempt.outcome == "hit"
    assert attempt.figures["closest_edge_mm"].sd is None
