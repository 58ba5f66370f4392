"""Which differences between the live score and the recording's are told: invented cards, decided by hand."""

import pytest

from needlecoach.live.card import Card, CardLine
from needlecoach.live.differences import difference_words, differs
from needlecoach.live.figures import Verdict


def mm(value, sd, name="closest_centre_mm"):
    return CardLine(name, "Closest to the centre", f"{value} ± {sd} mm", value, sd, "mm")


def card(*lines, outcome="hit"):
    return Card(1, "L01-1", "live", "checking", outcome, outcome, lines)


def verdict(*lines, outcome="hit"):
    return Verdict(outcome, outcome, lines, ())


@pytest.mark.parametrize(
    ("one", "other", "told"),
    [
        (mm(2.0, 0.3), mm(2.4, 0.3), False),  # 0.4 against 0.42
        (mm(2.0, 0.3), mm(2.5, 0.3), True),
        (mm(2.0, 0.3), mm(2.5, 0.5), False),
        (CardLine("passes", "Passes", "1", 1, None, "count"), CardLine("passes", "Passes", "2", 2), True),
        (CardLine("passes", "Passes", "1", 1, None, "count"), CardLine("passes", "Passes", "1", 1), False),
        (
            CardLine("duration_s", "", "", 8.0, None, "s"),
            CardLine("duration_s", "", "", 8.9, None, "s"),
            False,
        ),
        (
            CardLine("duration_s", "", "", 8.0, None, "s"),
            CardLine("duration_s", "", "", 9.1, None, "s"),
            True,
        ),
    ],
)
def test_more_than_both_uncertainties_is_told(one, other, told):
    assert differs(one, other) is told
    assert differs(other, one) is told


def test_the_outcome_comes_first_and_both_values_are_told():
    words = difference_words(card(mm(2.0, 0.3)), verdict(mm(4.0, 0.3), outcome="miss"))
    assert words == (
        "The recording shows it was a miss; live it looked like a hit.",
        "Closest to the centre: 4.0 ± 0.3 mm by the recording, 2.0 ± 0.3 mm live.",
    )


def test_agreement_says_nothing_and_what_was_not_known_live_is_told():
    assert difference_words(card(mm(2.0, 0.3)), verdict(mm(2.1, 0.3))) == ()
    more = difference_words(card(mm(2.0, 0.3)), verdict(mm(2.0, 0.3), mm(1.0, 0.2, "blind_advance_mm")))
    assert more == ("Closest to the centre: 1.0 ± 0.2 mm by the recording; not known live.",)
