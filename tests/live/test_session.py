"""A whole session on a sample clip: from the marks to the score of the recording, and what may go wrong."""

import json
import threading
import time
from dataclasses import replace
from datetime import datetime
from functools import partial

import numpy as np
import pandas as pd
import pytest
from stand_ins import (
    CLIPS,
    CopyingRecorder,
    Picture,
    PlayedCamera,
    StandInScorer,
    TruthFollower,
    pictures_of,
    setup_of,
    truth_of,
    until_of,
    verdict,
)

from needlecoach.errors import OutputError
from needlecoach.live import session as session_room
from needlecoach.live.daybook import Book
from needlecoach.live.session import Session
from needlecoach.live.setup import Setup
from needlecoach.marks import MarkOptions, read_marks
from needlecoach.scored import Wish

NAME = "clean_hit"
QUICK = Wish(replay=False)


class Stage:
    """A session with its stand-ins."""

    def __init__(self, out, *, name=NAME, pictures=None, hold_at=None, setup=None, **how):
        self.out = out
        self.camera = PlayedCamera(pictures or pictures_of(name), hold_at=0)
        self.hold_at = hold_at
        self.recorder = CopyingRecorder(CLIPS / f"{name}.mp4")
        self.followers = []
        self.name = name
        how = {"wish": QUICK, "visitor": False, **how}
        self.session = Session(
            self.camera,
            self.recorder,
            setup=setup or setup_of(name),
            out=out,
            follower_of=self.follower,
            **how,
        )

    def follower(self, plane, target, thrown_mm, beside):
        self.followers.append(TruthFollower(self.name))
        return self.followers[-1]

    def __enter__(self):
        self.session.start()
        self.until(lambda state: state.setup.ready or state.setup.fault or state.word.key == "marks_needed")
        self.camera.go(self.hold_at)
        return self

    def __exit__(self, *problem):
        self.session.close(patience_s=0.0)

    def until(self, wanted):
        return until_of(self.session, wanted)

    def go(self, until=None):
        self.camera.go(until)
        self.camera.done.wait(60)


def drawn_times(name=NAME):
    """When the needle of a clip is in, by what it was drawn from."""
    inside = [one["time_s"] for one in truth_of(name)["frames"] if one["needle_present"]]
    return inside[0], inside[-1]


def test_an_attempt_is_recorded_scored_at_once_and_scored_with_hindsight(tmp_path):
    with Stage(tmp_path) as stage:
        live = stage.until(lambda state: state.card is not None).card
        first_s, last_s = drawn_times()
        assert live.kind == "live"
        assert live.fate == "checking"
        assert live.outcome == "hit"
        closest = min(one["dist_centre_mm"] for one in truth_of(NAME)["frames"] if one["tip_xy_px"])
        assert live.line("closest_centre_mm").value == pytest.approx(closest, abs=0.2)
        assert live.line("duration_s").value == pytest.approx(last_s - first_s, abs=0.11)
        state = stage.until(lambda state: state.card.kind == "checked")
        card = state.card
    assert card.fate == "done"
    assert card.line("closest_centre_mm").value == pytest.approx(closest, abs=0.5)
    folder = tmp_path / card.folder
    run = json.loads((folder / "run.json").read_text())
    assert run["clip"]["file"] == f"{card.name}.mkv"
    assert run["marks"]["learner"] == "L01"
    # As `score` leaves it, and the live track beside it in the same columns and frames.
    live_track, track = (pd.read_csv(folder / name) for name in ("live_track.csv", "track.csv"))
    assert list(live_track.columns) == list(track.columns)
    both = live_track.merge(track, on="frame", suffixes=("_live", ""))
    assert np.abs(both.time_s_live - both.time_s).max() < 0.002
    assert np.hypot(both.tip_x_px_live - both.tip_x_px, both.tip_y_px_live - both.tip_y_px).median() < 5
    assert stage.recorder.asked_s == [pytest.approx(first_s - 5.0)]
    assert stage.recorder.made[0].ended_s == pytest.approx(last_s + 2.6, abs=0.06)


