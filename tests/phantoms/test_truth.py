"""Events of paths that can be counted by hand, and visibility as a function of the signal."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from needlecoach.phantoms.practice import practice_scene
from needlecoach.phantoms.scene import Scene, TargetBody
from needlecoach.phantoms.simulate import simulate
from needlecoach.phantoms.truth import FrameTruth, count_strokes, edge_distance_mm, find_events, find_passes


def path(*stops: float) -> np.ndarray:
    """Depth in steps of 0.1 mm through the stops."""
    legs = [np.linspace(a, b, round(abs(b - a) * 10) + 1)[:-1] for a, b in pairwise(stops)]
    return np.concatenate([*legs, [stops[-1]]])


@pytest.mark.parametrize(
    ("stops", "n_passes", "n_strokes"),
    [
        ((0, 20), 1, 0),
        ((0, 20, 0), 1, 0),
        ((0, 20, 12, 25, 0), 2, 0),
        ((0, 20, 15, 25), 2, 0),  # 5 mm is a withdrawal
        ((0, 20, 15.2, 25), 1, 1),  # just under 5 mm is a stroke
        ((0, 20, 17, 20, 17, 20, 17, 20, 0), 1, 3),
        ((0, 20, 18.8, 22), 1, 0),  # 1.2 mm is neither
        ((0, 20, 10, 12.5, 0), 1, 0),  # 2.5 mm forward is not a pass
        ((0, 2.5, 0), 0, 0),
        ((0, 20, 17, 0), 1, 0),  # back without coming forward again is no stroke
        ((0, 10, 7, 12, 3, 15, 0), 2, 1),
    ],
)
def test_passes_and_strokes_of_a_known_path(stops: tuple[float, ...], n_passes: int, n_strokes: int) -> None:
    depth = path(*stops)

    assert len(find_passes(depth)) == n_passes
    assert count_strokes(depth) == n_strokes


def test_a_second_pass_starts_at_the_shallowest_point() -> None:
    depth = path(0, 20, 12, 25)

    (_, end), (start, last) = find_passes(depth)

    assert depth[start] == pytest.approx(12.0)
    # The first pass ends the frame before the withdrawal has grown to 5 mm.
    assert depth[end] == pytest.approx(15.1)
    assert last == len(depth) - 1


def frames(
    depth: list[float | None], *, hidden: set[int] = frozenset(), edge: list[float] | None = None
) -> list[FrameTruth]:
    """Frames at 10 per second; None is no needle."""
    none = FrameTruth(0, 0.0, False, None, False, False, None, None, None, None, None, None, None, None)
    out = []
    for number, value in enumerate(depth):
        frame = replace(none, frame=number, time_s=number / 10)
        if value is not None:
            gap = 5.0 if edge is None else edge[number]
            frame = replace(
                frame,
                needle_present=True,
                tip_visible=number not in hidden,
                insertion_mm=value,
                steady_mm=value,
                edge_mm=gap,
                centre_mm=gap + 4,
            )
        out.append(frame)
    return out


def test_attempts_are_split_by_a_gap_of_0_3_s_and_more() -> None:
    short = find_events(frames([None, 5, 8, 10, None, None, 10, 6, None]), fps=10)
    long = find_events(frames([None, 5, 8, 10, None, None, None, 10, 14]), fps=10)

    assert [(a["start_frame"], a["end_frame"], a["cut_off"]) for a in short["attempts"]] == [(1, 7, False)]
    assert [(a["start_frame"], a["end_frame"], a["cut_off"]) for a in long["attempts"]] == [
        (1, 3, False),
        (7, 8, True),
    ]
    assert long["n_attempts"] == 2


def test_blind_advance_is_new_depth_while_hidden() -> None:
    # Hidden from 10 to 16 mm, back to 13 and to 18: new depth 6 + 2; the way over old depth does not count.
    depth = [5, 8, 10, 13, 16, 13, 16, 18, 20]
    events = find_events(frames(depth, hidden={3, 4, 5, 6, 7}), fps=10)

    assert events["attempts"][0]["blind_advance_net_mm"] == pytest.approx(8.0)
    again = find_events(frames(depth, hidden={6, 7}), fps=10)
    assert again["attempts"][0]["blind_advance_net_mm"] == pytest.approx(2.0)
    assert find_events(frames(depth), fps=10)["attempts"][0]["blind_advance_net_mm"] == 0


def test_a_hit_takes_0_2_s_inside() -> None:
    depth = [5.0, 8, 11, 14, 14, 14]
    graze = find_events(frames(depth, edge=[9, 6, 3, -1, 2, 2]), fps=10)["attempts"][0]
    hit = find_events(frames(depth, edge=[9, 6, 3, -1, -2, 2]), fps=10)["attempts"][0]

    assert (graze["hit"], graze["min_dist_edge_mm"]) == (False, -1)
    assert (hit["hit"], hit["min_dist_edge_mm"], hit["min_dist_centre_mm"]) == (True, -2, 2)


def test_edge_distance_is_signed_and_turns_with_the_ellipse() -> None:
    circle, long = TargetBody((0, 0), (4, 4)), TargetBody((0, 0), (5, 2), tilt_deg=90)

    assert edge_distance_mm(circle, (1, 1), (8, 1)) == pytest.approx(3.0, abs=1e-4)
    assert edge_distance_mm(circle, (1, 1), (2, 1)) == pytest.approx(-3.0, abs=1e-4)
    assert edge_distance_mm(long, (0, 0), (0, 6)) == pytest.approx(1.0, abs=1e-4)
    assert edge_distance_mm(long, (0, 0), (3, 0)) == pytest.approx(1.0, abs=1e-4)


def held_beside_the_plane(out_mm: float) -> Scene:
    scene = practice_scene("hit", target="solid", trail_db=None)
    keys = tuple(replace(key, tip_out_mm=out_mm, entry_out_mm=0.0) for key in scene.motion)
    return replace(scene, motion=keys, duration_s=2.6)


def test_visibility_falls_beside_the_plane() -> None:
    last = [list(simulate(held_beside_the_plane(out), seed=2))[-1][1] for out in (0.0, 1.2, 2.0, 4.0)]

    contrast = [frame.tip_contrast_db for frame in last]
    assert all(frame.needle_present for frame in last)
    assert contrast == sorted(contrast, reverse=True)
    assert (last[0].tip_visible, last[-1].tip_visible) == (True, False)
    assert last[-1].tip_px == pytest.approx(last[0].tip_px, abs=0.01)
