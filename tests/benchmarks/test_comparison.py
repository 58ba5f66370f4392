"""Every comparison of results with truth, on errors put in by hand."""

import numpy as np
import pandas as pd
import pytest
from comparison import Ruler, Tally, compare_attempts, compare_frames
from truths import exact_results, truth_record


def test_figures_of_a_known_error() -> None:
    record = truth_record()
    track, _ = exact_results(record)
    track.loc[10:, "tip_x_px"] += 3.0  # 0.3 mm along x
    track.loc[10:, "tip_y_px"] += 2.0  # 0.4 mm along y
    track.loc[20:24, "tip_visible"] = 1
    track.loc[20:24, "tip_sd_mm"] = 0.3
    track["angle_deg"] += 1.5

    figures = compare_frames(record, track).figures()

    assert figures["tip_50_mm"] == pytest.approx(0.5)
    assert figures["tip_95_mm"] == pytest.approx(0.5)
    assert figures["inferred_90_mm"] == pytest.approx(0.5)
    assert figures["seen_in_2sd"] == 0.0
    assert figures["inferred_in_2sd"] == 1.0
    assert figures["found"] == 1.0
    # 24 frames rightly called visible (25 less the borderline one), 5 wrongly.
    assert figures["visible_f1"] == pytest.approx(48 / 53)
    assert figures["angle_50_deg"] == pytest.approx(1.5)
    assert figures["angle_95_deg"] == pytest.approx(1.5)


def test_found_counts_frames_without_a_tip_and_with_a_far_one() -> None:
    record = truth_record()
    track, _ = exact_results(record)
    track.loc[10:14, "tip_x_px"] = np.nan
    track.loc[15:17, "tip_x_px"] += 21.0  # 2.1 mm
    track = track.drop(index=[39])  # a frame that the table lacks
    figures = compare_frames(record, track).figures()
    assert figures["found"] == pytest.approx((25 - 5 - 3 - 1) / 25)


def test_a_borderline_frame_counts_for_the_tip_but_not_for_its_visibility() -> None:
    record = truth_record()
    track, _ = exact_results(record)
    track.loc[25, "tip_visible"] = 0
    assert compare_frames(record, track).figures()["visible_f1"] == 1.0
    track.loc[26, "tip_visible"] = 0
    assert compare_frames(record, track).figures()["visible_f1"] == pytest.approx(46 / 47)


def test_a_bent_needle_has_two_fair_angles() -> None:
    record = truth_record()
    track, _ = exact_results(record)
    for frame in record["frames"]:
        frame["angle_fit_deg"] = 32.0 if frame["needle_present"] else None
    track["angle_deg"] = 31.5
    assert compare_frames(record, track).figures()["angle_50_deg"] == pytest.approx(0.5)


def test_false_frames_of_clips_with_and_without_a_needle_are_told_apart() -> None:
    record, empty = truth_record(), truth_record(needle=False)
    track, nothing = exact_results(record)[0], exact_results(empty)[0]
    track.loc[:1, "needle_present"] = 1
    total = compare_frames(record, track)
    total.add(compare_frames(empty, nothing))
    figures = total.figures()
    assert figures["false"] == pytest.approx(2 / 50)
    assert figures["false_no_needle"] == 0.0
    nothing.loc[:3, "needle_present"] = 1
    assert compare_frames(empty, nothing).figures()["false_no_needle"] == pytest.approx(4 / 40)


def test_the_target_is_compared_while_it_lies_in_the_plane() -> None:
    record = truth_record()
    track, _ = exact_results(record)
    track["target_x_px"] += 4.0
    track.loc[30:, "target_x_px"] += 100.0  # out of the plane: not compared
    track.loc[:3, "target_x_px"] = np.nan
    tally = compare_frames(record, track)
    assert tally.figures()["target_95_mm"] == pytest.approx(0.4)
    assert len(tally.target_error_mm) == 26


def test_a_track_with_few_columns_is_enough() -> None:
    record = truth_record()
    track = exact_results(record)[0][["frame", "needle_present", "tip_x_px", "tip_y_px"]]
    figures = compare_frames(record, track).figures()
    assert figures["tip_95_mm"] == 0.0
    assert np.isnan([figures["seen_in_2sd"], figures["angle_50_deg"], figures["target_95_mm"]]).all()


def test_points_of_a_camera_are_turned_back_to_the_screen() -> None:
    # The camera sees the screen twice as large and moved, and a little from the side.
    bend = np.array([[2.0, 0.0, 30.0], [0.0, 2.0, 10.0], [0.001, 0.0, 1.0]])

    def seen(point: tuple[float, float]) -> tuple[float, float]:
        x, y, w = bend @ [*point, 1.0]
        return x / w, y / w

    ruler = Ruler({"mm_per_px": {"x": 0.1, "y": 0.2}})
    frame = {"homography_screen_to_frame": bend.tolist()}
    assert ruler.distance_mm(frame, seen((100, 50)), seen((130, 70))) == pytest.approx(5.0)
    assert ruler.distance_mm({}, (100, 50), (130, 70)) == pytest.approx(5.0)
    assert np.isnan(ruler.distance_mm({}, (np.nan, np.nan), (130, 70)))


