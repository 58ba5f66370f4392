"""A session over a real stream: camera thread, recorder and scoring are real, the tracker tells the truth.

The stream's pictures carry their numbers outside the ultrasound picture, by which the truth is looked up.
"""

import json

import pandas as pd
import pytest
from stand_ins import CLIPS, TruthFollower, setup_of, truth_of, until_of
from streams import MjpegServer, number_in

from needlecoach.clips.capture import open_source
from needlecoach.clips.recorder import Recorder
from needlecoach.live.session import Session
from needlecoach.marks import read_marks
from needlecoach.scored import Wish

NAME = "clean_hit"


class NumberedCamera:
    """A camera that keeps the numbers drawn into its pictures."""

    def __init__(self, source):
        self.source, self.numbers = source, {}

    @property
    def state(self):
        return self.source.state

    def now_s(self):
        return self.source.now_s()

    def wait_newer(self, than, timeout_s, **how):
        captured = self.source.wait_newer(than, timeout_s, **how)
        if captured is not None:
            self.numbers[captured.number] = number_in(captured.pixels)
        return captured


class NumberedFollower(TruthFollower):
    def __init__(self, camera):
        super().__init__(NAME)
        self.camera = camera

    def see(self, number, time_s, picture):
        row = super().see(self.camera.numbers[number], time_s, picture)
        object.__setattr__(row, "number", number)
        return row


def is_followed(state):
    return state.word.key in ("ready", "needle_in", "tip_hidden")


@pytest.fixture
def live(tmp_path):
    """A session on a stream that plays the sample clip over and over."""
    server = MjpegServer(CLIPS / f"{NAME}.mp4", numbered=True)
    with server, open_source(server.address) as source, Recorder() as recorder:
        source.subscribe(recorder.see)
        camera = NumberedCamera(source)
        session = Session(
            camera,
            recorder,
            setup=setup_of(NAME),
            out=tmp_path,
            wish=Wish(replay=False),
            follower_of=lambda *_: NumberedFollower(camera),
        )
        session.start()
        try:
            yield server, session, recorder
        finally:
            session.close(patience_s=0.0)


def test_an_attempt_over_a_stream_gets_its_card_and_its_recording_scores_the_same(live, tmp_path):
    _, session, recorder = live
    until_of(session, lambda state: state.attempt is not None and state.attempt.lasted_s < 2)
    number = session.state.attempt.number
    until_of(session, lambda state: state.row is not None and state.row.sight == "none")
    card = until_of(session, lambda state: state.card is not None and state.card.number == number).card
    assert card.kind == "live"
    checked = until_of(
        session, lambda state: any(one.number == number and one.kind == "checked" for one in state.history)
    )
    card = next(one for one in checked.history if one.number == number)
    assert recorder.state.lost == 0
    closest_mm = min(one["dist_centre_mm"] for one in truth_of(NAME)["frames"] if one["tip_xy_px"])
    assert card.outcome == "hit"
    assert card.line("closest_centre_mm").value == pytest.approx(closest_mm, abs=0.6)
    folder = tmp_path / card.folder
    run = json.loads((folder / "run.json").read_text())
    assert run["result"]["attempts"] == 1
    # The recording begins 5 s and up to a key frame's way before the needle comes; of the first attempt that
    # is before the stream was opened, and the needle comes in after 1.5 s of the clip.
    assert 1.2 < pd.read_csv(folder / "attempts.csv").start_s[0] < 7.0
    # The target is marked where it was drawn in some frame of the clip.
    marks = read_marks(tmp_path / "recordings" / f"{card.name}.marks.json")
    drawn = [one["target"]["centre_px"] for one in truth_of(NAME)["frames"]]
    nearest_px = min(abs(complex(*marks.target.centre_px) - complex(*one)) for one in drawn)
    assert nearest_px < 0.1
    live_track, track = (pd.read_csv(folder / name) for name in ("live_track.csv", "track.csv"))
    both = live_track.merge(track, on="frame", suffixes=("_live", ""))
    assert len(both) > 0.9 * len(live_track)
    # A frame lasts 50 ms.
    assert (both.time_s_live - both.time_s).abs().median() < 0.002
    assert (both.time_s_live - both.time_s).abs().max() < 0.025


def test_a_stall_and_a_pulled_plug_are_said_and_what_comes_back_is_followed(live):
    server, session, _ = live
    until_of(session, is_followed)
    server.stall(5.0)
    until_of(session, lambda state: state.word.key == "no_picture")
    until_of(session, is_followed)
    server.stop()
    until_of(session, lambda state: state.word.key == "no_picture")
    server.start_again()
    until_of(session, is_followed)
