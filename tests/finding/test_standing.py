"""Needles found in single drawn pictures whose truth is known; all scenes and lines are invented data.

Pictures are drawn by `needlecoach.phantoms` from scatterers, at four a second.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from needlecoach.finding.standing import BELIEVED, Standing, find_standings, pool_standing
from needlecoach.model import Region
from needlecoach.phantoms.practice import practice_scene
from needlecoach.phantoms.scene import Tube
from needlecoach.phantoms.simulate import Studio, simulate

MM_PER_PX = 0.12


@cache
def recording(kind="hit", side="left", angle_deg=40.0, traps=False, seed=3):
    """Pictures cut to the region, the region, and the tip of each in px or None."""
    scene = replace(practice_scene(kind, side=side, angle_deg=angle_deg, traps=traps), fps=4.0)
    return draw(scene, seed)


def draw(scene, seed):
    region = Studio(scene, seed=seed).screen.region
    x, y, width, height = region.box_px
    pictures, tips = [], []
    for frame, truth in simulate(scene, seed=seed):
        pictures.append(np.ascontiguousarray(frame.pixels[y : y + height, x : x + width]))
        tips.append(None if truth.tip_px is None else np.subtract(truth.tip_px, (x, y)))
    return pictures, region, tips


def geometry(region: Region, mm_per_px=MM_PER_PX):
    x0, y0, width, height = region.box_px
    x, y = np.meshgrid(np.arange(width) + float(x0), np.arange(height) + float(y0))
    places = np.stack([x, y], axis=-1)
    share = region.depth_px(places) / region.depth_range_px
    return {"mask": region.contains(places), "depth_share": share, "step_mm": mm_per_px}


def found_in(pictures, region):
    return [find_standings(picture, **geometry(region)) for picture in pictures]


def believed_in(picture, **geometry):
    """The needle that one picture shows by itself, None without one."""
    return pool_standing([find_standings(picture, **geometry)])[0]


def tip_error_mm(standing, tip):
    return float(np.hypot(*np.subtract(standing.tip_px, tip))) * MM_PER_PX


def deep(tips):
    """Pictures in which the needle is at least 14 mm below the probe's face and thus long enough."""
    return [i for i, tip in enumerate(tips) if tip is not None and tip[1] * MM_PER_PX > 14]


# ---- one picture


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("angle_deg", [30.0, 45.0, 60.0])
def test_the_likeliest_line_of_a_picture_is_its_needle(angle_deg, side):
    pictures, region, tips = recording(angle_deg=angle_deg, side=side)
    chosen = deep(tips)[:3]
    assert len(chosen) == 3
    for i in chosen:
        best = find_standings(pictures[i], **geometry(region))[0]
        assert abs(best.slope_deg - angle_deg) < 2.5
        assert (best.direction[0] > 0) == (side == "left")
        assert tip_error_mm(best, tips[i]) < 1.5


def test_a_plain_needle_under_a_curved_probe_is_believed_in_a_single_picture():
    scene = replace(practice_scene("hit", probe="curved", angle_deg=45.0), fps=3.0)
    pictures, region, tips = draw(scene, seed=3)
    mm_per_px = scene.display.mm_per_px
    # Its last third: the shaft is long, the tip in the target.
    chosen = [i for i, tip in enumerate(tips) if tip is not None][-8:-4]
    found = [believed_in(pictures[i], **geometry(region, mm_per_px)) for i in chosen]
    assert sum(item is not None for item in found) >= 3
    for i, item in zip(chosen, found, strict=True):
        assert item is None or np.hypot(*np.subtract(item.tip_px, tips[i])) * mm_per_px < 1.5


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_is_believed_in_gel_with_tube_gas_and_layer(seed):
    pictures, region, _ = recording(kind="none", traps=True, seed=seed)
    for picture in pictures[::5]:
        assert believed_in(picture, **geometry(region)) is None


@pytest.mark.parametrize("diameter_mm", [2.4, 4.0])
def test_a_straw_that_comes_in_from_the_edge_and_ends_inside_is_not_believed(diameter_mm):
    scene = practice_scene("none")
    straw = Tube((-9.0, 15.0), 26.0, angle_deg=30.0, diameter_mm=diameter_mm, wall_db=30.0)
    pictures, region, _ = draw(replace(scene, things=(straw,), duration_s=0.1, fps=10.0), seed=4)
    found = find_standings(pictures[0], **geometry(region))
    assert abs(found[0].slope_deg - 30) < 2  # it is there to be mistaken
    assert found[0].terms["twin"] < -1
    assert found[0].score < BELIEVED - 2


@pytest.mark.parametrize("grey", [0, 90, 255])
def test_an_even_picture_holds_no_line(grey):
    picture = np.full((200, 220), grey, dtype=np.uint8)
    mask, share = np.ones(picture.shape, dtype=bool), np.tile(np.linspace(0, 1, 200)[:, None], (1, 220))
    assert find_standings(picture, mask=mask, depth_share=share, step_mm=0.15) == []
    assert find_standings(picture, mask=~mask, depth_share=share, step_mm=0.15) == []


