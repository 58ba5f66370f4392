"""Tables: their columns, what blanks look like, and no formulas for spreadsheets."""

import csv
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from needlecoach.model import Attempt, Figure
from needlecoach.reporting.tables import attempts_table, combined_table, plain_text, track_table
from needlecoach.scoring.columns import COLUMNS


def _words(text: str) -> list[str]:
    return text.split()


# The definition of track.csv, written out.
TRACK_COLUMNS = _words(
    "frame time_s needle_present tip_x_px tip_y_px tip_visible tip_sd_mm entry_x_px entry_y_px angle_deg "
    "shaft_visible_share target_x_px target_y_px centre_distance_mm edge_distance_mm advance_mm"
)
# The definition of attempts.csv, written out; a column NAME_sd may follow any of them.
ATTEMPT_COLUMNS = _words(
    "attempt start_s end_s duration_s cut_off outcome passes strokes redirections time_to_target_s "
    "dwell_in_target_s closest_edge_mm closest_centre_mm offset_along_mm offset_across_mm overshoot_mm "
    "tip_visibility_share tip_visibility_advancing blind_advance_mm longest_blind_mm plane_losses "
    "mean_recovery_s angle_deg angle_iqr_deg path_mm path_efficiency mean_advance_mm_s peak_advance_mm_s "
    "smoothness_sparc smoothness_ldlj index_of_difficulty trail_end_edge_mm notch_start_mm notch_length_mm "
    "notch_in_target_mm notch_in_target_before_mm notch_in_target_fired_mm throw_mm "
    "fired_tip_beyond_far_wall_mm fired_tip_to_edge_mm best_fire_depth_mm fired_s scale_source "
    "scale_sd_share confidence"
)
# Those for which scoring states an uncertainty.
WITH_SD = _words(
    "closest_edge_mm closest_centre_mm offset_along_mm offset_across_mm overshoot_mm blind_advance_mm "
    "longest_blind_mm path_mm mean_advance_mm_s peak_advance_mm_s trail_end_edge_mm notch_start_mm "
    "notch_in_target_mm notch_in_target_before_mm notch_in_target_fired_mm throw_mm "
    "fired_tip_beyond_far_wall_mm fired_tip_to_edge_mm best_fire_depth_mm"
)


def with_figures(card, **figures):
    """The card with its one attempt's figures replaced."""
    made = {name: figure for name, figure in figures.items()}
    return replace(card, attempts=(replace(card.attempts[0], figures=made),))


def as_read(cards):
    """Rows of each card's table as they are read from its file."""
    return {
        name: list(csv.DictReader(io.StringIO(attempts_table(card).to_csv(index=False))))
        for name, card in cards.items()
    }


def test_track_columns_are_those_defined(card):
    assert list(track_table(card).columns) == TRACK_COLUMNS


def header_of_every_clip() -> list[str]:
    """Columns by the definition: all of them, the uncertainty beside each distance that has one."""
    header = ["clip", "learner"]
    for name in ATTEMPT_COLUMNS:
        header += [name, f"{name}_sd"] if name in WITH_SD else [name]
    return [*header, "corrected"]


def test_header_is_the_defined_one_with_attempts_and_without(card, needleless_card):
    figures = {name: Figure(name, 1.0) for name in ATTEMPT_COLUMNS}
    for one in (card, needleless_card, with_figures(card, **figures)):
        assert list(attempts_table(one).columns) == header_of_every_clip()
    for cards in ({}, {"a": needleless_card}, {"a": card, "b": needleless_card}):
        assert list(combined_table(as_read(cards)).columns) == ["folder", *header_of_every_clip()]


def test_header_is_that_of_the_figures_that_scoring_gives():
    assert list(COLUMNS) == ATTEMPT_COLUMNS


def test_an_uncertainty_beyond_the_header_is_not_lost(card):
    table = attempts_table(with_figures(card, angle_deg=Figure("angle_deg", 30.0, 0.5, "deg")))
    assert table.columns[-2] == "angle_deg_sd"
    assert table.iloc[0]["angle_deg_sd"] == 0.5


def test_track_row_holds_what_the_track_says(card):
    row = track_table(card).iloc[37]
    assert row["frame"] == 37
    assert row["time_s"] == 1.48
    assert (row["needle_present"], row["tip_visible"]) == (1, 1)
    assert (row["tip_x_px"], row["tip_y_px"]) == (176.0, 128.0)
    # By hand: (4, 2) px at 0.2 mm is 0.8944 mm.
    assert row["centre_distance_mm"] == pytest.approx(0.894, abs=1e-9)


def test_unknown_is_blank_in_the_file(card):
    line = track_table(card).to_csv(index=False).splitlines()[1]
    assert line == "0,0.0,0,,,0,,,,,,180.0,130.0,,,"


def test_clip_without_needle_has_blank_distances_and_no_attempt(needleless_card):
    assert track_table(needleless_card)["edge_distance_mm"].isna().all()
    assert len(track_table(needleless_card)) == 75
    assert len(attempts_table(needleless_card)) == 0


