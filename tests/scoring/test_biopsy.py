"""Core biopsies on tracks that can be solved by hand. All data are invented.

The target lies from 16 to 24 mm along the shaft. The notch runs from 8 to 2 mm behind the tip; a throw is
10 mm.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from needlecoach.model import Core, Scale
from needlecoach.scoring import sampling
from needlecoach.scoring.biopsy import CORE_MEASURES, best_change_mm
from needlecoach.scoring.firing import Firing

CORE = Core(2.0, 6.0, 10.0)
BLANK_WITHOUT_THROW = {
    "notch_in_target_fired_mm", "throw_mm", "fired_tip_beyond_far_wall_mm", "fired_tip_to_edge_mm",
    "best_fire_depth_mm", "fired_s",
}  # fmt: skip


def held_at(depth_mm, then=()):
    """In at 1 s with 10 mm/s, held there for 1 s, then as told, else out at 20 mm/s."""
    there = 1 + depth_mm / 10
    after = then or ((there + 1 + depth_mm / 20, 0), (there + 1.5 + depth_mm / 20, -10))
    return [(0, -10), (1, 0), (there, depth_mm), (there + 1, depth_mm), *after]


def scored(drawing, knots, core=CORE, **changes):
    (attempt,) = drawing(knots, **changes).score(core=core).attempts
    return attempt, {name: figure.value for name, figure in attempt.figures.items()}


def fired(monkeypatch, frame, part="tip", jump_mm=10.0, sd_mm=0.1):
    monkeypatch.setattr(sampling, "find_firing", lambda *_: Firing(frame, part, jump_mm, sd_mm))


def test_held_with_the_notch_half_in(drawing):
    attempt, figures = scored(drawing, held_at(22))
    assert attempt.outcome == figures["outcome"] == "hit"
    expected = {
        "notch_start_mm": 14,
        "notch_length_mm": 6,
        "notch_in_target_mm": 4,  # 16 to 20
        "notch_in_target_before_mm": 4,
        "notch_in_target_fired_mm": 0,  # 24 to 30
        "throw_mm": 10,
        "fired_tip_beyond_far_wall_mm": 8,  # 32 - 24
        # The picture is 59.9 mm wide, the shaft goes through it at 30 degrees from its upper left corner.
        "fired_tip_to_edge_mm": 59.9 / np.cos(np.radians(30)) - 32,
        # As good from 14 to 16: fired, the notch then lies from 16 to 22, or from 18 to 24.
        "best_fire_depth_mm": 15,
        "fired_s": None,
        # The notch's far end at the near wall: the tip at 18 mm, at 2.8 s.
        "time_to_target_s": 1.8,
        "dwell_in_target_s": 0.4 + 1 + 0.2,
    }
    for name, value in expected.items():
        assert figures[name] == (value if value is None else pytest.approx(value, abs=0.05)), name
    assert attempt.core.notes == ()


def test_where_it_lay_in_px(drawing):
    attempt, _ = scored(drawing, held_at(22))
    core, unit = attempt.core, np.array([np.cos(np.radians(30)), 0.5])

    def at(mm):
        return pytest.approx(np.array([100, 50]) + mm * unit / 0.1, abs=0.2)

    assert (core.fired_frame, core.fired_part) == (None, "")
    assert attempt.first_frame < core.frame < attempt.last_frame
    assert core.notch_px[0] == at(14) and core.notch_px[1] == at(20)
    assert core.fired_tip_px == at(32)
    assert core.fired_notch_px[0] == at(24) and core.fired_notch_px[1] == at(30)
    assert core.best_tip_px == at(15)


def test_a_tip_in_the_target_is_no_hit(drawing):
    attempt, figures = scored(drawing, held_at(17.5), tip_sd_mm=0.1)
    assert figures["closest_edge_mm"] < -1
    assert attempt.outcome == "miss"
    assert (figures["notch_in_target_mm"], figures["time_to_target_s"]) == (0, None)
    assert attempt.figures["notch_in_target_mm"].sd is None
    assert figures["dwell_in_target_s"] == 0
    assert any("is no hit" in note for note in attempt.core.notes)
    # Held there, firing takes the notch from 19.5 to 24 mm, and beyond.
    assert figures["notch_in_target_fired_mm"] == pytest.approx(4.5, abs=0.05)


@pytest.mark.parametrize(
    ("depth_mm", "outcome"), [(17, "miss"), (17.9, "borderline"), (18.2, "borderline"), (19, "hit")]
)
def test_outcome_within_uncertainty(drawing, depth_mm, outcome):
    """The notch's end reaches the near wall at 18 mm; 0.4 mm of tip are 0.28 mm along the shaft."""
    attempt, _ = scored(drawing, held_at(depth_mm), tip_sd_mm=0.4)
    assert attempt.outcome == outcome


