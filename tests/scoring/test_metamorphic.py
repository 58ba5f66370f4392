"""What must come of a changed recording of the same movement, on many drawn tracks. Invented data.

Each track is a row of passes, strokes and hidden spells of random size and pace at a random angle; hypothesis
draws them and shrinks what fails.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from needlecoach.model import Scale, Target
from needlecoach.scoring import COLUMNS, score_track
from tests.scoring.conftest import MM_PER_PX, REGION, Drawing

SOME = settings(max_examples=8, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
TARGET_MM = (18.0, 1.0, 4.0)
SHARES = ("tip_visibility_share", "tip_visibility_advancing")


@st.composite
def movements(draw):
    """A needle's depth by knots, hidden spells, angle: legs of 2 to 12 mm apart from thresholds in mm.

    Where a leg's length or pace lies just at a threshold (3 and 5 mm of a pass, 1.5 of a stroke, 1 mm/s) a
    rounding error may count another way, which is no fault; so legs are either well below or well above.
    """
    time_s, depth = 1.0, 0.0
    knots = [(0.0, -10.0), (time_s, depth)]
    for forward in (True, *draw(st.lists(st.booleans(), min_size=1, max_size=3)), True):
        length = draw(st.sampled_from([6.5, 8.0, 11.0])) if forward else -draw(st.sampled_from([2.2, 6.5]))
        if not 1.0 < depth + length < 30.0:
            continue
        pace = draw(st.floats(8.0, 20.0))
        time_s += abs(length) / pace
        depth += length
        knots.append((time_s, depth))
        time_s += draw(st.floats(0.5, 1.2))
        knots.append((time_s, depth))
    out_s = time_s + depth / 18.0
    knots += [(out_s, 0.0), (out_s + 0.6, -10.0)]
    hidden = tuple(
        (s, s + draw(st.floats(0.5, 0.9))) for s in draw(st.sampled_from([(), (1.6,), (1.4, 3.0)]))
    )
    return Drawing(
        knots, hidden_s=hidden, angle_deg=draw(st.floats(20, 60)), target_mm=TARGET_MM, tip_sd_mm=0.2
    )


def target_of(drawn):
    """The target with an outline of 60 corners, for speed."""
    whole = drawn.target
    return Target(whole.outline_px[::6], 0, 1.0, whole.centre_px)


def figures(track, target, *, mm_per_px=MM_PER_PX, **options):
    """Figures of the only attempt, by name."""
    scale = Scale(mm_per_px, mm_per_px, "drawn", 0.01)
    (attempt,) = score_track(track, scale=scale, target=target, region=REGION, **options).attempts
    return attempt.figures


def assert_same(found, expected, names=None, **tolerance):
    for name in names or expected:
        here, there = found[name].value, expected[name].value
        if isinstance(there, float) and not isinstance(there, bool):
            assert here == pytest.approx(there, **(tolerance or {"abs": 1e-6})), name
        else:
            assert here == there, name


@SOME
@given(movements())
def test_twice_the_scale_is_twice_every_mm(drawn):
    """Counts hang on thresholds in mm, which can't all be told to double: left out, with what they make;
    so are what has a slack or a least speed in mm (travel, shares of advancing) and confidence."""
    track, target = drawn.track(), target_of(drawn)
    single = figures(track, target)
    double = figures(
        replace(track, tip_sd_mm=2 * track.tip_sd_mm),
        target,
        mm_per_px=2 * MM_PER_PX,
        pass_withdrawal_mm=10.0,
    )
    lengths = [name for name, column in COLUMNS.items() if column.unit == "mm" and name != "path_mm"]
    for name in [*lengths, "peak_advance_mm_s"]:
        if "blind" in name and single["passes"].value != double["passes"].value:
            continue  # depth counts within passes
        if single[name].value is None:
            assert double[name].value is None, name
            continue
        assert double[name].value == pytest.approx(2 * single[name].value, rel=1e-6, abs=1e-9), name
        if single[name].sd is not None:
            assert double[name].sd == pytest.approx(2 * single[name].sd, rel=1e-6, abs=1e-9), name
    same = [name for name in COLUMNS if name.startswith(("tip_visibility_share", "angle", "index", "dwell"))]
    assert_same(double, single, [*same, "outcome", "duration_s", "plane_losses"])


@SOME
@given(movements())
def test_a_mirrored_clip_gives_mirrored_places_and_equal_figures(drawn):
    track, target = drawn.track(), target_of(drawn)

    def mirrored(points):
        return np.stack([799 - np.asarray(points)[..., 0], np.asarray(points)[..., 1]], axis=-1)

    places = {
        name: mirrored(getattr(track, name)) for name in ("tip_px", "entry_px", "target_px", "trail_end_px")
    }
    centre = tuple(mirrored(target.centre_px).tolist())
    other = Target(mirrored(target.outline_px), 0, 1.0, centre)
    assert_same(figures(replace(track, **places), other), figures(track, target))


@SOME
@given(movements(), st.sampled_from([1.5, 2.0]))
def test_a_stretched_clip_scales_speeds_and_keeps_shares(drawn, factor):
    """Smoothing is fixed in seconds, and so are 0.2 s of a hit and 0.3 s of a loss: speeds at turns shift a
    little, counts of losses may change. A slow hand keeps what smoothing takes away small, a slower one comes
    near the 1 mm/s that count as moving: at three times 250 drawn pairs differed by 10 % at most, at twice by
    14, at four times by 19."""
    drawn.rate_hz = 50.0
    track, target = drawn.track(), target_of(drawn)
    track = replace(track, time_s=3 * track.time_s)
    plain, slow = figures(track, target), figures(replace(track, time_s=track.time_s * factor), target)
    for name in ("mean_advance_mm_s", "peak_advance_mm_s"):
        assert slow[name].value * factor == pytest.approx(plain[name].value, rel=0.12), name
    for name in SHARES:
        assert slow[name].value == pytest.approx(plain[name].value, abs=0.05), name
    for name in ("duration_s", "dwell_in_target_s"):
        assert slow[name].value == pytest.approx(factor * plain[name].value, rel=0.06, abs=0.12), name
    assert_same(slow, plain, ["angle_deg", "angle_iqr_deg"])
    assert_same(slow, plain, ["closest_edge_mm", "closest_centre_mm", "path_mm", "blind_advance_mm"], abs=0.6)


@SOME
@given(movements(), st.integers(1, 24))
def test_cutting_the_lead_in_changes_nothing(drawn, frames):
    track, target = drawn.track(), target_of(drawn)
    cut = type(track)(**{name: getattr(track, name)[frames:] for name in type(track).__dataclass_fields__})
    whole, rest = figures(track, target), figures(cut, target)
    assert_same(rest, whole)
    for name in whole:
        assert rest[name].sd == pytest.approx(whole[name].sd, abs=1e-9), name


@SOME
@given(movements(), st.integers(0, 2**32 - 1))
def test_dropped_frames_change_shares_by_less_than_their_sampling_error(drawn, seed):
    """A fifth of the frames missing at random. Each spell of sight begins and ends somewhere within the step
    between two frames: an error of up to one step at either end of each spell, over the time judged."""
    track, target = drawn.track(), target_of(drawn)
    rng = np.random.default_rng(seed)
    kept = np.sort(rng.choice(len(track), round(0.8 * len(track)), replace=False))
    some = type(track)(**{name: getattr(track, name)[kept] for name in type(track).__dataclass_fields__})
    whole, rest = figures(track, target), figures(some, target)
    step_s = float(np.diff(some.time_s).max())
    spells = 2 * (len(drawn.hidden_s) + 1)
    bound = spells * step_s / whole["duration_s"].value
    assert abs(rest["tip_visibility_share"].value - whole["tip_visibility_share"].value) <= bound
    assert rest["angle_deg"].value == pytest.approx(whole["angle_deg"].value, abs=1e-6)
    assert rest["passes"].value == whole["passes"].value
    assert rest["closest_edge_mm"].value == pytest.approx(whole["closest_edge_mm"].value, abs=0.6)
