"""Stated uncertainties against the spread of figures over many drawn errors of the stated size (Monte Carlo).

Invented data. Each draw shifts tip and target as a whole, as errors of one attempt mostly do: what changes
from picture to picture is smoothed away. 250 draws know a spread to 4.5 %, one standard deviation.
"""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.model import Scale, Target
from needlecoach.scoring import approach, metrics
from needlecoach.scoring.bounds import Bounds
from needlecoach.scoring.motion import Scene, prepare
from tests.scoring.conftest import MM_PER_PX, REGION

DRAWS = 250
TIP_MM, MARKING_PX, FOLLOWING_MM, SCALE_SHARE = 0.4, 2.0, 0.15, 0.03
# Along the shaft 20 mm deep, 1.5 mm beside the shaft's line, 4 mm wide to either side.
BESIDE = (20.0, 1.5, 4.0)
# To 18 mm, within the target; to 14 mm, short of it; to 27 mm, past it, out of its far wall at a slant.
WITHIN = [(0, -10), (1, 0), (2.8, 18), (4.8, 18), (5.7, 0), (6.2, -10)]
SHORT = [(0, -10), (1, 0), (2.8, 14), (4.8, 14), (5.7, 0), (6.2, -10)]
BEYOND = [(0, -10), (1, 0), (3, 27), (4.8, 27), (5.7, 0), (6.2, -10)]


def motion_of(drawn, track, *, share=0.0, scale_sd=0.0, marking_px=0.0):
    """The only attempt of a track, its scale off by a share; an outline of 60 corners for speed."""
    size, target = MM_PER_PX * (1 + share), drawn.target
    scene = Scene.of(
        track,
        scale=Scale(size, size, "drawn", scale_sd),
        target=Target(target.outline_px[::6], 0, marking_px, target.centre_px),
        region=REGION,
        pass_withdrawal_mm=5.0,
        bounds=Bounds(),
    )
    (span,) = scene.spans()
    return prepare(scene, span)


def stated_and_spread(
    drawn, names, *, tip=TIP_MM, marking=MARKING_PX, following=FOLLOWING_MM, scale=SCALE_SHARE
):
    """Stated uncertainty of figures, and their spread over draws of all the errors that make it up."""
    rng = np.random.default_rng(6)
    drawn.tip_sd_mm, drawn.rate_hz = tip, 12.5
    track = drawn.track()
    track = replace(track, target_sd_mm=np.full(len(track), following))

    def readings(tip_mm=(0.0, 0.0), target_mm=(0.0, 0.0), share=0.0):
        moved = replace(
            track,
            tip_px=track.tip_px + np.asarray(tip_mm) / MM_PER_PX,
            target_px=track.target_px + np.asarray(target_mm) / MM_PER_PX,
        )
        motion = motion_of(drawn, moved, share=share, scale_sd=scale, marking_px=marking)
        return [getattr(approach, name)(motion) for name in names]

    draws = [
        readings(
            rng.normal(0, tip / np.sqrt(2), 2),
            rng.normal(0, marking * MM_PER_PX, 2) + rng.normal(0, following, 2),
            rng.normal(0, scale),
        )
        for _ in range(DRAWS)
    ]
    spread = np.std([[reading.value for reading in one] for one in draws], axis=0)
    return [(reading.sd, float(s)) for reading, s in zip(readings(), spread, strict=True)]


@pytest.mark.parametrize(
    ("names", "knots"),
    [
        (("closest_edge_mm", "offset_along_mm"), WITHIN),
        (("closest_edge_mm", "closest_centre_mm", "offset_along_mm", "offset_across_mm"), SHORT),
        (("closest_edge_mm", "overshoot_mm"), BEYOND),
    ],
)
def test_distances_spread_as_stated(drawing, names, knots):
    pairs = stated_and_spread(drawing(knots, target_mm=BESIDE), names)
    for name, (stated, spread) in zip(names, pairs, strict=True):
        assert stated == pytest.approx(spread, rel=0.15), name