def test_too_short_inside_is_too_close_to_call(drawing):
    """At 60 mm/s through all of it: notch and target together are 14 mm long, 0.23 s both ways apart."""
    knots = [(0, -10), (1, 0), (1.3, 18), (1.36, 21), (1.42, 18), (2, 0), (2.5, -10)]
    attempt, _ = scored(drawing, knots)
    assert attempt.outcome == "borderline"
    assert attempt.reason == "the notch was inside the target for under 0.2 s"


def test_beside_the_target_all_the_way(drawing):
    attempt, figures = scored(drawing, held_at(22), target_mm=(20.0, 6.0, 4.0), tip_sd_mm=0.1)
    assert attempt.outcome == "miss"
    assert figures["notch_in_target_mm"] == 0
    # The sampling moment is then that of the deepest tip.
    assert figures["notch_start_mm"] == pytest.approx(14, abs=0.05)
    assert figures["fired_tip_beyond_far_wall_mm"] is None and figures["best_fire_depth_mm"] is None
    assert attempt.core.best_tip_px is None


# Held at 14 mm until 3.4 s (frame 85), thrown to 24 mm within two frames, held until 4.48 s, out.
THROWN = held_at(14, ((3.48, 24), (4.48, 24), (5.7, 0), (6.2, -10)))


def test_a_throw_that_was_seen(drawing, monkeypatch):
    fired(monkeypatch, 87)
    attempt, figures = scored(drawing, THROWN, tip_sd_mm=0.1)
    assert (attempt.outcome, attempt.core.fired_frame, attempt.core.fired_part) == ("hit", 87, "tip")
    expected = {
        "notch_in_target_mm": 6,  # 16 to 22
        "notch_in_target_fired_mm": 6,
        "notch_in_target_before_mm": 0,  # 6 to 12
        "throw_mm": 10,
        "fired_tip_beyond_far_wall_mm": 0,
        "best_fire_depth_mm": 15,
        "fired_s": 3.48,
        "time_to_target_s": 3.48 - 1,
    }
    for name, value in expected.items():
        assert figures[name] == pytest.approx(value, abs=0.05), name
    assert attempt.figures["throw_mm"].sd == 0.1
    assert 87 <= attempt.core.frame <= 91


def test_drawn_back_through_the_target_after_firing_beyond_it_is_no_hit(drawing, monkeypatch):
    """Fired from 30 to 40 mm, the notch 8 mm past the far wall; on its way out it passes for 0.7 s."""
    fired(monkeypatch, 127)
    knots = held_at(30, ((5.08, 40), (6.08, 40), (8.08, 0), (8.58, -10)))
    attempt, figures = scored(drawing, knots, tip_sd_mm=0.1)
    assert attempt.outcome == "miss"
    assert figures["notch_in_target_mm"] == 0
    assert figures["notch_in_target_before_mm"] == pytest.approx(2, abs=0.05)  # 22 to 24
    assert figures["dwell_in_target_s"] > 0.6
    assert figures["fired_tip_beyond_far_wall_mm"] == pytest.approx(16, abs=0.05)


def test_a_sheath_that_closed_moves_no_tip(drawing, monkeypatch):
    fired(monkeypatch, 95, "sheath", 6.0)
    attempt, figures = scored(drawing, held_at(22), core=Core(2.0, 6.0))
    assert attempt.outcome == "hit"
    for name in ("notch_in_target_mm", "notch_in_target_before_mm", "notch_in_target_fired_mm"):
        assert figures[name] == pytest.approx(4, abs=0.05)
    assert figures["throw_mm"] is None
    assert figures["fired_tip_beyond_far_wall_mm"] == pytest.approx(-2, abs=0.05)
    # The point stays: best where the notch lies from 16 to 22, up to 18 to 24.
    assert figures["best_fire_depth_mm"] == pytest.approx(25, abs=0.05)
    assert figures["fired_s"] == pytest.approx(95 / 25)
    assert (attempt.core.fired_frame, attempt.core.fired_part) == (95, "sheath")


def test_a_point_out_of_sight_when_it_sampled_is_told(drawing):
    attempt, _ = scored(drawing, held_at(22), hidden_s=((3.0, 4.5),))
    assert any("is inferred" in note for note in attempt.core.notes)


def test_another_throw_than_the_one_given_is_told(drawing, monkeypatch):
    fired(monkeypatch, 87)
    attempt, figures = scored(drawing, THROWN, core=Core(2.0, 6.0, 15.0))
    assert figures["throw_mm"] == 10
    assert any("not the 15 mm given" in note for note in attempt.core.notes)