def test_the_marks_are_written_before_the_recording_and_hold_for_its_first_frame(tmp_path):
    with Stage(tmp_path) as stage:
        stage.until(lambda state: state.attempt is not None or state.card is not None)
        stage.until(lambda state: len(stage.recorder.made) == 1)
        assert stage.recorder.marks_were_there == [True]
        path = next((tmp_path / "recordings").glob("*.marks.json"))
        time.sleep(0.05)
        marks, given = read_marks(path), read_marks(CLIPS / f"{NAME}.marks.json")
    drawn = truth_of(NAME)["frames"][0]["target"]["centre_px"]
    assert marks.target.centre_px == pytest.approx(tuple(drawn), abs=0.02)
    assert marks.target.frame == 0
    assert (marks.learner, marks.notes, marks.scale) == (given.learner, given.notes, given.scale)
    assert marks.date == f"{datetime.now():%Y-%m-%d}"


def test_words_follow_the_needle(tmp_path):
    first_s, _ = drawn_times()
    with Stage(tmp_path, hold_at=round(first_s * 20)) as stage:
        stage.camera.done.wait(60)
        assert stage.until(lambda state: state.word.key == "ready").attempt is None
        stage.go(round(first_s * 20) + 20)
        state = stage.until(lambda state: state.word.key == "needle_in")
        assert state.attempt.began_s == pytest.approx(first_s)
        row = stage.session.wait_newer(-1, 1.0).state.row
        truth = truth_of(NAME)["frames"][row.number]
        assert row.tip_px == pytest.approx(tuple(truth["tip_xy_px"]), abs=0.01)
        assert row.centre_mm == pytest.approx(truth["dist_centre_mm"], abs=0.1)
        assert row.edge_mm == pytest.approx(truth["dist_edge_mm"], abs=0.15)
        assert len(row.target_outline_px) >= 30
        rows = stage.session.rows_since(row.number - 5)
        assert [one.number for one in rows] == list(range(row.number - 4, row.number + 1))


def test_a_difference_is_told_in_words(tmp_path):
    with Stage(tmp_path, scorer=StandInScorer(verdict("miss", 7.0))) as stage:
        card = stage.until(lambda state: state.card is not None and state.card.kind == "checked").card
    assert card.differences[0] == "The recording shows it was a miss; live it looked like a hit."
    assert card.differences[1].startswith("Closest to centre: 7.0 mm by the recording, 0.3")


def test_without_marks_it_asks_for_them_and_takes_those_of_the_page(tmp_path):
    with Stage(tmp_path, setup=Setup(MarkOptions()), hold_at=40) as stage:
        stage.camera.done.wait(60)
        stage.until(lambda state: state.word.key == "marks_needed")
        still = stage.session.still()
        assert still.parent == tmp_path / "recordings"
        marks = (CLIPS / f"{NAME}.marks.json").read_text()
        still.with_name(f"{still.stem}.marks.json").write_text(marks)
        stage.session.take_setup(still)
        stage.go(None)
        stage.until(lambda state: state.setup.ready)
        assert stage.session.state.setup.file == f"{still.stem}.marks.json"


def test_marks_saved_again_are_laid_again_and_those_that_dont_fit_are_told(tmp_path):
    clip = tmp_path / "day.mp4"
    clip.write_bytes((CLIPS / f"{NAME}.mp4").read_bytes())
    file = tmp_path / "day.marks.json"
    text = (CLIPS / f"{NAME}.marks.json").read_text()
    file.write_text(text)
    setup = Setup.of_file(file, MarkOptions())
    with Stage(tmp_path / "out", setup=setup, hold_at=10) as stage:
        stage.camera.done.wait(60)
        file.write_text(text.replace("364.4", "3640.4"))
        state = stage.until(lambda state: state.word.key == "cant_settle")
        assert "outside the frame" in state.word.help
        file.write_text(text.replace("364.4", "364.2"))
        stage.until(lambda state: state.setup.ready and not state.setup.fault)
        stage.until(lambda _: len(stage.followers) == 2)
        assert stage.followers[0].closed


