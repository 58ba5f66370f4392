"""Figures in words: no false precision, every outcome its own sentence."""

import math
import re
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from needlecoach.model import Figure, Region, Scale, Sound
from needlecoach.reporting.rounding import in_table
from needlecoach.reporting.wording import (
    confidence_words,
    figure_text,
    headline,
    key_figures,
    options_words,
    replay_words,
    scale_words,
    shown_figures,
    sound_words,
)
from needlecoach.scoring import COLUMNS
from needlecoach.scoring.biopsy import CORE_MEASURES
from tests.reporting.conftest import core_card


def spoken(text: str) -> str:
    """Text with ordinary spaces."""
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("figure", "text"),
    [
        (Figure("closest_centre_mm", 0.7123, 0.31, "mm"), "0.7 ± 0.3 mm"),
        (Figure("closest_edge_mm", -4.612, 0.31, "mm"), "4.6 ± 0.3 mm inside"),
        (Figure("closest_edge_mm", 1.04, 0.3, "mm"), "1.0 ± 0.3 mm outside"),
        (Figure("path_mm", 52.98, 2.65, "mm"), "53 ± 3 mm"),
        (Figure("offset_along_mm", -0.04, 0.2, "mm"), "0.0 ± 0.2 mm"),
        (Figure("offset_along_mm", -1.26, 0.2, "mm"), "1.3 ± 0.2 mm short of the centre"),
        (Figure("offset_across_mm", 1.26, 0.2, "mm"), "1.3 ± 0.2 mm deeper than the centre"),
        (Figure("fired_tip_beyond_far_wall_mm", 3.24, 0.6, "mm"), "3.2 ± 0.6 mm beyond"),
        (Figure("fired_tip_beyond_far_wall_mm", -3.24, 0.6, "mm"), "3.2 ± 0.6 mm short of it"),
        # Nothing in mm is finer than a tenth, whatever the arithmetic says.
        (Figure("closest_centre_mm", 0.123, 0.098, "mm"), "0.1 ± 0.1 mm"),
        (Figure("closest_centre_mm", 0.123, 0.094, "mm"), "0.1 ± 0.1 mm"),
        (Figure("overshoot_mm", 0.0, 0.012, "mm"), "0.0 ± 0.1 mm"),
        (Figure("fired_tip_to_edge_mm", -17.89, 0.08, "mm"), "17.9 ± 0.1 mm beyond the picture"),
        # Less sure than 5 mm and than itself: no measurement.
        (Figure("trail_end_edge_mm", -0.3, 9.6, "mm"), "not known well enough (± 10 mm)"),
        (Figure("offset_along_mm", -6.4, 10.7, "mm"), "not known well enough (± 11 mm)"),
        (Figure("path_mm", 12.0, 10.7, "mm"), "12 ± 11 mm"),
        (Figure("blind_advance_mm", 0.3, 4.9, "mm"), "0 ± 5 mm"),
        (Figure("offset_across_mm", -0.01, 0.2, "mm"), "0.0 ± 0.2 mm"),
        (Figure("smoothness_sparc", -5.92), "−5.9 (no unit)"),
        (Figure("plane_losses", 1), "1 time"),
        (Figure("plane_losses", 0), "0 times"),
        (Figure("path_mm", 10.0, 0.0004, "mm"), "10.0 ± 0.1 mm"),
        (Figure("path_mm", 10.04, math.nan, "mm"), "10.0 mm"),
        (Figure("duration_s", 2.2, unit="s"), "2.2 s"),
        # Halves go up, as by hand from the table, also where the computer's number lies a trace below.
        (Figure("time_to_target_s", 4.85, unit="s"), "4.9 s"),
        (Figure("time_to_target_s", 100.85 - 96, unit="s"), "4.9 s"),
        (Figure("time_to_target_s", 0.25, unit="s"), "0.3 s"),
        (Figure("offset_along_mm", -0.25, 0.2, "mm"), "0.3 ± 0.2 mm short of the centre"),
        (Figure("path_mm", 3.0, 0.25, "mm"), "3.0 ± 0.3 mm"),
        (Figure("tip_visibility_share", 0.909), "91 %"),
        (Figure("tip_visibility_share", 0.905), "91 %"),
        (Figure("angle_deg", 52.77, unit="deg"), "53°"),
        (Figure("passes", 3), "3"),
        (Figure("cut_off", False), "no"),
        (Figure("mean_recovery_s", None, unit="s"), "–"),
        (Figure("path_mm", math.nan, unit="mm"), "–"),
    ],
)
def test_figure_text(figure, text):
    assert spoken(figure_text(figure)) == text


