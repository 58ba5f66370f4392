"""Ratings laid beside the tool's values: by folder, clip or its name without ending; what does not fit is "
"told."""

import numpy as np
import pytest

from needlecoach.cohort.agreement import THEIR_MEAN, build_agreement
from needlecoach.cohort.matching import ToolAttempt, match
from needlecoach.cohort.ratings import TOOL, parse_ratings
from needlecoach.errors import CohortError


def tool(name, attempt, outcome="hit", edge="-2.0", *, sha256="", written_s=0.0, folder=""):
    values = {"outcome": outcome, "closest_edge_mm": edge}
    return ToolAttempt(
        folder or name, f"{name}.mp4", sha256 or name, attempt, "0.6.0", values if attempt else {}, written_s
    )


def ratings(*rows, key="clip"):
    return parse_ratings(
        f"{key},attempt,rater,outcome,closest_edge_mm\n" + "".join(f"{row}\n" for row in rows), "r.csv"
    )


@pytest.mark.parametrize(("key", "name"), [("clip", "L01.mp4"), ("clip", "L01"), ("folder", "L01")])
def test_a_row_finds_its_result(key, name):
    found = match(
        ratings(f"{name},2,S1,miss,1.5", key=key), [tool("L01", 1), tool("L01", 2, "borderline", "0.1")]
    )
    outcome, edge = found.panels
    assert outcome.raters == edge.raters == (TOOL, "S1")
    assert outcome.said.tolist() == [[1, 0]] and edge.values.tolist() == [[0.1, 1.5]]
    assert found.notes == ()


def test_raters_who_write_the_name_in_different_ways_rate_one_attempt():
    found = match(ratings("L01.mp4,1,S1,hit,", "L01,1,S2,miss,"), [tool("L01", 1)])
    assert found.panels[0].said.tolist() == [[2, 2, 0]]
    with pytest.raises(CohortError, match="rows 2 and 3"):
        match(ratings("L01.mp4,1,S1,hit,", "L01,1,S1,miss,"), [tool("L01", 1)])


def test_a_recording_scored_twice_counts_as_scored_last():
    twice = [
        tool("L01", 1, "hit", sha256="a", written_s=2.0, folder="new"),
        tool("L01", 1, "miss", sha256="a", written_s=1.0, folder="old"),
    ]
    assert match(ratings("L01,1,S1,hit,"), twice).panels[0].said.tolist() == [[2, 2]]
    assert match(ratings("old,1,S1,hit,", key="folder"), twice).panels[0].said.tolist() == [[2, 2]]


def test_a_name_of_two_recordings_is_refused_and_a_folder_parts_them():
    both = [tool("L01", 1, sha256="a", folder="monday"), tool("L01", 1, "miss", sha256="b", folder="tuesday")]
    with pytest.raises(CohortError, match=r"row 2.*2 different recordings"):
        match(ratings("L01,1,S1,hit,"), both)
    assert match(ratings("tuesday,1,S1,hit,", key="folder"), both).panels[0].said.tolist() == [[0, 2]]


def test_what_has_no_result_is_said_and_still_compared_between_raters():
    rows = ["L01,1,S1,hit,", "L01,2,S1,miss,", "L02,1,S1,hit,", "L02,1,S2,miss,", "L03,1,S1,miss,"]
    found = match(ratings(*rows), [tool("L01", 1), tool("L03", 0)])
    assert found.panels[0].said.tolist() == [[2, 2, -1], [-1, 0, -1], [-1, 2, 0], [-1, 0, -1]]
    unscored, unseen = found.notes
    assert (
        unscored.startswith("One rated attempt is of recordings without a result")
        and "L02 attempt 1" in unscored
    )
    assert unseen.startswith("2 rated attempts") and "L01 attempt 2, L03 attempt 1" in unseen


def test_ratings_of_other_recordings_than_the_results_are_refused():
    with pytest.raises(CohortError, match=r'None of the 1 rated attempts.*"L09" \(row 2\)'):
        match(ratings("L09,1,S1,hit,"), [tool("L01", 1)])


def test_an_unscorable_attempt_and_a_blank_are_no_rating_of_the_tool():
    found = match(
        ratings("L01,1,S1,hit,1", "L02,1,S1,hit,1"), [tool("L01", 1, "unscorable", ""), tool("L02", 1)]
    )
    outcome, edge = found.panels
    assert outcome.said.tolist() == [[-1, 2], [2, 2]]
    assert np.isnan(edge.values).tolist() == [[True, False], [False, False]]


def test_a_spoilt_value_of_the_tool_is_told_with_its_place():
    with pytest.raises(CohortError, match=r'L01: attempts\.csv, attempt 1, column "outcome"'):
        match(ratings("L01,1,S1,hit,"), [tool("L01", 1, "hot")])


def test_the_report_counts_and_compares_everyone():
    rows = [
        f"L{n:02d},1,S{rater},{'hit' if n % 2 else 'miss'},{n + rater / 10}"
        for n in range(20)
        for rater in (1, 2, 3)
    ]
    report = build_agreement(ratings(*rows), [tool(f"L{n:02d}", 1, "hit", str(n)) for n in range(20)])
    assert (report.attempts, report.recordings, report.supervisors) == (20, 20, ("S1", "S2", "S3"))
    outcome, edge = report.quantities
    assert [one.raters for one in outcome.pairs][:2] == [(TOOL, "S1"), (TOOL, "S2")] and len(
        outcome.pairs
    ) == 6
    assert outcome.table is not None and outcome.table.tolist() == [[0, 0, 0], [0, 0, 0], [30, 0, 30]]
    assert outcome.group is not None and [one.statistic for one in outcome.group.coefficients] == [
        "Fleiss' kappa",
        "AC1",
    ]
    assert edge.against_mean is not None and edge.against_mean.raters == (TOOL, THEIR_MEAN)
    assert edge.against_mean.coefficients[6].value == pytest.approx(-0.2)
    assert edge.group is not None and len(edge.group.coefficients) == 6


def test_one_rater_without_results_can_not_be_compared():
    with pytest.raises(CohortError, match="S1 alone"):
        build_agreement(ratings("L01,1,S1,hit,"))


def test_the_mean_of_supervisors_is_of_those_who_rated():
    rows = ["L01,1,S1,,1", "L01,1,S2,,3", "L02,1,S1,,5", "L03,1,S2,,2", "L04,1,S1,,0"]
    attempts = [tool(f"L0{n}", 1, edge="4") for n in (1, 2, 3, 4)]
    mean = build_agreement(ratings(*rows), attempts).quantities[1].against_mean
    assert mean is not None and mean.numbers is not None
    assert sorted(mean.numbers.difference) == [-1, 2, 2, 4]