def test_without_a_throw_what_comes_of_firing_is_blank(drawing):
    attempt, figures = scored(drawing, held_at(22), core=Core(2.0, 6.0))
    assert {name for name in CORE_MEASURES if figures[name] is None} == BLANK_WITHOUT_THROW
    assert attempt.outcome == "hit"
    assert attempt.core.fired_tip_px is attempt.core.fired_notch_px is attempt.core.best_tip_px is None


def test_without_a_target_only_what_needs_none(drawing):
    attempt, figures = scored(drawing, held_at(22), target_mm=None)
    assert (attempt.outcome, attempt.reason) == ("unscorable", "no target was marked")
    known = {name for name in CORE_MEASURES if figures[name] is not None}
    assert known == {"notch_start_mm", "notch_length_mm", "throw_mm", "fired_tip_to_edge_mm"}
    assert attempt.core.best_tip_px is None


def test_without_a_target_it_is_not_said_that_it_was_not_scored(drawing):
    scoring = drawing(held_at(22), target_mm=None).score()
    assert "Attempt 1: neither hit nor miss, as it was scored without a target." in scoring.notes
    assert not any("not scored" in note for note in scoring.notes)


def test_an_aspirate_has_no_sample(drawing):
    attempt, _ = scored(drawing, held_at(22), core=None)
    assert attempt.core is None and attempt.outcome == "hit"


def test_distances_carry_an_uncertainty(drawing):
    """One wall of the notch counts: tip 0.3 / sqrt 2, marking 0.2; the scale stretches 6 mm from the tip."""
    attempt, _ = scored(
        drawing, held_at(22), tip_sd_mm=0.3, marking_sd_px=2, scale=Scale(0.1, 0.1, "drawn", 0.05)
    )
    expected = np.sqrt(0.3**2 / 2 + 0.2**2 + (0.05 * 6) ** 2)
    sd = {name: figure.sd for name, figure in attempt.figures.items()}
    assert sd["notch_in_target_mm"] == pytest.approx(expected, rel=0.03)
    for name in (
        "notch_start_mm",
        "fired_tip_beyond_far_wall_mm",
        "fired_tip_to_edge_mm",
        "best_fire_depth_mm",
    ):
        assert sd[name] > 0.2
    assert sd["notch_length_mm"] is sd["throw_mm"] is None


def test_at_any_angle_it_is_the_same(drawing):
    """Times by two frames at most: at 18 mm and at 32 mm the notch touches a wall exactly."""
    shallow = scored(drawing, held_at(22), angle_deg=20.0)[1]
    steep = scored(drawing, held_at(22), angle_deg=60.0)[1]
    for name in set(CORE_MEASURES) - {"fired_tip_to_edge_mm", "fired_s"}:
        assert steep[name] == pytest.approx(shallow[name], abs=0.081 if name.endswith("_s") else 0.01), name


def test_a_clip_that_ends_with_the_firing_says_what_it_can(drawing, monkeypatch):
    fired(monkeypatch, 87)
    attempt, figures = scored(drawing, held_at(14, ((3.48, 24),)))
    assert attempt.outcome == "borderline"  # under 0.2 s are left of it
    assert figures["notch_in_target_mm"] == pytest.approx(6, abs=0.05)


def test_nothing_known_after_a_firing(drawing, monkeypatch):
    fired(monkeypatch, 87)
    drawn = drawing(THROWN)
    gone = np.where((np.arange(len(drawn.time_s)) >= 86)[:, None], np.nan, drawn.track().tip_px)
    drawn.change = {"tip_px": gone, "tip_visible": np.isfinite(gone[:, 0])}
    (attempt,) = drawn.score(core=CORE).attempts
    assert (attempt.outcome, attempt.core) == ("unscorable", None)
    assert "after it was fired" in attempt.reason
    assert all(attempt.figures[name].value is None for name in CORE_MEASURES)


@settings(max_examples=100)
@given(st.lists(st.floats(-30, 30), min_size=2, max_size=6), st.floats(2, 30), st.floats(2, 40))
def test_best_place_against_every_place(walls, notch_mm, throw_mm):
    """Every hundredth of a millimetre tried: none is better, and the middle of the plateau is found."""
    walls = np.sort(np.array(walls))[: len(walls) // 2 * 2]
    core, least = Core(5.0, notch_mm, throw_mm), -25.0

    def inside(change):
        end = np.asarray(change) + throw_mm - 5.0
        held = np.clip(walls[:, None], end - notch_mm, end)
        return (held[1::2] - held[0::2]).sum(axis=0)

    best = best_change_mm(walls, core, throw_mm=throw_mm, least_mm=least)
    tried = inside(np.arange(least, 90, 0.01))
    if np.isnan(best):
        assert tried.max() <= 1e-9
    else:
        assert best >= least
        assert inside([best])[0] >= tried.max() - 1e-9
        assert inside([best])[0] <= tried.max() + 0.03
