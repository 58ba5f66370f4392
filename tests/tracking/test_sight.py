"""Sight of the tip on invented strips and evidence whose answer is known beforehand."""

from dataclasses import dataclass, field

import numpy as np
import pytest

from needlecoach.tracking.kymograph import SAMPLE_MM
from needlecoach.tracking.sight import lasting, sight_evidence, tip_in_sight
from needlecoach.tracking.spot import Spot
from needlecoach.tracking.tip import TipPath

SAMPLES = 160
TIP_MM = 20.0
GEL = 70.0


@dataclass
class Strips:
    """What `tip_in_sight` reads of a course: strips over even gel, a spot and a place in every frame."""

    spots: list
    grey: np.ndarray
    before: np.ndarray
    sd_mm: np.ndarray = field(default_factory=lambda: np.zeros(0))

    @property
    def path(self) -> TipPath:
        ends = np.array([TIP_MM if spot is None else spot.end_mm for spot in self.spots])
        return TipPath(ends, self.sd_mm, np.ones(len(ends)))


@dataclass
class Gapped(Strips):
    """The same without a needle in some frames."""

    gone: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))

    @property
    def path(self) -> TipPath:
        return super().path.without(self.gone)


def strips(*greys: float | None, before: float = GEL, sd_mm: float = 0.2, places_mm=None) -> Strips:
    """A tip of a brightness in each frame (None: nothing ends there), on a place that was `before`."""
    n = len(greys)
    places = np.full(n, TIP_MM) if places_mm is None else np.asarray(places_mm, dtype=float)
    course = Strips([], np.full((n, SAMPLES), GEL), np.full((n, SAMPLES), GEL), np.full(n, sd_mm))
    for i, (grey, place) in enumerate(zip(greys, places, strict=True)):
        at = round(place / SAMPLE_MM)
        course.before[i, at - 2 : at + 3] = before
        course.grey[i, at - 2 : at + 3] = before if grey is None else grey
        course.spots.append(None if grey is None else Spot(place, 0.0, grey, 0.0, 0.0))
    return course


def clock(n: int, *, fps: float = 25.0) -> np.ndarray:
    return np.arange(n) / fps


def evidence_of(course: Strips) -> np.ndarray:
    return sight_evidence(course, clock(len(course.spots)))


class TestEvidence:
    """One frame: how far the tip's place stands out."""

    def test_an_echo_far_above_dark_gel_is_the_tip(self) -> None:
        assert evidence_of(strips(160.0))[0] == pytest.approx(4.0)

    def test_the_brightest_of_the_speckle_that_was_there_before_is_not(self) -> None:
        """25 greys above the mean, as peaks of speckle are, and no brighter than before."""
        (evidence,) = evidence_of(strips(GEL + 25, before=GEL + 25))
        assert evidence < 0

    def test_what_shone_before_is_no_tip_however_bright(self) -> None:
        """45 greys above the gel: new in one frame, in the other all but 5 of them were there before."""
        come, stayed = evidence_of(strips(115.0))[0], evidence_of(strips(115.0, before=110.0))[0]
        assert stayed < 0 < come

    def test_what_shone_before_shines_on_where_nothing_moves(self) -> None:
        """White on grey, and 7 greys whiter than before: nothing new at rest, perhaps a tip in a move."""
        assert (evidence_of(strips(*[250.0] * 5, before=243.0))[1:-1] < 0).all()
        moving = [17.6, 18.8, 20.0, 21.2, 22.4]
        assert evidence_of(strips(*[250.0] * 5, before=243.0, places_mm=moving))[2] > 0

    @pytest.mark.parametrize("before", [GEL, 120.0])
    def test_what_stands_out_by_less_than_a_tip_does_is_none(self, before: float) -> None:
        """30 greys (7 dB) above the gel on dark gel, and 60 (14 dB) on a bright line 10 greys darker: below
        the 14 dB over all that lies around it, line included, at which drawn clips count a tip as seen.
        """
        grey = GEL + 30 if before == GEL else 130.0
        moving = [17.6, 18.8, 20.0, 21.2, 22.4]
        assert evidence_of(strips(*[grey] * 5, before=before, places_mm=moving))[2] < 0

    def test_black_is_never_seen(self) -> None:
        """Below 40 of 255 greys the tip counts as not displayed (definition of the truth of drawn clips)."""
        course = strips(38.0, before=0.0)
        course.before[:] = 0.0
        assert evidence_of(course)[0] == -4.0

    def test_no_end_found_speaks_against_a_tip_at_rest_and_hardly_against_a_fast_one(self) -> None:
        """At rest at 20 mm, and in a move of 30 mm/s."""
        resting = strips(170.0, 170.0, None, 170.0, 170.0)
        assert evidence_of(resting)[2] < -2
        moving = strips(170.0, 170.0, None, 170.0, 170.0, places_mm=[17.6, 18.8, 20.0, 21.2, 22.4])
        assert -2 < evidence_of(moving)[2] < 0

    def test_a_place_never_seen_without_the_needle_is_held_against_its_surroundings(self) -> None:
        course = strips(170.0)
        course.before[:] = np.nan
        assert evidence_of(course)[0] > 2
        dim = strips(GEL + 10)
        dim.before[:] = np.nan
        assert evidence_of(dim)[0] < 0


