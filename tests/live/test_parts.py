"""The small parts of a session, each on values solvable by hand (invented)."""

from datetime import datetime

import numpy as np
import pytest
from stand_ins import CLIPS, TruthFollower, pictures_of, setup_of, truth_of

from needlecoach.errors import MarksError
from needlecoach.live.card import Card
from needlecoach.live.entry import checked_card
from needlecoach.live.figures import verdict_of
from needlecoach.live.fitness import FROZEN_S, Fitness
from needlecoach.live.following import RATE_OF, Followed, Following
from needlecoach.live.kept import BEFORE_S, MOST_ROWS, PLACES_S, KeptRows
from needlecoach.live.laid import lay
from needlecoach.live.livetrack import live_card, live_table
from needlecoach.live.moved import moved_marks
from needlecoach.live.rows import row_now, track_of
from needlecoach.live.saving import unused_name, without_results
from needlecoach.live.saying import SteadySight, warnings_of, word_of
from needlecoach.live.setup import Setup
from needlecoach.live.visitor import CAUTION, Visitor
from needlecoach.marks import MarkOptions, read_marks, write_marks
from needlecoach.scored import Wish

NAME = "clean_hit"
STEP_S = 0.05


@pytest.fixture(scope="module")
def laid():
    setup = setup_of(NAME)
    return lay(setup.clip, setup.marks(), Wish())


@pytest.fixture(scope="module")
def followed(laid):
    """Every frame of the clip as a perfect tracker would follow it."""
    tracker = TruthFollower(NAME)
    rows = [tracker.see(one.number, one.time_s, one.pixels) for one in pictures_of(NAME)]
    return [Followed(row, row_now(row, laid, None), None) for row in rows]


def test_marks_are_moved_with_the_target_and_otherwise_stay(laid, tmp_path):
    of_day = setup_of(NAME).marks_file()
    centre_px, shift_px = np.array(laid.given.target.centre_px), np.array([5.5, -3.25])
    moved = moved_marks(laid, of_day, centre_px + shift_px, None)
    assert moved.target.ellipse.centre_px == pytest.approx(tuple(centre_px + shift_px))
    assert moved.target.ellipse.semi_axes_px == of_day.target.ellipse.semi_axes_px
    assert (moved.scale, moved.learner, moved.notes) == (of_day.scale, of_day.learner, of_day.notes)
    write_marks(tmp_path / "a.marks.json", moved)
    assert read_marks(tmp_path / "a.marks.json").scale == laid.given.scale
    unknown = moved_marks(laid, of_day, np.array([np.nan, np.nan]), None)
    assert unknown.target.ellipse.centre_px == pytest.approx(tuple(centre_px))


def test_a_target_of_the_command_line_goes_before_that_of_the_file(laid):
    of_day = setup_of(NAME).marks_file()
    other = of_day.model_copy(
        update={
            "target": of_day.target.model_copy(
                update={"ellipse": None, "polygon_px": [(0, 0), (9, 0), (9, 9)]}
            )
        }
    )
    moved = moved_marks(laid, other, None, None)
    outline = np.array(moved.target.polygon_px)
    assert outline.mean(axis=0) == pytest.approx(laid.given.target.centre_px, abs=0.1)


def test_marks_of_a_visitor_tell_of_no_person(laid):
    moved = moved_marks(
        laid, setup_of(NAME).marks_file(), None, None, learner="L07", visitor=True, date="2026-11-26"
    )
    assert (moved.learner, moved.notes, moved.date) == (None, "", None)


def test_live_rows_score_as_what_they_were_drawn_from(laid, followed):
    card = live_card(laid, followed)
    verdict = verdict_of(card)
    truth = [one for one in truth_of(NAME)["frames"] if one["tip_xy_px"]]
    lines = {line.name: line.value for line in verdict.lines}
    assert verdict.outcome == "hit"
    assert not verdict.outcome_text.startswith("Attempt")
    assert lines["closest_centre_mm"] == pytest.approx(min(one["dist_centre_mm"] for one in truth), abs=0.2)
    assert lines["tip_visibility_share"] == pytest.approx(
        np.mean([one["tip_visible"] for one in truth]), abs=0.03
    )
    table = live_table(card, followed, (3, 0.15))
    assert list(table.frame[:2]) == [-3, -2]
    assert table.time_s[3] == pytest.approx(0.0)


