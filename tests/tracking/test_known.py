"""What was said of single frames, as evidence. Invented data."""

import numpy as np
import pytest

from needlecoach.finding.candidates import Line
from needlecoach.model import Correction, Region, Scale
from needlecoach.tracking.axis import Axis, AxisEvidence
from needlecoach.tracking.known import Known, said_of
from needlecoach.tracking.kymograph import SAMPLE_MM
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.tip import TipPath, follow_tip

PLANE = Plane(Region("rectangle", (10, 20, 300, 300)), Scale(0.2, 0.2, "drawn", 0.0))
N, RATE_HZ = 61, 30.0
TIME_S = np.arange(N) / RATE_HZ
STEADY = np.zeros((N, 3))
# Goes in from the upper left corner at 45 degrees, in working pixels of 0.2 mm.
AXIS = Axis(np.zeros((N, 2)), np.full((N, 2), np.sqrt(0.5)), np.zeros(N), 0.2)
SAMPLES = 200


def at_mm(along_mm: float) -> tuple[float, float]:
    """Frame px of a place along AXIS."""
    return tuple(PLANE.to_frame_px(AXIS.points(0, along_mm)).tolist())


def known(*corrections: Correction, first: int = 0, drift: np.ndarray = STEADY) -> Known:
    return Known.within(said_of(corrections), first, TIME_S, drift, PLANE)


def evidence(at: np.ndarray) -> np.ndarray:
    """Log likelihood that rises by 8 to the tip seen at `at` mm, (n,)."""
    s = np.arange(SAMPLES) * SAMPLE_MM
    return np.where(s <= at[:, None], s / 4, -20.0) + 8.0 * (np.abs(s - at[:, None]) < 0.3)


def test_only_what_is_said_of_the_window_counts_and_the_last_word_about_a_frame() -> None:
    said = known(
        Correction("no needle", 105),
        Correction("tip", 104, at_mm(10), visible=False),
        Correction("tip hidden", 104),
        Correction("tip", 3, at_mm(10)),
        Correction("split pass", 110),
        first=100,
    )
    assert np.flatnonzero(said.absent).tolist() == [5]
    assert said.sight.tolist() == [0] * 4 + [-1] + [0] * (N - 5)
    assert not said.placed.any()


def test_a_place_is_taken_back_to_where_it_lies_in_the_steadied_picture() -> None:
    drift = np.tile((5.0, -3.0, 0.02), (N, 1))
    said = known(Correction("tip", 7, at_mm(10)), drift=drift)
    still = known(Correction("tip", 7, at_mm(10)))
    assert np.hypot(*(said.place[7] - still.place[7])) > 4
    cos, sin = np.cos(0.02), np.sin(0.02)
    x, y = said.place[7]
    again = cos * x - sin * y + 5, sin * x + cos * y - 3
    assert again == pytest.approx(still.place[7])


def test_evidence_bends_to_a_tip_that_is_seen_and_about_it() -> None:
    shown = evidence(np.full(N, 30.0))
    said = known(Correction("tip", 30, at_mm(25)))
    path = follow_tip(said.bind(shown, AXIS), np.zeros(N), TIME_S)
    assert path.position_mm[30] == pytest.approx(25, abs=0.3)
    assert (path.position_mm[[29, 31]] < 30 - 0.5).all()
    assert path.position_mm[[5, 55]] == pytest.approx([30, 30], abs=0.3)


def test_frames_that_look_alike_share_what_was_said() -> None:
    shown, grey = evidence(np.full(N, 30.0)), np.full((N, SAMPLES), 90, dtype=np.float32)
    grey[45:] = 20
    bound = known(Correction("tip", 30, at_mm(25))).bind(shown, AXIS, grey)
    best_mm = bound.argmax(axis=1) * SAMPLE_MM
    assert best_mm[:45] == pytest.approx(np.full(45, 25.0), abs=SAMPLE_MM)
    assert best_mm[55:] == pytest.approx(np.full(N - 55, 30.0), abs=SAMPLE_MM)


