"""Distances and outcomes in words for children."""

import pytest

from needlecoach.reporting.bigscreen.language import read_language
from needlecoach.reporting.bigscreen.words import (
    Length,
    distance_words,
    length_words,
    said_length,
    verdict_words,
)

ENGLISH, GERMAN = read_language("en"), read_language("de")


@pytest.mark.parametrize(
    ("mm", "sd_mm", "said"),
    [
        (0.26, 0.1, Length(0.3, False)), (0.97, 0.1, Length(1.0, False)), (1.6, 0.1, Length(1.5, False)),
        (2.2, 0.3, Length(2.0, False)), (2.8, None, Length(3.0, False)), (7.6, 0.4, Length(8.0, False)),
        # Vague: 0.3 + 2 * 0.2 = 0.7; 0.02 + 0.2 = 0.22, up to tenths; 1.0 + 2 * 0.6 = 2.2, up to halves.
        (0.3, 0.2, Length(0.7, True)), (0.02, 0.1, Length(0.3, True)), (1.0, 0.6, Length(2.5, True)),
        (0.0, None, Length(0.1, True)), (0.0, 0.0, Length(0.1, True)),
    ],
)  # fmt: skip
def test_a_length_is_said_no_finer_than_it_is_known(mm, sd_mm, said):
    assert said_length(mm, sd_mm) == said


def test_what_is_said_is_never_off_by_more_than_half_a_step_or_is_an_upper_limit():
    for tenths in range(1, 300):
        mm = tenths / 10 + 0.03
        said = said_length(mm, 0.05)
        assert not said.is_limit
        assert abs(said.mm - mm) <= (0.05 if mm < 1 else 0.25 if mm < 3 else 0.5) + 1e-9
        assert said_length(mm, mm).mm >= 3 * mm - 1e-9


@pytest.mark.parametrize(
    ("mm", "english", "german"),
    [
        (1.0, "1 millimetre", "1 Millimeter"),
        (2.0, "2 millimetres", "2 Millimeter"),
        (0.5, "0.5 millimetres", "0,5 Millimeter"),
        (1.5, "1.5 millimetres", "1,5 Millimeter"),
        (10.0, "10 millimetres", "10 Millimeter"),
    ],
)
def test_plural_and_decimal_sign_follow_the_language(mm, english, german):
    assert length_words(mm, ENGLISH) == english
    assert length_words(mm, GERMAN) == german


def test_a_distance_is_a_sentence_with_something_of_its_size():
    assert (
        distance_words("middle", 2.04, 0.2, ENGLISH)
        == "About 2 millimetres from the middle: the width of a grain of rice."
    )
    assert (
        distance_words("middle", 2.04, 0.2, GERMAN)
        == "Etwa 2 Millimeter von der Mitte: die Breite eines Reiskorns."
    )
    assert (
        distance_words("on_edge", 0.1, 0.4, ENGLISH)
        == "Less than 0.9 millimetres from its edge: less than the thickness of ten sheets of paper."
    )
    assert distance_words("beside", 300.0, 1.0, ENGLISH) == "About 300 millimetres away from it."
    assert distance_words("no_sample", None, None, ENGLISH) == "The sample came from beside it."
    assert distance_words("middle", None, None, ENGLISH) == ""


@pytest.mark.parametrize(
    ("outcome", "beside_mm", "said"),
    [
        ("hit", None, "Found it!"),
        ("borderline", None, "Right at the edge!"),
        ("miss", 1.6, "So close!"),
        ("miss", 8.0, "Good try! Next time."),
        ("miss", None, "Good try! Next time."),
    ],
)
def test_every_outcome_has_a_kind_word(outcome, beside_mm, said):
    assert verdict_words(outcome, beside_mm, ENGLISH) == said