def changed(pictures, change, start, end):
    return [replace(one, pixels=change(one.pixels)) if start <= one.number < end else one for one in pictures]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (np.zeros_like, "too_dark"),
        (lambda pixels: np.ascontiguousarray(pixels[::2, ::2]), "cant_settle"),
    ],
    ids=["light off", "another size"],
)
def test_what_cant_be_followed_is_said_and_goes_on_afterwards(tmp_path, change, word):
    pictures = changed(pictures_of(NAME), change, 10, 30)
    with Stage(tmp_path, pictures=pictures, hold_at=28) as stage:
        stage.camera.done.wait(60)
        assert stage.until(lambda state: state.word.key == word).row is None
        stage.go(40)
        assert stage.until(lambda state: state.word.key in ("ready", "needle_in")).row is not None


def test_a_frozen_picture_is_said(tmp_path):
    first = pictures_of(NAME)[0]
    still = [Picture(number, number / 20, first.pixels) for number in range(50)]
    with Stage(tmp_path, pictures=still, hold_at=45) as stage:
        stage.camera.done.wait(60)
        stage.until(lambda state: state.word.key == "frozen")


def test_a_camera_that_is_gone_in_mid_attempt_loses_nothing(tmp_path):
    first_s, _ = drawn_times()
    with Stage(tmp_path, hold_at=round(first_s * 20) + 40) as stage:
        stage.until(lambda state: state.attempt is not None)
        stage.camera.kind, stage.camera.words = "gone", "The camera is gone; it is tried again."
        state = stage.until(lambda state: state.word.key == "no_picture")
        assert state.word.help == "The camera is gone; it is tried again."
        assert state.attempt is not None
        stage.camera.go(None)  # its clock goes on
        card = stage.until(lambda state: state.card is not None).card
        assert "The picture was gone for long" in card.notes[0]
        # The recording ends beside the card, in either order.
        assert stage.until(lambda _: stage.recorder.made[0].ended_s is not None)


def test_a_disk_that_is_full_stops_recording_not_scoring(tmp_path, monkeypatch):
    def begin(path, from_s):
        raise OutputError("the disk is nearly full; make room.")

    stage = Stage(tmp_path)
    monkeypatch.setattr(stage.recorder, "begin", begin)
    with stage:
        card = stage.until(lambda state: state.card is not None and state.card.fate == "live only").card
    assert card.outcome == "hit"
    assert any("the disk is nearly full" in note for note in card.notes)
    assert list((tmp_path / "recordings").iterdir()) == []


def test_a_clock_on_the_wall_that_steps_back_mixes_nothing_up(tmp_path, monkeypatch):
    """An hour back in mid-attempt, as summer time ends, to the very second at which the first one began."""
    monkeypatch.setattr(session_room, "Book", partial(Book, wall=lambda: datetime(2026, 10, 25, 2, 30)))
    one = pictures_of(NAME)
    length = len(one) / 20
    again = [
        replace(picture, number=len(one) + picture.number, time_s=length + picture.time_s) for picture in one
    ]
    scorer = StandInScorer(verdict(), waits=True)
    with Stage(tmp_path, pictures=[*one, *again], scorer=scorer) as stage:
        stage.until(lambda state: state.attempt is not None or state.card is not None)
        monkeypatch.setattr(time, "time", lambda: 0.0)
        state = stage.until(lambda state: len(state.history) == 2 and len(scorer.dones) == 2)
    second, first = state.history
    assert [card.number for card in (first, second)] == [1, 2]
    assert (first.name, second.name) == ("L01-20261025-023000", "L01-20261025-023000-2")
    assert first.line("duration_s").value == pytest.approx(second.line("duration_s").value, abs=0.11)
    recordings = sorted(path.name for path in (tmp_path / "recordings").glob("*.mkv"))
    assert recordings == sorted(f"{card.name}.mkv" for card in (first, second))