@given(value=st.floats(-1000, 1000), unit=st.sampled_from(["s", "mm", "mm/s", "deg"]))
def test_words_are_the_tables_value_rounded_by_hand(value, unit):
    table = Decimal(repr(in_table(value, unit)))
    said = Decimal(re.sub("[^−\\d.]", "", figure_text(Figure("some", value, unit=unit))).replace("−", "-"))
    last_digit = Decimal(1).scaleb(said.as_tuple().exponent)
    assert abs(said - table) <= last_digit / 2
    assert abs(said) >= abs(table) or abs(said - table) < last_digit / 2


def attempt_with(card, outcome, **values):
    figures = {name: Figure(name, *value) for name, value in values.items()}
    return replace(card.attempts[0], outcome=outcome, figures=figures)


def test_headline_of_a_hit(card):
    expected = (
        "Attempt 1: the tip reached the target after 0.8 s, 1 pass, closest to the centre 0.9 ± 0.3 mm."
    )
    assert spoken(headline(card.attempts[0], with_target=True)) == expected


@pytest.mark.parametrize(
    ("outcome", "values", "sentence"),
    [
        (
            "miss",
            {"passes": (2,), "closest_edge_mm": (1.02, 0.3, "mm")},
            "Attempt 1: the tip missed the target by 1.0 ± 0.3 mm, 2 passes.",
        ),
        (
            "miss",
            {"passes": (0,), "closest_edge_mm": (-1.0, 0.2, "mm")},
            "Attempt 1: the tip was in the target too briefly to count as reaching it, no full pass.",
        ),
        (
            "borderline",
            {"passes": (1,), "closest_edge_mm": (0.1, 0.3, "mm")},
            "Attempt 1: too close to call whether the tip reached the target, 1 pass, "
            "closest to its outline 0.1 ± 0.3 mm outside.",
        ),
        ("hit", {}, "Attempt 1: the tip reached the target."),
        ("miss", {}, "Attempt 1: the tip missed the target."),
        ("miss", {"closest_edge_mm": (6.0, 9.0, "mm")}, "Attempt 1: the tip missed the target."),
    ],
)
def test_headline_of_other_outcomes(card, outcome, values, sentence):
    assert spoken(headline(attempt_with(card, outcome, **values), with_target=True)) == sentence


def test_headline_of_an_unscorable_attempt_gives_the_reason(card):
    attempt = replace(attempt_with(card, "unscorable"), reason="the tip was never found")
    for with_target in (True, False):
        assert headline(attempt, with_target=with_target) == (
            "Attempt 1: can’t be scored: the tip was never found."
        )


def test_headline_without_target_tells_time_and_passes(card):
    attempt = attempt_with(card, "unscorable", passes=(2,), duration_s=(7.08, None, "s"))
    expected = "Attempt 1: the needle was in for 7.1 s, 2 passes."
    assert spoken(headline(replace(attempt, reason="no target"), with_target=False)) == expected


def test_confidence_has_three_grades_and_an_unknown():
    grades = [confidence_words(value).split(":")[0] for value in (0.9, 0.6, 0.2, math.nan)]
    assert grades == ["high", "fair", "low", "not known"]


@pytest.mark.parametrize(
    ("kind", "options", "words"),
    [
        (
            "video",
            {"no_target": False, "fps": None, "pass_withdrawal_mm": 7.5},
            "with the target; times from the video’s own time stamps; "
            "a new pass begins after a withdrawal of 7.5 mm",
        ),
        ("images", {"no_target": True, "fps": 25.0}, "without a target; 25 pictures a second, as given"),
        ("video", {"fps": 25.0}, "times from the video’s own time stamps"),
        ("video", {"odd_one": "a"}, "odd one: a"),
        ("video", {}, ""),
    ],
)
def test_options_in_words(card, kind, options, words):
    assert options_words(replace(card, clip=replace(card.clip, kind=kind), options=options)) == words


