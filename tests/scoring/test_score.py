"""Whole tracks: what must not change when the recording is mirrored, rescaled or sampled in another way.

Invented data.
"""

import numpy as np
import pytest

from needlecoach.model import Region, Scale, Target, Track
from needlecoach.scoring import COLUMNS, score_track
from needlecoach.scoring.biopsy import CORE_MEASURES

REGION = Region("rectangle", (0, 0, 800, 600))
SCALE = Scale(0.1, 0.1, "drawn", 0.01)
BUSY = [
    (0, -10), (1, 0), (2.5, 20), (3.2, 20), (3.6, 17), (4.2, 17), (4.6, 20), (5.2, 20), (6.2, 10), (6.8, 10),
    (7.9, 21), (8.8, 21), (9.9, 0), (10.4, -5),
]  # fmt: skip


def busy(drawing, **changes):
    """Two passes, a stroke, a redirection, two hidden spells, a hit."""
    drawn = drawing(
        BUSY, hidden_s=((1.6, 2.0), (4.4, 5.0)), marking_sd_px=1.0, **({"tip_sd_mm": 0.2} | changes)
    )
    bent = np.where(drawn.time_s < 6.5, 30.0, 34.0)
    drawn.change |= {"angle_deg": np.where(drawn.depth_mm >= 0, bent, np.nan)}
    return drawn


def track_with(n, **changes):
    """Track of n frames without a needle, with arrays put in place."""
    nowhere = np.full((n, 2), np.nan)
    arrays = dict(
        time_s=np.arange(n) / 25,
        needle_present=np.zeros(n, dtype=bool),
        tip_px=nowhere,
        tip_visible=np.zeros(n, dtype=bool),
        tip_sd_mm=np.full(n, np.nan),
        entry_px=nowhere,
        angle_deg=np.full(n, np.nan),
        shaft_visible_share=np.full(n, np.nan),
        target_px=nowhere,
        target_found=np.zeros(n, dtype=bool),
        trail_end_px=nowhere,
    )
    return Track(**(arrays | changes))


def values(scoring):
    (attempt,) = scoring.attempts
    return {name: figure.value for name, figure in attempt.figures.items()}


def test_the_busy_track_is_busy(drawing):
    figures = busy(drawing).figures()
    assert (figures["passes"], figures["strokes"], figures["redirections"]) == (2, 1, 1)
    assert (figures["plane_losses"], figures["outcome"]) == (2, "hit")
    of_core = set(CORE_MEASURES) - {"time_to_target_s", "dwell_in_target_s"}
    assert all(figures[name] is not None for name in set(COLUMNS) - of_core - {"trail_end_edge_mm"})
    assert all(figures[name] is None for name in of_core)


def test_mirrored_left_to_right_gives_equal_figures(drawing):
    drawn = busy(drawing)
    track, target = drawn.track(), drawn.target

    def mirror(points):
        return np.stack([799 - points[:, 0], points[:, 1]], axis=-1)

    arrays = {name: getattr(track, name) for name in Track.__dataclass_fields__}
    arrays |= {
        name: mirror(getattr(track, name)) for name in ("tip_px", "entry_px", "target_px", "trail_end_px")
    }
    other = Target(mirror(target.outline_px), centre_px=(799 - target.centre_px[0], target.centre_px[1]))
    straight = score_track(track, scale=SCALE, target=target, region=REGION)
    mirrored = score_track(Track(**arrays), scale=SCALE, target=other, region=REGION)
    expected = values(straight)
    for name, value in values(mirrored).items():
        assert value == (
            pytest.approx(expected[name], abs=1e-6) if isinstance(value, float) else expected[name]
        ), name
    for name in ("edge_distance_mm", "advance_mm", "centre_distance_mm"):
        assert mirrored.distances[name] == pytest.approx(straight.distances[name], abs=1e-6, nan_ok=True)


def test_twice_the_scale_is_twice_every_millimetre(drawing):
    drawn = busy(drawing)
    single = values(score_track(drawn.track(), scale=SCALE, target=drawn.target, region=REGION))
    twice = Scale(0.2, 0.2, "drawn", 0.01)
    # Thresholds in mm double too where they can be set; 5 mm of a stroke does not, so strokes are left out,
    # and so is confidence, which falls with the tip's error in mm.
    double = values(
        score_track(
            busy(drawing, tip_sd_mm=0.4).track(),
            scale=twice,
            target=drawn.target,
            region=REGION,
            pass_withdrawal_mm=10,
        )
    )
    # The slack of the follower and the 1 mm/s that counts as moving stay as they are: a few per cent.
    loose = {
        "path_mm": 0.03,
        "mean_advance_mm_s": 0.05,
        "tip_visibility_advancing": 0.03,
        "path_efficiency": 0.03,
    }
    for name, value in double.items():
        if name in {"strokes", "confidence"}:
            continue
        if value is None:
            assert single[name] is None, name
        elif COLUMNS[name].unit.startswith("mm"):
            assert value == pytest.approx(2 * single[name], rel=loose.get(name, 1e-6), abs=1e-9), name
        elif isinstance(value, float):
            assert value == pytest.approx(single[name], rel=loose.get(name, 0.03)), name
        else:
            assert value == single[name], name