def test_of_several_attempts_the_one_that_was_followed_live_is_meant():
    setup = setup_of("two_attempts_curved")
    laid = lay(setup.clip, setup.marks(), Wish())
    tracker = TruthFollower("two_attempts_curved")
    rows = []
    for one in pictures_of("two_attempts_curved"):
        row = tracker.see(one.number, one.time_s, one.pixels)
        rows.append(Followed(row, row_now(row, laid, None), None))
    card = live_card(laid, rows)
    assert len(card.attempts) == 2
    for attempt in card.attempts:
        start_s, end_s = (attempt.figures[name].value for name in ("start_s", "end_s"))
        verdict = verdict_of(card, (start_s + 0.3, end_s + 0.2))
        lines = {line.name: line.value for line in verdict.lines}
        assert lines["duration_s"] == attempt.figures["duration_s"].value
        assert not any("out for a moment" in note for note in verdict.notes)
    start_s, end_s = card.attempts[0].figures["start_s"].value, card.attempts[1].figures["end_s"].value
    assert "out for a moment" in verdict_of(card, (start_s, end_s)).notes[0]


def test_a_row_is_drawn_with_what_is_known_and_none_for_the_rest(laid, followed):
    out, within = followed[0].now, followed[84].now
    assert (out.tip_px, out.edge_mm, out.strip, out.angle_deg) == (None, None, "", None)
    assert out.target_px is not None
    truth = truth_of(NAME)["frames"][84]
    assert within.edge_mm == pytest.approx(truth["dist_edge_mm"], abs=0.15)
    assert within.tip_mm == pytest.approx(
        np.hypot(*np.subtract(truth["tip_xy_px"], truth["entry_xy_px"])) * 0.118, abs=0.1
    )
    track = track_of([one.row for one in followed])
    assert not np.isfinite(track.tip_px[0]).any()
    assert track.tip_visible[84]


def test_rows_and_places_that_are_kept_stay_few_while_no_needle_comes(followed):
    kept, out = KeptRows(), followed[0]
    for number in range(3000):
        row = out.row.__class__(**{**out.row.__dict__, "number": number, "time_s": number * STEP_S})
        kept.note(number, row.time_s)
        kept.add(Followed(row, out.now, None), running=False)
    assert len(kept.take()) == pytest.approx(BEFORE_S / STEP_S, abs=1.5)
    assert len(kept._places) == pytest.approx(PLACES_S / STEP_S, abs=1.5)
    assert len(kept._came) == pytest.approx(PLACES_S / STEP_S, abs=1.5)
    assert kept.drawn_since(-1) == ()
    assert kept.number_at(2995 * STEP_S + 0.001) == 2995
    assert kept.place_at(2990 * STEP_S).time_s == pytest.approx(2990 * STEP_S)


def test_rows_of_an_attempt_are_handed_out_after_a_number_and_not_all_at_once(followed):
    kept, within = KeptRows(), followed[84]
    kept.begin(0.0)
    for number in range(MOST_ROWS + 50):
        now = within.now.__class__(**{**within.now.__dict__, "number": number})
        row = within.row.__class__(**{**within.row.__dict__, "number": number, "time_s": number * STEP_S})
        kept.add(Followed(row, now, None), running=True)
    assert [one.number for one in kept.drawn_since(MOST_ROWS + 47)] == [MOST_ROWS + 48, MOST_ROWS + 49]
    assert len(kept.drawn_since(-1)) == MOST_ROWS
    assert kept.drawn_since(10**9) == ()
    assert len(kept.take()) == MOST_ROWS + 50


def test_dark_and_frozen_pictures_are_told_after_a_moment_and_lit_ones_are_not(laid):
    fitness = Fitness(laid)
    pictures = [laid.plane.resample(one.pixels[..., 0].copy()) for one in pictures_of(NAME)[:40]]
    for number, picture in enumerate(pictures):
        assert fitness.see(number * STEP_S, picture) == ""
    dim = [np.asarray(picture * 0.6, dtype=np.uint8) for picture in pictures]
    assert [fitness.see(2 + n * STEP_S, picture) for n, picture in enumerate(dim)] == [""] * 40
    dark = [np.asarray(picture * 0.1, dtype=np.uint8) for picture in pictures]
    said = []
    for number, picture in enumerate(dark):
        fitness.see(4 + number * STEP_S, picture)
        said.append(fitness.said)
    assert said[0] == ""
    assert said[20] == "too_dark"
    assert fitness.see(6.2, pictures[0]) == ""
    for number in range(round((FROZEN_S + 1) / STEP_S)):
        fitness.see(6.4 + number * STEP_S, pictures[0])
    assert fitness.said == "frozen"


def test_what_is_said_of_sight_does_not_flicker():
    sight = SteadySight()
    said = []
    for number, one in enumerate(["none"] * 4 + ["seen"] * 6 + ["lost"] * 2 + ["seen"] * 4 + ["lost"] * 6):
        sight.see(number * STEP_S, one)
        said.append(sight.said)
    assert "lost" not in said[:19]
    assert said[9] == "seen"
    assert said[-1] == "lost"


