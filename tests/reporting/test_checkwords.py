"""Criteria and what came of them are said as the page says figures. Figures are invented."""

import pytest

from needlecoach.model import Check, Figure
from needlecoach.reporting.checkwords import criterion_words, reason_words

UNITS = {
    "closest_edge_mm": ("Closest to outline", "mm"),
    "blind_advance_mm": ("Blind advance", "mm"),
    "offset_along_mm": ("Offset along", "mm"),
    "peak_advance_mm_s": ("Peak speed forward", "mm/s"),
    "index_of_difficulty": ("Difficulty", "bits"),
    "tip_visibility_share": ("Tip in sight", ""),
    "scale_sd_share": ("Scale uncertainty", ""),
    "plane_losses": ("Tip lost", ""),
    "passes": ("Passes", ""),
    "angle_deg": ("Angle", "deg"),
    "smoothness_sparc": ("Smoothness by SPARC", ""),
    "outcome": ("Outcome", ""),
    "cut_off": ("Cut off", ""),
}


def said(name, operator, limit, value, sd=None, result="met", words=""):
    title, unit = UNITS[name]
    check = Check(words, result, "", Figure(name, value, sd, unit, title), operator, limit)
    return tuple(text.replace("\u00a0", " ") for text in (criterion_words(check), reason_words(check)))


@pytest.mark.parametrize(
    ("given", "criterion", "reason"),
    [
        (("closest_edge_mm", "<", -3.0, -5.2),
         "Closest to outline: more than 3 mm inside", "it was 5.2 mm inside"),
        (("closest_edge_mm", "<=", 2.5, 1.0, 0.3),
         "Closest to outline: at most 2.5 mm outside, or inside", "it was 1.0 ± 0.3 mm outside"),
        (("closest_edge_mm", ">", -3.0, 1.0),
         "Closest to outline: less than 3 mm inside, or outside", "it was 1.0 mm outside"),
        (("closest_edge_mm", "<", 0.0, -1.0), "Closest to outline: inside", "it was 1.0 mm inside"),
        (("offset_along_mm", ">=", 1.0, 2.0),
         "Offset along: at least 1 mm beyond the centre", "it was 2.0 mm beyond the centre"),
        (("scale_sd_share", "<=", 0.01, 0.004), "Scale uncertainty: at most 1 %", "it was 0.4 %"),
        (("peak_advance_mm_s", "<", 86.5, 85.6), "Peak speed forward: under 86.5 mm/s", "it was 86 mm/s"),
        (("index_of_difficulty", "<=", 1.0, 0.9), "Difficulty: at most 1 bit", "it was 0.9 bits"),
        (("plane_losses", "<=", 1, 2), "Tip lost: at most 1 time", "it was 2 times"),
        (("passes", "is", 1, 3), "Passes: exactly 1", "it was 3"),
        (("angle_deg", "<", 40.0, 31.0), "Angle: under 40°", "it was 31°"),
        (("smoothness_sparc", ">", -6.0, -5.31),
         "Smoothness by SPARC: over −6 (no unit)", "it was −5.3 (no unit)"),
        (("tip_visibility_share", ">=", 0.8, 0.7996), "Tip in sight: at least 80 %", "it was 79.96 %"),
        (("blind_advance_mm", "<", 3.0, 3.004), "Blind advance: under 3 mm", "it was 3.004 mm"),
        (("outcome", "is", "hit", "miss"), "Outcome: hit", "the outcome was miss"),
        (("cut_off", "is", False, True), "Cut off: no", "it was cut off"),
        (("cut_off", "is", False, False), "Cut off: no", "it was not cut off"),
    ],
)  # fmt: skip
def test_criterion_and_figure_are_said_as_the_page_says_figures(given, criterion, reason):
    assert said(*given) == (criterion, reason)


def test_what_is_too_near_says_so_and_own_words_stay():
    told = said("blind_advance_mm", "<", 3.0, 2.62, 0.51, "can't tell", "Under 3 mm")
    assert told == ("Under 3 mm", "it was 2.6 ± 0.5 mm, too near to the limit to tell")
    assert reason_words(Check("", "can't tell", "the tip was never found")) == "the tip was never found"


def test_a_number_keeps_its_per_cent():
    name, unit = UNITS["tip_visibility_share"]
    one = Check("", "met", "", Figure("tip_visibility_share", 0.9, None, unit, name), ">=", 0.8)
    assert (criterion_words(one)[-4:], reason_words(one)[-4:]) == ("80\u00a0%", "90\u00a0%")
