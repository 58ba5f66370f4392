"""Attempts told from whether a needle is in, on times solvable by hand."""

import numpy as np
import pytest

from needlecoach.live.attempts import INTERRUPTED_S, LONGEST_S, AttemptWatch, Began, Ended


def events_of(spans, until_s, fps=20.0, watch=None, gap=None):
    """Events over frames at a rate; a needle is in within the spans, no frame comes within the gap."""
    watch = watch or AttemptWatch()
    found = []
    for number in range(round(until_s * fps)):
        time_s = number / fps
        if gap is not None and gap[0] <= time_s < gap[1]:
            found += [(time_s, event) for event in watch.tick(time_s)]
            continue
        present = any(start <= time_s < end for start, end in spans)
        found += [(time_s, event) for event in watch.see(time_s, present)]
    return found


def test_it_begins_when_held_and_ends_when_out_for_a_second_with_the_times_of_the_needle():
    (told_in_s, began), (told_out_s, ended) = events_of([(2.0, 5.0)], 8.0)
    assert isinstance(began, Began)
    assert began.at_s == pytest.approx(2.0)
    assert told_in_s == pytest.approx(2.3)
    assert isinstance(ended, Ended)
    assert (ended.at_s, ended.why) == (pytest.approx(4.95), "left")
    assert told_out_s == pytest.approx(5.95)


def test_a_flicker_is_no_attempt_and_a_short_absence_no_end():
    assert events_of([(2.0, 2.2)], 5.0) == []
    found = [event for _, event in events_of([(2.0, 3.0), (3.8, 5.0)], 8.0)]
    assert [type(one) for one in found] == [Began, Ended]
    assert found[1].at_s == pytest.approx(4.95)


def test_two_needles_a_second_and_more_apart_are_two_attempts():
    found = [event for _, event in events_of([(1.0, 3.0), (4.2, 6.0)], 9.0)]
    assert [type(one) for one in found] == [Began, Ended, Began, Ended]


def test_a_stall_of_five_seconds_ends_nothing_a_long_one_does():
    short = [event for _, event in events_of([(1.0, 9.0)], 12.0, gap=(2.0, 7.0))]
    assert [type(one) for one in short] == [Began, Ended]
    assert short[1].why == "left"
    long = [event for _, event in events_of([(1.0, 40.0)], 20.0, gap=(2.0, 2.1 + INTERRUPTED_S))]
    assert [(type(one), getattr(one, "why", "")) for one in long] == [
        (Began, ""),
        (Ended, "interrupted"),
        (Began, ""),
    ]
    assert long[1].at_s == pytest.approx(1.95)


def test_ended_by_hand_the_next_begins_only_once_the_needle_was_out():
    watch = AttemptWatch()
    for number in range(40):
        watch.see(number / 20, True)
    ended = watch.end(2.0, "ended by hand")
    assert [one.why for one in ended] == ["ended by hand"]
    for number in range(40, 80):
        assert watch.see(number / 20, True) == []
    for number in range(80, 90):
        assert watch.see(number / 20, False) == []
    began = [event for number in range(90, 110) for event in watch.see(number / 20, True)]
    assert [one.at_s for one in began] == [pytest.approx(4.5)]


def test_an_attempt_that_never_ends_is_parted():
    watch = AttemptWatch()
    found = [event for time_s in np.arange(0, LONGEST_S + 2, 0.1) for event in watch.see(float(time_s), True)]
    assert [getattr(one, "why", "began") for one in found] == ["began", "too long", "began"]


def test_ending_without_an_attempt_is_nothing():
    assert AttemptWatch().end(3.0, "ended by hand") == []