def test_scale_tells_source_and_uncertainty(card):
    uneven = replace(card, scale=Scale(0.1, 0.2, "two marked points", 0.02))
    assert scale_words(card) == "0.2 mm per pixel (source: depth ruler), known to 1.0\u00a0%"
    stated = scale_words(replace(card, scale=Scale.from_mm_per_px(0.2)))
    assert "its uncertainty was not stated" in stated and "0.0\u00a0%" not in stated
    assert "0.1 across and 0.2 down mm per pixel (source: two marked points)" in scale_words(uneven)


def test_what_the_replay_shows_is_not_promised_away(card):
    whole = Region("rectangle", (0, 0, card.clip.width_px, card.clip.height_px))

    assert "rest of the screen is left out" in replay_words(card)
    assert "look for names" in replay_words(replace(card, region=whole))
    assert "left out" not in replay_words(replace(card, region=whole))


def test_without_a_medium_it_is_said_that_nothing_was_corrected(card):
    words = sound_words(card)
    assert words.startswith("nothing was corrected") and "1540 m/s" in words


def test_the_medium_is_said_with_what_it_changed(card):
    """By hand: nine tenths of the depth at which the target's centre is shown."""
    card = replace(card, sound=Sound(1386.0, 2.0, "invented"))
    assert card.marks.target is not None
    shown_mm = (card.marks.target.centre_px[1] - card.region.box_px[1]) * card.scale.y_mm_per_px
    words = sound_words(card)
    assert "from 1540, which the scanner is taken to assume, to 1386.0 ± 2 m/s (invented)" in words
    change = f"lies at {0.9 * shown_mm:.1f} mm, {0.1 * shown_mm:.1f} mm less"
    assert f"shown at a depth of {shown_mm:.1f} mm, {change}" in words
    assert sound_words(replace(card, sound=Sound(1539.0, 2.0, "invented"))).endswith(", under 0.1 mm less")

    without = replace(card, marks=replace(card.marks, target=None))
    assert "changes every depth by −10.0\u00a0%" in sound_words(without)


@pytest.mark.parametrize(
    ("outcome", "values", "sentence"),
    [
        ("hit", {"notch_in_target_mm": (6.31, 0.5, "mm")}, "6.3 ± 0.5 mm of the notch lay inside the target"),
        ("miss", {"closest_edge_mm": (-2.0, 0.2, "mm")}, "none of the notch lay inside the target"),
        (
            "borderline",
            {"notch_in_target_mm": (0.41, 0.5, "mm")},
            "too close to call whether any of the notch lay inside the target (0.4 ± 0.5 mm)",
        ),
    ],
)
def test_headline_of_a_core_sample_goes_by_its_notch(clip_file, outcome, values, sentence):
    """The tip's own place, deep inside the target in the second, says nothing of the sample."""
    attempt = attempt_with(core_card(clip_file), outcome, passes=(1,), **values)
    assert spoken(headline(attempt, with_target=True)) == f"Attempt 1: {sentence}, 1 pass, no firing seen."


def test_key_figures_of_a_core_sample_say_nothing_twice(card, clip_file):
    held, fired = core_card(clip_file), core_card(clip_file, fired=True)
    names = [key_figures(one, one.attempts[0]) for one in (held, fired)]
    assert "notch_in_target_before_mm" not in names[0] and "notch_in_target_fired_mm" in names[0]
    assert "notch_in_target_before_mm" in names[1] and "notch_in_target_fired_mm" not in names[1]
    assert "closest_centre_mm" not in names[0] and "closest_centre_mm" in key_figures(card, card.attempts[0])


def test_an_aspirate_shows_no_figure_of_a_core_needle(card, clip_file):
    every = {name: column.figure(None) for name, column in COLUMNS.items()}
    shown = {}
    for one in (card, core_card(clip_file)):
        attempt = replace(one.attempts[0], figures=every)
        shown[one.marks.task] = [figure.name for figure in shown_figures(one, attempt)]
    of_cores = set(CORE_MEASURES) - {"time_to_target_s", "dwell_in_target_s"}
    assert set(shown["core"]) - set(shown["aspirate"]) == of_cores


def test_headline_of_a_borderline_core_sample_gives_the_reason(clip_file):
    attempt = replace(
        attempt_with(core_card(clip_file), "borderline"), reason="the notch was inside for under 0.2 s."
    )
    expected = "Attempt 1: too close to call: the notch was inside for under 0.2 s, no firing seen."
    assert headline(attempt, with_target=True) == expected