def test_a_word_that_agrees_leaves_the_other_frames_as_they_were() -> None:
    shown = evidence(np.full(N, 30.0))
    bound = known(Correction("tip", 30, at_mm(30))).bind(shown, AXIS, np.zeros((N, SAMPLES), np.float32))
    others = np.arange(N) != 30
    np.testing.assert_array_equal(bound[others], shown[others])


def test_a_tip_out_of_sight_says_nothing_of_what_shows_but_has_its_place() -> None:
    shown = evidence(np.full(N, 30.0))
    said = known(Correction("tip", 30, at_mm(35), visible=False))
    assert said.bind(shown, AXIS) is shown
    path = TipPath(np.full(N, 30.0), np.full(N, 0.3), np.ones(N))
    settled = said.settle(path, AXIS)
    assert settled.position_mm[30] == pytest.approx(35, abs=0.01)
    unbelieved = said.only_bridged(settled, np.isin(np.arange(N), [20, 30, 45]))
    assert (unbelieved.sd_mm[21:30] > 1).all()
    assert (unbelieved.sd_mm[31:45] > 1).all()
    assert (unbelieved.sd_mm[46:] < 1).all()


def test_no_needle_is_no_needle_and_a_gap_with_such_a_frame_stays_open() -> None:
    said = known(Correction("no needle", 30))
    path = follow_tip(said.bind(evidence(np.full(N, 1.0)), AXIS), np.zeros(N), TIME_S)
    assert np.isnan(path.position_mm[30])
    gappy = np.where((np.arange(N) > 20) & (np.arange(N) < 40), np.nan, 10.0)
    bridged = TipPath(np.full(N, 10.0), np.ones(N), np.ones(N))
    kept = said.kept_open(bridged, TipPath(gappy, np.ones(N), np.ones(N)))
    np.testing.assert_array_equal(np.isnan(kept.position_mm), np.isnan(gappy))


def test_sight_follows_the_word_and_what_contradicts_it_is_believed_less_about_it() -> None:
    said = known(Correction("tip hidden", 30))
    bound = said.sight_evidence(np.full(N, 3.0))
    assert bound[30] < -10
    assert abs(bound[31]) < 0.5
    assert bound[[0, -1]] == pytest.approx([3, 3])
    seen = said.in_sight(np.ones(N, dtype=bool), np.ones(N, dtype=bool))
    assert np.flatnonzero(~seen).tolist() == [30]


def test_lines_that_miss_a_said_tip_are_no_candidates_about_its_time() -> None:
    class Passing:
        """A line a given way from every point."""

        def __init__(self, away_px: float) -> None:
            self.away_px = away_px

        def distance_px(self, points: np.ndarray) -> np.ndarray:
            return np.full(len(points), self.away_px)

    from needlecoach.tracking.chain import Node

    def node(block: int, away_px: float) -> Node:
        line: Line = Passing(away_px)  # type: ignore[assignment]
        return Node(block, line, np.zeros(2), np.ones(2), 10.0)

    nodes = [node(0, 2.0), node(0, 40.0), node(1, 40.0)]
    picked = known(Correction("tip", 0, at_mm(10))).pick(nodes, np.array([0.0, 1.5]), 0.2)
    assert [(one.block, one.reward > 10) for one in picked] == [(0, True), (1, False)]


def test_said_tips_far_apart_tell_a_line_where_none_was_found() -> None:
    said = known(Correction("tip", 10, at_mm(10)), Correction("tip", 40, at_mm(30)))
    mask = np.ones((300, 300), dtype=bool)
    seen = said.through(None, mask, 0.2)
    assert seen is not None
    assert said.off_axis_mm(seen.fit()) == pytest.approx([0, 0], abs=0.05)
    lone = known(Correction("tip", 10, at_mm(10)))
    assert lone.through(None, mask, 0.2) is None


def test_a_line_through_points_points_inwards() -> None:
    points = np.array([[150.0, 150.0], [10.0, 10.0]])
    axis = AxisEvidence.of_line(points, TIME_S, np.ones((300, 300), dtype=bool), 0.2).fit()
    assert axis.direction == pytest.approx(np.full((N, 2), np.sqrt(0.5)), abs=1e-6)