def test_cells_of_an_attempt(card):
    row = attempts_table(card).iloc[0]
    assert row["learner"] == "L01"
    assert row["clip"] == "straight_in.mp4"
    assert row["cut_off"] == 0 and not isinstance(row["cut_off"], bool)
    assert row["closest_edge_mm"] == -4.612
    assert row["closest_edge_mm_sd"] == 0.31
    assert row["mean_recovery_s"] is None


def test_an_uncertainty_of_the_scale_that_was_not_stated_is_blank(card):
    for share, cell in ((0.01, 0.01), (0.0, None)):
        figures = {"scale_sd_share": Figure("scale_sd_share", share, unit="0–1")}
        one = replace(with_figures(card, **figures), scale=replace(card.scale, sd_share=share))
        assert attempts_table(one).iloc[0]["scale_sd_share"] == cell


def test_nan_in_a_figure_is_blank(card):
    table = attempts_table(with_figures(card, path_mm=Figure("path_mm", float("nan"), unit="mm")))
    assert table.iloc[0]["path_mm"] is None


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_no_cell_starts_a_formula(card, start):
    learner = f"{start}HYPERLINK(A1)"
    marked = replace(
        with_figures(card, scale_source=Figure("scale_source", learner)),
        marks=replace(card.marks, learner=learner),
        clip=replace(card.clip, path=Path(f"{start}cmd.mp4")),
    )
    row = attempts_table(marked).iloc[0]
    assert row["learner"] == row["scale_source"] == f"'{learner}"
    assert row["clip"] == f"'{start}cmd.mp4"


def test_plain_words_stay_as_they_are():
    assert plain_text("a = b") == "a = b"
    assert plain_text("") == ""


def test_negative_numbers_stay_numbers(card):
    assert ",-4.612," in attempts_table(card).to_csv(index=False)


def test_combined_table_holds_all_attempts_and_blanks_where_a_clip_lacks_a_column(card, needleless_card):
    second = Attempt(
        **{
            **{name: getattr(card.attempts[0], name) for name in ("first_frame", "last_frame", "cut_off")},
            **{"number": 2, "passes": (), "closest_frame": None, "outcome": "miss"},
            "figures": {
                "attempt": Figure("attempt", 2),
                "overshoot_mm": Figure("overshoot_mm", 1.5, 0.2, "mm"),
            },
        }
    )
    cards = {"same": card, "dull": needleless_card, "=same-2": replace(card, attempts=(second,))}
    table = combined_table(as_read(cards))
    assert table["folder"].tolist() == ["same", "'=same-2"]
    assert table["attempt"].tolist() == ["1", "2"]
    assert table["overshoot_mm"].tolist() == ["", "1.5"]
    assert table["overshoot_mm_sd"].tolist() == ["", "0.2"]


def test_a_column_that_one_clip_alone_has_stays_before_what_was_corrected(card):
    rows = as_read({"same": card})["same"]
    more = [{**rows[0], "invented_mm": "2"}]
    table = combined_table({"same": rows, "more": more})
    assert list(table.columns)[-2:] == ["invented_mm", "corrected"]
    assert table["invented_mm"].tolist() == [None, "2"]


def test_distances_are_rounded_to_a_thousandth_of_a_millimetre(card):
    values = track_table(card)["advance_mm"].dropna().to_numpy()
    assert len(values) > 40
    assert np.allclose(values * 1000, np.round(values * 1000))


def test_the_angle_of_a_row_is_the_true_one_and_its_pixels_are_those_of_the_screen(card):
    true = replace(card.track, angle_deg=card.track.angle_deg - 1, tip_px=card.track.tip_px + 5)
    shown, table = track_table(card), track_table(replace(card, true_track=true))
    np.testing.assert_allclose(table["angle_deg"], shown["angle_deg"] - 1)
    np.testing.assert_array_equal(table["tip_y_px"], shown["tip_y_px"])


def test_a_row_names_what_corrections_changed(card):
    """By the table's digits: the thousandth of a mm more that is never written is no change."""
    was = card.attempts[0].figures
    now = {
        **was,
        "closest_edge_mm": replace(was["closest_edge_mm"], value=2.5),
        "outcome": Figure("outcome", "miss"),
    }
    edge = was["closest_centre_mm"]
    now["closest_centre_mm"] = replace(edge, value=edge.value + 1e-6)
    changed = replace(with_figures(card, **now), raw=card)
    assert attempts_table(changed)["corrected"].tolist() == ["outcome closest_edge_mm"]
    assert attempts_table(card)["corrected"].tolist() == [None]
    unknown = {**now, "closest_edge_mm": replace(was["closest_edge_mm"], value=None)}
    changed = replace(with_figures(card, **unknown), raw=card)
    assert attempts_table(changed)["corrected"].tolist() == ["outcome closest_edge_mm"]
    second = replace(card.attempts[0], number=2, figures={**was, "attempt": Figure("attempt", 2)})
    assert attempts_table(replace(card, attempts=(second,), raw=card))["corrected"].tolist() == [None]
    new = replace(changed, attempts=(replace(changed.attempts[0], first_frame=70, last_frame=74),))
    assert "duration_s" in attempts_table(new)["corrected"][0]
