"""Attempts and passes parted by a person's word. Invented data."""

import numpy as np
import pytest

from needlecoach.model import Correction, Pass
from needlecoach.scoring import score_track
from needlecoach.scoring.bounds import Bounds
from needlecoach.scoring.passes import Span
from tests.scoring.conftest import REGION, Drawing

TIME_S = np.arange(200) / 25
SPANS = (Span(10, 49, cut_off=False), Span(60, 199, cut_off=True))


def test_an_attempt_is_split_where_a_person_says_and_only_its_last_part_is_cut_off() -> None:
    spans = Bounds(split_attempts=(100,)).spans(SPANS, TIME_S)
    assert spans == (SPANS[0], Span(60, 99, cut_off=False), Span(100, 199, cut_off=True))


@pytest.mark.parametrize("frame", [55, 60, 60 + 10, 60 - 12])
def test_the_attempt_that_begins_about_there_joins_the_one_before(frame: int) -> None:
    assert Bounds(join_attempts=(frame,)).spans(SPANS, TIME_S) == (Span(10, 199, cut_off=True),)


@pytest.mark.parametrize("frame", [10, 75, 500])
def test_what_begins_nowhere_near_joins_nothing(frame: int) -> None:
    assert Bounds(join_attempts=(frame,)).spans(SPANS, TIME_S) == SPANS


@pytest.mark.parametrize("frame", [10, 55, 400])
def test_a_split_at_an_edge_or_outside_changes_nothing(frame: int) -> None:
    assert Bounds(split_attempts=(frame,)).spans(SPANS, TIME_S) == SPANS


def test_passes_are_split_and_joined_with_their_deepest_frames_found_anew() -> None:
    depth = np.concatenate([np.arange(50), np.arange(50, 20, -1), np.arange(20, 60)]).astype(float)
    found = (Pass(30, 30 + 79, 80), Pass(30 + 80, 30 + 119, 149))
    split = Bounds(split_passes=(60,)).passes(found, depth, 30, TIME_S)
    assert split == (Pass(30, 59, 59), Pass(60, 109, 80), found[1])
    assert Bounds(join_passes=(112,)).passes(found, depth, 30, TIME_S) == (Pass(30, 149, 149),)


def test_corrections_of_other_kinds_set_no_bounds() -> None:
    corrections = [Correction("tip", 3, (1.0, 2.0)), Correction("no needle", 4), Correction("split pass", 9)]
    assert Bounds.of(corrections) == Bounds(split_passes=(9,))


def test_figures_follow_the_bounds() -> None:
    drawing = Drawing(knots=[(0, -1), (0.5, -1), (1, 2), (3, 20), (5, 20), (7, 0), (7.2, -1), (8, -1)])
    given = {"scale": drawing.scale, "target": drawing.target, "region": REGION}
    whole = score_track(drawing.track(), **given)
    parted = score_track(drawing.track(), **given, bounds=Bounds(split_attempts=(100,), split_passes=(50,)))
    assert [len(one.passes) for one in whole.attempts] == [1]
    assert [one.first_frame for one in parted.attempts] == [whole.attempts[0].first_frame, 100]
    assert parted.attempts[0].figures["passes"].value == 2