def compared(**changes: object) -> dict[str, float]:
    """Figures of the record's one attempt with these cells changed."""
    record = truth_record()
    tally = Tally()
    compare_attempts(record, exact_results(record)[1].assign(**changes), tally)
    return tally.figures()


def test_an_exact_attempt_has_everything_right() -> None:
    figures = compared()
    assert [figures[name] for name in ("passes", "strokes", "outcome", "blind")] == [1, 1, 1, 1]
    assert [figures[name] for name in ("attempts_off", "edge_50_mm", "blind_max_mm")] == [0, 0, 0]


@pytest.mark.parametrize(
    ("changes", "figure", "expected"),
    [
        ({"passes": 2}, "passes", 0),
        ({"passes": np.nan}, "passes", 0),
        ({"strokes": 3}, "strokes", 1),
        ({"strokes": 4}, "strokes", 0),
        ({"strokes": np.nan}, "strokes", 0),
        ({"outcome": "miss"}, "outcome", 0),
        ({"outcome": "unscorable"}, "outcome", 0),
        ({"closest_edge_mm": -1.5}, "edge_50_mm", 0.5),
        # 15 % of 20 mm is 3 mm.
        ({"blind_advance_mm": 17.1}, "blind", 1),
        ({"blind_advance_mm": 16.9}, "blind", 0),
        ({"blind_advance_mm": 16.9}, "blind_max_mm", 3.1),
    ],
)
def test_each_figure_of_an_attempt_is_compared(changes, figure, expected) -> None:
    assert compared(**changes)[figure] == pytest.approx(expected)


def test_a_little_blind_advance_may_be_off_by_a_millimetre_and_a_half() -> None:
    record = truth_record()
    record["events"]["attempts"][0]["blind_advance_net_mm"] = 0.0
    attempts = exact_results(record)[1]
    for value, right in ((1.4, 1.0), (1.6, 0.0)):
        tally = Tally()
        compare_attempts(record, attempts.assign(blind_advance_mm=value), tally)
        assert tally.figures()["blind"] == right


@pytest.mark.parametrize("edge_mm", [0.2, -0.2, None])
def test_an_outcome_on_the_outline_is_not_judged(edge_mm) -> None:
    record = truth_record()
    attempts = exact_results(record)[1].assign(outcome="borderline")
    record["events"]["attempts"][0]["min_dist_edge_mm"] = edge_mm
    tally = Tally()
    compare_attempts(record, attempts, tally)
    assert np.isnan(tally.figures()["outcome"])
    record["events"]["attempts"][0]["min_dist_edge_mm"] = -0.4
    compare_attempts(record, attempts, tally)
    assert tally.figures()["outcome"] == 0


def test_attempts_are_paired_by_the_time_they_share() -> None:
    record = truth_record()
    first = record["events"]["attempts"][0]
    record["events"]["attempts"] = [first, {**first, "start_s": 5.0, "end_s": 8.0, "n_passes": 3}]
    attempts = exact_results(record)[1].iloc[::-1].reset_index(drop=True)
    tally = Tally()
    compare_attempts(record, attempts, tally)
    assert (tally.figures()["passes"], tally.figures()["attempts_off"]) == (1, 0)

    tally = Tally()
    compare_attempts(record, attempts.iloc[:1], tally)
    assert (tally.figures()["passes"], tally.figures()["attempts_off"]) == (0.5, 1)

    tally = Tally()
    compare_attempts(record, pd.DataFrame(), tally)
    assert (tally.figures()["passes"], tally.figures()["attempts_off"]) == (0, 2)

    # Too many in another clip do not make up for too few in this one.
    compare_attempts(truth_record(), pd.concat([attempts] * 2, ignore_index=True), tally)
    assert tally.figures()["attempts_off"] == 5


def test_one_attempt_is_no_partner_for_two() -> None:
    record = truth_record()
    first = record["events"]["attempts"][0]
    record["events"]["attempts"] = [first, {**first, "start_s": 5.0, "end_s": 8.0}]
    tally = Tally()
    compare_attempts(record, exact_results(record)[1].iloc[:1].assign(end_s=8.0), tally)
    assert tally.figures()["passes"] == 0.5


def test_the_worst_blind_advance_is_shown() -> None:
    tally = Tally(blind_error_mm=[0.5, 4.0, 1.0])
    assert tally.figures()["blind_max_mm"] == 4.0


def test_clips_are_put_together_by_their_frames_not_their_means() -> None:
    total = Tally(seen_error_mm=[1.0, 1.0, 1.0])
    total.add(Tally(seen_error_mm=[4.0], attempts_compared=True))
    assert total.figures()["tip_50_mm"] == 1.0
    assert total.attempts_compared