@pytest.mark.parametrize(
    ("how", "key"),
    [
        ({"source": "opening"}, "opening"),
        ({"source": "stalled"}, "no_picture"),
        ({"source": "ended"}, "ended"),
        ({"is_laid": False}, "marks_needed"),
        ({"is_laid": False, "laying": True}, "settling"),
        ({"setup_fault": "no target"}, "cant_settle"),
        ({"picture_fault": "too_dark"}, "too_dark"),
        ({"caution": CAUTION}, "sharps"),
        ({"caution": CAUTION, "sight": "seen"}, "needle_in"),
        ({"sight": "inferred"}, "tip_hidden"),
        ({"sight": "lost"}, "tip_lost"),
        ({}, "ready"),
    ],
)
def test_the_worst_is_said(how, key):
    usual = {
        "source": "running", "source_words": "", "laying": False, "is_laid": True, "setup_fault": "",
        "picture_fault": "", "sight": "none", "caution": "",
    }  # fmt: skip
    given = {**usual, **how}
    assert word_of(given.pop("source"), given.pop("source_words"), **given).key == key


def test_names_are_never_used_twice_and_recordings_without_results_are_found(tmp_path):
    wall = datetime(2026, 11, 26, 10, 45, 0)
    assert unused_name(tmp_path, "L01", wall) == "L01-20261126-104500"
    (tmp_path / "recordings").mkdir()
    for stem in ("L01-20261126-104500", "L01-20261126-104500-3", "setup-20261126-100000"):
        (tmp_path / "recordings" / f"{stem}.mkv").write_bytes(b"x")
        (tmp_path / "recordings" / f"{stem}.marks.json").write_text("{}")
    (tmp_path / "L01-20261126-104500-2").mkdir()
    assert unused_name(tmp_path, "L01", wall) == "L01-20261126-104500-4"
    left = sorted(path.stem for path in without_results(tmp_path))
    assert left == ["L01-20261126-104500", "L01-20261126-104500-3"]
    result = tmp_path / "L01-20261126-104500"
    result.mkdir()
    (result / "run.json").write_text("{}")
    assert [path.stem for path in without_results(tmp_path)] == ["L01-20261126-104500-3"]


def test_a_setup_needs_the_name_of_a_marks_file_and_finds_its_recording(tmp_path):
    assert setup_of(NAME).clip == CLIPS / f"{NAME}.mp4"
    with pytest.raises(MarksError, match=r"NAME\.marks\.json"):
        Setup.of_file(tmp_path / "day.json", MarkOptions())
    with pytest.raises(MarksError, match="can't be read"):
        Setup.of_file(tmp_path / "day.marks.json", MarkOptions())
    (tmp_path / "day.marks.json").write_text('{"schema": 1}')
    assert Setup.of_file(tmp_path / "day.marks.json", MarkOptions()).clip is None


def test_a_nickname_is_cleared_after_each_try():
    visitor = Visitor()
    visitor.set_nickname("Nobody\n")
    visitor.try_ended()
    assert (visitor.now().nickname, visitor.now().caution) == ("Nobody", CAUTION)
    visitor.clear()
    assert (visitor.now().nickname, visitor.now().caution) == ("", "")


def test_a_card_whose_recording_cant_be_scored_stays_with_the_reason(laid, followed):
    card = Card(1, "L01-1", "live", "checking", "hit", "Hit")
    kept = checked_card(card, None, ("It was not recorded.",))
    assert (kept.kind, kept.fate, kept.notes) == ("live", "live only", ("It was not recorded.",))
    verdict = verdict_of(live_card(laid, followed))
    done = checked_card(card, verdict, ())
    assert (done.kind, done.fate, done.folder) == ("checked", "done", "L01-1")


def followed_at(laid, times_s):
    following = Following(laid, lambda *_: TruthFollower(NAME), None)
    pixels = next(iter(pictures_of(NAME))).pixels
    for number, time_s in enumerate(times_s):
        following.see(number, float(time_s), pixels)
    return following.fps


def test_how_many_are_followed_is_told_once_there_are_enough_since_the_camera_came(laid):
    assert followed_at(laid, np.arange(RATE_OF - 1) / 20) is None
    assert followed_at(laid, np.arange(RATE_OF) / 20) == pytest.approx(20.0)
    assert followed_at(laid, np.append(np.arange(RATE_OF) / 20, 10.0)) is None


def warned(**now):
    calm = dict(recording="", fps=30.0, followed_fps=29.0, trouble="", n_left_over=0, n_waiting=1)
    return {one.key: one.text for one in warnings_of(**calm | now)}


def test_a_machine_that_can_not_keep_up_is_told():
    assert warned() == {} and warned(followed_fps=None) == {}
    assert warned(followed_fps=12.4)["behind"].startswith("Only 12 of 30 pictures a second can be followed")
    assert set(warned(fps=8.0, followed_fps=4.0)) == {"slow"}
    assert warned(n_waiting=3) == {"waiting": "3 recordings wait for their score with hindsight."}