class TestLasting:
    """Sights and losses that last; all evidence in nats, invented."""

    def test_two_frames_blurred_by_a_quick_move_hide_nothing(self) -> None:
        evidence = np.where(np.isin(np.arange(20), (9, 10)), -2.0, 3.0)
        assert lasting(evidence, clock(20)).all()

    def test_half_a_second_is_a_loss_and_is_dated_to_the_frame(self) -> None:
        hidden = (np.arange(40) >= 12) & (np.arange(40) < 24)
        np.testing.assert_array_equal(lasting(np.where(hidden, -2.0, 3.0), clock(40)), ~hidden)

    def test_two_frames_of_something_bright_are_no_sight(self) -> None:
        evidence = np.where(np.isin(np.arange(30), (14, 15)), 1.0, -2.0)
        assert not lasting(evidence, clock(30)).any()

    def test_a_recording_that_shows_every_picture_twice_says_no_more(self) -> None:
        once = np.where(np.isin(np.arange(20), (9, 10)), -2.5, 3.0)
        twice = lasting(np.repeat(once, 2), clock(40, fps=50))
        np.testing.assert_array_equal(twice[::2], lasting(once, clock(20)))
        np.testing.assert_array_equal(twice[1::2], twice[::2])

    def test_frames_far_apart_speak_for_themselves(self) -> None:
        evidence = np.array([3.0, 3.0, -3.0, 3.0, 3.0])
        assert lasting(evidence, clock(5, fps=25))[2]
        assert not lasting(evidence, clock(5, fps=0.2))[2]

    def test_strong_evidence_is_never_lost_in_a_long_recording(self) -> None:
        """However often single frames contradict it."""
        assert lasting(np.tile([4.0, 4.0, 4.0, -4.0], 1500), clock(6000)).all()
        assert lasting(np.full(5000, 4.0), clock(5000)).all()
        assert not lasting(np.full(5000, -4.0), clock(5000)).any()

    @pytest.mark.parametrize("n", [0, 1])
    def test_a_frame_or_none(self, n: int) -> None:
        np.testing.assert_array_equal(lasting(np.full(n, 2.0), clock(n)), np.full(n, True))


class TestSight:
    """Contrast and the sureness of the place together."""

    def seen(self, course: Strips) -> np.ndarray:
        return tip_in_sight(course, evidence_of(course), clock(len(course.spots)))

    def test_a_bright_end_at_an_uncertain_place_is_not_the_tip(self) -> None:
        assert self.seen(strips(*[170.0] * 30)).all()
        assert not self.seen(strips(*[170.0] * 30, sd_mm=5.0)).any()

    def test_a_spot_that_rests_where_the_tip_was_seen_stays_the_tip(self) -> None:
        course = strips(*[170.0] * 30)
        course.sd_mm[10:] = 5.0
        assert self.seen(course).all()

    def test_a_bright_spot_elsewhere_is_not_followed_on(self) -> None:
        """Eight millimetres in a twenty-fifth of a second are 200 mm/s: no hand does that."""
        course = strips(*[170.0] * 30, places_mm=[TIP_MM] * 10 + [TIP_MM - 8] * 20)
        course.sd_mm[10:] = 5.0
        seen = self.seen(course)
        assert seen[:10].all() and not seen[10:].any()

    def test_without_a_needle_there_is_no_sight(self) -> None:
        """Gone for two frames, too short to be told from a blur."""
        course = strips(*[170.0] * 10, None, None, *[170.0] * 10)
        gone = np.isin(np.arange(22), (10, 11))
        gapped = Gapped(course.spots, course.grey, course.before, course.sd_mm, gone)
        np.testing.assert_array_equal(self.seen(gapped), ~gone)