TIMES = {
    "twice the rate": np.arange(0, 10.4, 0.02),
    "rate changes": np.concatenate([np.arange(0, 3, 0.02), np.arange(3, 6, 0.05), np.arange(6, 10.4, 0.03)]),
    "frames dropped": np.delete(
        np.arange(261) / 25, np.random.default_rng(4).choice(np.arange(1, 260), 40, False)
    ),
}


@pytest.mark.parametrize("times", TIMES.values(), ids=TIMES)
def test_the_same_movement_sampled_otherwise_gives_the_same_figures(drawing, times):
    even, other = busy(drawing).figures(), busy(drawing, times=times).figures()
    for name in ("passes", "strokes", "redirections", "plane_losses", "outcome", "cut_off"):
        assert other[name] == even[name], name
    for name in ("tip_visibility_share", "tip_visibility_advancing", "path_efficiency"):
        assert other[name] == pytest.approx(even[name], abs=0.03), name
    for name in ("dwell_in_target_s", "mean_recovery_s", "time_to_target_s", "duration_s"):
        assert other[name] == pytest.approx(even[name], abs=0.12), name
    for name in (
        "closest_edge_mm",
        "offset_along_mm",
        "blind_advance_mm",
        "longest_blind_mm",
        "overshoot_mm",
    ):
        assert other[name] == pytest.approx(even[name], abs=0.6), name


def test_distances_are_those_of_each_frame(drawing):
    drawn = drawing()
    distances = drawn.score().distances
    present = drawn.depth_mm >= 0
    assert distances["centre_distance_mm"][present] == pytest.approx(np.abs(20 - drawn.depth_mm[present]))
    assert distances["edge_distance_mm"][present] == pytest.approx(16 - drawn.depth_mm[present], abs=0.01)
    assert np.isnan(distances["edge_distance_mm"][~present]).all()
    first, last = np.flatnonzero(present)[[0, -1]]
    assert distances["advance_mm"][first + 1 : last + 1] == pytest.approx(
        np.diff(drawn.depth_mm[first : last + 1])
    )
    assert (
        np.isnan(distances["advance_mm"][: first + 1]).all()
        and np.isnan(distances["advance_mm"][last + 1 :]).all()
    )


def test_a_sideways_sweep_of_the_needle_is_no_advance(drawing):
    # The needle turns about its entry at 18 mm depth by 20 degrees within a second.
    drawn = drawing([(0, 18), (3, 18)])
    drawn.angle_deg = 30 + 20 * np.clip(drawn.time_s - 1, 0, 1)
    advance = drawn.score(pass_withdrawal_mm=5.0).distances["advance_mm"]
    assert np.nansum(advance) == pytest.approx(0, abs=0.05)
    assert drawn.figures()["strokes"] == 0


def test_jittering_entries_make_no_passes(drawing):
    drawn = drawing(rate_hz=25)
    jitter = np.random.default_rng(2).normal(0, 30, (len(drawn.time_s), 2))
    drawn.change = {"entry_px": np.array([100.0, 50.0]) + jitter}
    assert (drawn.figures()["passes"], drawn.figures()["strokes"]) == (1, 0)


def test_lone_wild_positions_change_nothing_that_matters(drawing):
    drawn = busy(drawing)
    before = drawn.figures()
    tip = drawn.track().tip_px.copy()
    tip[[40, 70, 110, 150, 215]] += (55, -40)
    drawn.change |= {"tip_px": tip}
    after = drawn.figures()
    for name in ("passes", "strokes", "redirections", "outcome"):
        assert after[name] == before[name]
    assert after["closest_edge_mm"] == pytest.approx(before["closest_edge_mm"], abs=0.1)
    assert after["peak_advance_mm_s"] == pytest.approx(before["peak_advance_mm_s"], rel=0.1)