def test_target_following_alone_spreads_as_stated(drawing):
    """So that it can't hide behind the others."""
    for knots, name in ((WITHIN, "closest_edge_mm"), (SHORT, "offset_along_mm"), (BEYOND, "overshoot_mm")):
        drawn = drawing(knots, target_mm=BESIDE)
        ((stated, spread),) = stated_and_spread(
            drawn, (name,), tip=0.0, marking=0.0, following=0.3, scale=0.0
        )
        assert stated == pytest.approx(spread, rel=0.15), name


@pytest.mark.parametrize("to_mm", [22.5, 23.4, 24.2])
def test_an_overshoot_near_the_wall_spreads_as_stated(drawing, to_mm):
    """The far wall lies at 23.7 mm: an excess that may be none has less than the whole spread."""
    knots = [(0, -10), (1, 0), (3, to_mm), (4.8, to_mm), (5.7, 0), (6.2, -10)]
    ((stated, spread),) = stated_and_spread(drawing(knots, target_mm=BESIDE), ("overshoot_mm",))
    assert stated == pytest.approx(spread, rel=0.2, abs=0.02)


def test_a_slanting_far_wall_spreads_as_stated(drawing):
    """The shaft leaves a round target 3 mm beside its middle: the wall moves 4 / sqrt(4^2 - 3^2) as far."""
    drawn = drawing(BEYOND, target_mm=(20.0, 3.0, 4.0))
    ((stated, spread),) = stated_and_spread(drawn, ("overshoot_mm",), tip=0.1, marking=1.0, scale=0.0)
    assert stated == pytest.approx(spread, rel=0.15)


def test_a_blind_advance_spreads_as_stated(drawing):
    """Tip errors of their own at both sights, the hidden tip on the way between; each moment of losing and
    finding it off by 0.04 s, and half a frame's chance of where the pictures fall."""
    rng, values, tip, scale = np.random.default_rng(7), [], 0.4, 0.03
    for _ in range(DRAWS):
        lost, found = 1.5 + rng.normal(0, 0.04), 2.3 + rng.normal(0, 0.04)
        drawn = drawing(times=np.arange(0, 6.2, 0.04) + rng.uniform(0, 0.04), hidden_s=((lost, found),))
        track, off = drawn.track(), rng.normal(0, tip / np.sqrt(2), (2, 2)) / MM_PER_PX
        share = np.clip((drawn.time_s - lost) / (found - lost), 0, 1)[:, None]
        track = replace(track, tip_px=track.tip_px + off[0] * (1 - share) + off[1] * share)
        motion = motion_of(drawn, track, share=rng.normal(0, scale))
        values.append(metrics.blind_advance_mm(motion).value)
    drawn = drawing(hidden_s=((1.5, 2.3),), tip_sd_mm=tip)
    reading = metrics.blind_advance_mm(motion_of(drawn, drawn.track(), scale_sd=scale))
    assert reading.value == pytest.approx(np.mean(values), abs=0.15)
    assert reading.sd == pytest.approx(np.std(values), rel=0.2)


def test_travel_spreads_as_stated(drawing):
    """Two legs and a turn, the tip's error of its own at each end; about the true way, as slack is a bias."""
    rng, off_mm, tip, scale = np.random.default_rng(8), [], 0.6, 0.03
    drawn = drawing(rate_hz=12.5, tip_sd_mm=tip)
    track = drawn.track()
    for _ in range(DRAWS):
        off = rng.normal(0, tip / np.sqrt(2), (3, 2)) / MM_PER_PX
        errors = np.stack([np.interp(drawn.time_s, [1.0, 3.8, 5.7], off[:, k]) for k in (0, 1)], axis=-1)
        moved = replace(track, tip_px=track.tip_px + errors)
        off_mm.append(metrics.path_mm(motion_of(drawn, moved, share=rng.normal(0, scale))).value - 2 * 18)
    travel, whole = metrics.path_mm(motion_of(drawn, track, scale_sd=scale))
    # What changes from picture to picture is not drawn here.
    stated = np.sqrt(whole**2 - (metrics.ROUGH_SHARE * travel) ** 2)
    assert stated == pytest.approx(np.sqrt(np.mean(np.square(off_mm))), rel=0.2)