def test_the_picture_s_brightness_range_matters_little():
    pictures, region, tips = recording(angle_deg=45.0)
    picture = pictures[deep(tips)[2]]
    half = (picture // 2).astype(np.uint8)
    scores = [find_standings(item, **geometry(region))[0].score for item in (picture, half)]
    assert scores[0] == pytest.approx(scores[1], abs=1.0)


def test_score_is_the_sum_of_its_terms():
    pictures, region, tips = recording(angle_deg=45.0)
    best = find_standings(pictures[deep(tips)[0]], **geometry(region))[0]
    assert best.score == pytest.approx(sum(best.terms.values()))
    assert set(best.terms) == {"slope", "entry", "body", "straight", "end", "side", "twin", "curtain"}


# ---- several pictures


def line(tip_mm, *, score=11.0, slope_deg=30.0, x_mm=0.0, y_mm=8.0, side=1) -> Standing:
    turn = np.radians(slope_deg)
    direction = (float(side * np.cos(turn)), float(np.sin(turn)))
    return Standing((x_mm / 0.15, y_mm / 0.15), direction, tip_mm, 0.15, {"all": score})


def test_an_end_that_moves_along_its_line_is_believed_where_one_at_rest_is_not():
    moving = [[line(tip_mm)] for tip_mm in (36, 38, 35, 23, 24, 24)]
    resting = [[line(tip_mm)] for tip_mm in (30, 31, 30, 29, 30, 30)]
    assert all(item is not None for item in pool_standing(moving))
    assert pool_standing(resting) == [None] * 6


def test_scenery_that_slides_under_the_probe_is_not_a_needle_that_moves():
    # A straw 20 mm long slides level by up to 12 mm: its line meets the edge elsewhere, its end goes along.
    slides_mm = np.array([0, 2, 5, 8, 10, 12])
    straws = [[line(20.0, x_mm=float(s))] for s in slides_mm]
    assert pool_standing(straws) == [None] * 6
    still = [[line(20.0 + float(s))] for s in slides_mm]
    assert None not in pool_standing(still)


def test_what_few_pictures_agree_on_is_not_believed():
    strong = [[line(tip_mm, score=15)] for tip_mm in (20, 30)]
    assert pool_standing([*strong, [], [], []]) == [None] * 5
    assert None not in pool_standing(strong)


def test_lines_of_another_side_slope_or_place_are_other_lines():
    base = [line(20, score=14), line(30, score=14)]
    others = [line(25, score=14, side=-1), line(25, score=14, slope_deg=45), line(25, score=14, y_mm=20)]
    for other in others:
        found = pool_standing([[base[0]], [base[1]], [other]])
        assert [item is None for item in found] == [False, False, True]


def test_slopes_that_differ_by_chance_become_one_and_others_stay_apart():
    def slopes(*values):
        found = pool_standing(
            [[line(t, score=14, slope_deg=v)] for t, v in zip((20, 25, 30), values, strict=True)]
        )
        return [item.slope_deg for item in found if item is not None]

    assert slopes(29.0, 30.0, 31.0) == pytest.approx([30.0, 30.0, 30.0], abs=0.01)
    turned = slopes(27.0, 29.0, 31.5)
    assert turned[0] < turned[1] < turned[2]
    assert max(turned) - min(turned) < 4.5


def test_a_line_is_turned_about_the_middle_of_its_shaft():
    for side in (1, -1):
        one = line(30.0, side=side)
        other = one.turned(4.0)
        assert other.slope_deg == pytest.approx(34.0)
        middles = [np.mean([item.entry_px, item.tip_px], axis=0) for item in (one, other)]
        assert middles[0] == pytest.approx(middles[1])


def test_motion_of_two_pictures_tells_nothing():
    assert pool_standing([[line(15)], [line(35)]]) == [None, None]


def test_no_pictures_hold_no_needle():
    assert pool_standing([]) == []
    assert pool_standing([[], []]) == [None, None]


def test_a_needle_that_moves_is_pooled_to_well_above_what_is_believed():
    pictures, region, tips = recording(angle_deg=40.0)
    moving = [i for i, tip in enumerate(tips) if tip is not None and tip[1] * MM_PER_PX > 8]
    chosen = [*moving[:3], *moving[-3:-1]]
    pooled = pool_standing(found_in([pictures[i] for i in chosen], region))
    seen = [(i, item) for i, item in zip(chosen, pooled, strict=True) if item is not None]
    assert len(seen) >= 4
    for i, item in seen:
        assert tip_error_mm(item, tips[i]) < 1.5
        assert abs(item.slope_deg - 40) < 1


def test_a_slide_over_gel_with_traps_pools_to_nothing():
    pictures, region, _ = recording(kind="none", traps=True)
    assert pool_standing(found_in(pictures[::3], region)) == [None] * len(pictures[::3])