def test_two_attempts_are_numbered_and_the_last_is_cut_off(drawing):
    knots = [(0, -1), (1, 0), (2, 18), (3, 18), (4, 0), (4.1, -1), (6, -1), (6.1, 0), (7, 18), (8, 18)]
    scoring = drawing(knots).score()
    assert [(a.number, a.cut_off, a.figures["attempt"].value) for a in scoring.attempts] == [
        (1, False, 1),
        (2, True, 2),
    ]
    first = scoring.attempts[0]
    assert first.figures["start_s"].value == pytest.approx(1.0)
    assert first.figures["duration_s"].value == pytest.approx(3.0)
    assert any("Attempt 2: the clip ends" in note for note in scoring.notes)


def test_something_gone_at_once_is_told_and_not_scored(drawing):
    present = np.zeros(100, dtype=bool)
    present[50:56] = True
    tip = np.where(present[:, None], 200.0, np.nan) * np.ones((1, 2))
    scoring = score_track(
        track_with(100, needle_present=present, tip_px=tip), scale=SCALE, target=None, region=REGION
    )
    assert scoring.attempts == ()
    assert any("2.00 s" in note for note in scoring.notes)


def test_a_quick_stab_is_an_attempt(drawing):
    knots = [(0, -1), (0.99, -1), (1, 0), (1.12, 8), (1.24, 0), (1.25, -1), (3, -1)]
    assert len(drawing(knots, rate_hz=50).score().attempts) == 1


def test_a_needle_hardly_followed_is_unscorable_with_a_reason(drawing):
    drawn = drawing(hidden_s=((0, 5.2),))
    drawn.change = {"shaft_visible_share": np.full(len(drawn.time_s), 0.1)}
    (attempt,) = drawn.score().attempts
    assert attempt.outcome == "unscorable"
    assert "followed in only" in attempt.reason
    given = {name for name, figure in attempt.figures.items() if figure.value is not None}
    assert given == {"attempt", "start_s", "end_s", "duration_s", "cut_off", "outcome"}
    assert attempt.passes == () and attempt.closest_frame is None


def test_a_hidden_tip_on_a_seen_shaft_is_scored(drawing):
    (attempt,) = drawing(hidden_s=((0, 9),)).score().attempts
    assert attempt.outcome == "hit"
    assert attempt.figures["tip_visibility_share"].value == 0


def test_a_needle_without_any_tip_is_unscorable():
    present = np.ones(50, dtype=bool)
    scoring = score_track(track_with(50, needle_present=present), scale=SCALE, target=None, region=REGION)
    assert [(a.outcome, a.reason) for a in scoring.attempts] == [("unscorable", "the tip was never found")]
    assert scoring.confidence == 0


def test_a_lost_target_lowers_confidence_and_is_told(drawing):
    drawn = drawing(tip_sd_mm=0.2)
    sure = drawn.score().confidence
    drawn.change = {"target_found": drawn.time_s < 3}
    lost = drawn.score()
    assert sure == pytest.approx(1 / 1.04, abs=1e-6)
    assert lost.confidence < 0.5 * sure
    assert any("target could not be followed" in note for note in lost.notes)


@pytest.mark.parametrize("n", [0, 1, 2, 3])
@pytest.mark.parametrize("needle", [False, True])
@pytest.mark.parametrize("with_target", [False, True])
def test_tiny_tracks_are_borne(n, needle, with_target):
    here = np.full((n, 2), 200.0) if needle else np.full((n, 2), np.nan)
    track = track_with(n, needle_present=np.full(n, needle), tip_px=here, target_px=np.full((n, 2), 210.0))
    target = Target.from_ellipse((210, 210), (30, 30)) if with_target else None
    scoring = score_track(track, scale=SCALE, target=target, region=REGION)
    assert scoring.attempts == ()
    assert all(column.shape == (n,) for column in scoring.distances.values())


def test_a_single_slow_frame_with_a_needle_is_borne():
    present = np.array([False, True, True])
    track = track_with(
        3,
        time_s=np.array([0.0, 1.0, 2.0]),
        needle_present=present,
        tip_visible=present,
        tip_px=np.where(present[:, None], 200.0, np.nan) * np.ones((1, 2)),
    )
    (attempt,) = score_track(track, scale=SCALE, target=None, region=REGION).attempts
    assert attempt.figures["angle_deg"].value is None
    assert attempt.figures["smoothness_sparc"].value is None
    assert attempt.figures["tip_visibility_share"].value == 1.0


def test_a_target_never_located_is_unscorable(drawing):
    drawn = drawing()
    drawn.change = {"target_px": np.full((len(drawn.time_s), 2), np.nan)}
    (attempt,) = drawn.score().attempts
    assert (attempt.outcome, attempt.figures["closest_edge_mm"].value) == ("unscorable", None)
    assert attempt.figures["passes"].value == 1