def test_a_recording_that_stops_short_leaves_the_live_score(tmp_path):
    stage = Stage(tmp_path)
    stage.recorder.last_s = drawn_times()[1] - 2.0
    with stage:
        card = stage.until(lambda state: state.card is not None and state.card.fate == "live only").card
    assert any("no room on the disk" in note for note in card.notes)
    assert not (tmp_path / card.name).exists()


def test_closing_in_mid_attempt_keeps_the_recording_with_its_marks(tmp_path):
    first_s, _ = drawn_times()
    with Stage(tmp_path, hold_at=round(first_s * 20) + 40) as stage:
        stage.until(lambda state: state.attempt is not None)
    assert len(list((tmp_path / "recordings").glob("*.mkv"))) == 1
    assert len(list((tmp_path / "recordings").glob("*.marks.json"))) == 1
    again = Stage(tmp_path)
    with again:
        assert any(one.key == "left over" for one in again.session.state.warnings)


def test_a_visitor_leaves_nothing_behind_but_the_try(tmp_path):
    told = []
    how = {"visitor": True, "scored": told.append, "scorer": StandInScorer(verdict())}
    with Stage(tmp_path, hold_at=5, **how) as stage:
        stage.camera.done.wait(60)
        stage.session.set_nickname("  Quintessenz\x00 of the  long name")
        assert stage.session.state.visitor.nickname == "Quintessenz of the l"
        stage.go(None)
        state = stage.until(lambda state: state.word.key == "sharps")
        assert "sharps box" in state.word.help
        card = stage.until(lambda state: state.card is not None and state.card.kind == "checked").card
        assert told == [tmp_path / card.name]
        assert card.learner is None
        stage.session.next_visitor()
        state = stage.session.state
        assert (state.card, state.history, state.visitor.nickname, state.visitor.caution) == (
            None,
            (),
            "",
            "",
        )
    for path in tmp_path.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert b"Quintessenz" not in content, path
            assert b"L01" not in content, path
            assert b"One pass from the left" not in content, path


def test_a_try_to_be_forgotten_leaves_no_file(tmp_path):
    with Stage(tmp_path, scorer=StandInScorer(verdict())) as stage:
        stage.until(lambda state: state.card is not None and state.card.kind == "checked")
        stage.session.forget_try()
        stage.until(lambda state: state.card is None)
        stage.session._book._hand.submit(lambda: None).result()
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_a_try_forgotten_while_its_recording_is_scored_leaves_no_file(tmp_path):
    scorer = StandInScorer(verdict(), waits=True)
    with Stage(tmp_path, scorer=scorer) as stage:
        stage.until(lambda state: state.card is not None and scorer.dones)
        stage.session.forget_try()
        stage.until(lambda state: state.card is None)
        for done in scorer.dones:
            done()
        stage.session._book._hand.submit(lambda: None).result()
        assert stage.session.state.history == ()
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_forgotten_while_it_runs_it_is_dropped(tmp_path):
    first_s, _ = drawn_times()
    with Stage(tmp_path, hold_at=round(first_s * 20) + 40) as stage:
        stage.until(lambda state: state.attempt is not None)
        stage.session.forget_try()
        stage.until(lambda state: state.attempt is None and stage.recorder.dropped)
        stage.go(None)
        time.sleep(0.2)
        assert stage.session.state.card is None
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_a_defect_of_the_tracker_ends_no_session(tmp_path, capsys):
    stage = Stage(tmp_path, hold_at=60)
    broken = threading.Event()
    see = TruthFollower.see

    def once(self, number, time_s, picture):
        if not broken.is_set():
            broken.set()
            raise ZeroDivisionError("on purpose")
        return see(self, number, time_s, picture)

    with pytest.MonkeyPatch.context() as patch, stage:
        patch.setattr(TruthFollower, "see", once)
        stage.until(lambda state: state.row is not None)
        assert len(stage.followers) == 2
    assert "on purpose" in capsys.readouterr().err
