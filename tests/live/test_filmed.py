"""A session on a camera that looks at the screen askew: a sample clip laid into frames by known homographies.

They, and so where everything lies in the camera's frames, are drawn (invented).
"""

import cv2
import numpy as np
import pytest
from stand_ins import (
    CopyingRecorder,
    Picture,
    PlayedCamera,
    StandInScorer,
    TruthFollower,
    pictures_of,
    truth_of,
    until_of,
    verdict,
)

from needlecoach.live.session import Session
from needlecoach.live.setup import Setup
from needlecoach.live.words import state_word
from needlecoach.marks import MarkOptions, read_marks
from needlecoach.model import Scale, Target
from needlecoach.scored import Wish
from needlecoach.screen.register import mapped

NAME = "clean_hit"
SIZE = (960, 720)
FPS = 20.0
OWN = np.array([[0, 0], [639, 0], [639, 479], [0, 479]], dtype=np.float32)
MM_PER_PX = 0.118


def homography(number: int) -> np.ndarray:
    """From px of the scanner's screen to the camera's frame, which shakes a little."""
    shake = 2.0 * np.array([np.sin(number / 9), np.cos(number / 13) - 1])
    corners = np.array([[140, 95], [830, 120], [815, 640], [150, 615]]) + shake
    return cv2.getPerspectiveTransform(OWN, corners.astype(np.float32))


def filmed(picture: Picture, ground: np.ndarray) -> Picture:
    """The screen with a dark rim before a grey wall."""
    h = homography(picture.number)
    frame = ground.copy()
    rim = mapped(h, np.array([[-14, -14], [653, -14], [653, 493], [-14, 493]], dtype=float))
    cv2.fillConvexPoly(frame, np.rint(rim).astype(np.int32), (12, 12, 12))
    inside = np.full(picture.pixels.shape[:2], 255, np.uint8)
    screen = cv2.warpPerspective(picture.pixels, h, SIZE)
    where = cv2.warpPerspective(inside, h, SIZE)[..., None] / 255.0
    mixed = np.rint(frame * (1 - where) + screen * where).astype(np.uint8)
    return Picture(picture.number, picture.time_s, mixed)


@pytest.fixture(scope="module")
def pictures():
    rng = np.random.default_rng(3)
    wall = cv2.GaussianBlur(rng.integers(90, 170, (SIZE[1], SIZE[0], 3), dtype=np.uint8), (0, 0), 5)
    return [filmed(one, wall) for one in pictures_of(NAME)]


@pytest.fixture
def setup(pictures, tmp_path):
    """A still of the first frames, and options in its px."""
    clip = tmp_path / "day.avi"
    writer = cv2.VideoWriter(str(clip), cv2.VideoWriter_fourcc(*"MJPG"), FPS, SIZE)
    for one in pictures[:24]:
        writer.write(one.pixels)
    writer.release()
    h = homography(0)
    outline = Target.from_ellipse((364.4, 246.9), (33.9, 33.9)).outline_px
    ends = mapped(h, np.array([(498.0, 52.0), (498.0, 390.98)]))
    corners = tuple((float(x), float(y)) for x, y in mapped(h, OWN.astype(float)))
    options = MarkOptions(
        target=Target(mapped(h, outline)),
        scale=Scale.from_points(tuple(ends[0]), tuple(ends[1]), mm=40.0),
        screen=corners,
    )
    return Setup(options, clip=clip)


class StraightTruth(TruthFollower):
    """The truth in px of the straight picture, whose size the session settles."""

    def __init__(self, laid_size):
        super().__init__(NAME)
        self.factor = (np.array(laid_size) - 1) / (639, 479)

    def see(self, number, time_s, picture):
        row = super().see(number, time_s, picture)
        for place in ("tip_px", "entry_px", "target_px"):
            object.__setattr__(row, place, getattr(row, place) * self.factor)
        return row


@pytest.fixture
def session(pictures, setup, tmp_path):
    camera = PlayedCamera(pictures, hold_at=0)
    recorder = CopyingRecorder(setup.clip)
    made = Session(
        camera,
        recorder,
        setup=setup,
        out=tmp_path / "out",
        wish=Wish(replay=False),
        scorer=StandInScorer(verdict()),
        follower_of=lambda *_: StraightTruth(made._setup_size()),
    )
    made._setup_size = lambda: made._pending.filmed.straight.size_px
    take_laid = made._setup.take_laid

    def kept():
        laid = take_laid()
        made._pending = laid or made._pending
        return laid

    made._pending = None
    made._setup.take_laid = kept
    made.start()
    yield made, camera, recorder
    made.close(patience_s=0.0)


def test_what_is_followed_on_the_straight_screen_is_drawn_on_the_askew_one(session, tmp_path):
    live, camera, _ = session
    until_of(live, lambda state: state.setup.ready or state.setup.fault)
    assert live.state.setup.fault == ""
    camera.go(90)
    camera.done.wait(60)
    row = until_of(live, lambda state: state.number == 89).row
    truth = truth_of(NAME)["frames"][89]
    there = mapped(homography(89), np.array([truth["tip_xy_px"], truth["target"]["centre_px"]]))
    assert row.tip_px == pytest.approx(tuple(there[0]), abs=1.5)
    assert row.target_px == pytest.approx(tuple(there[1]), abs=1.5)
    assert np.mean(row.target_outline_px, axis=0) == pytest.approx(there[1], abs=2.0)
    assert row.centre_mm == pytest.approx(truth["dist_centre_mm"], abs=0.15)
    # The recording's marks are those of its own first frame: some way into the clip the screen has moved.
    path = next((tmp_path / "out" / "recordings").glob("*.marks.json"))
    marks = read_marks(path)
    first = truth_of(NAME)["frames"][0]["target"]["centre_px"]
    assert marks.target.centre_px == pytest.approx(tuple(mapped(homography(0), np.array(first))), abs=1.5)
    assert np.array(marks.screen) == pytest.approx(mapped(homography(0), OWN.astype(float)), abs=1.5)


def test_a_screen_out_of_view_is_said(session, capfd):
    live, camera, _ = session
    until_of(live, lambda state: state.setup.ready)
    wall = np.full((SIZE[1], SIZE[0], 3), 120, np.uint8)
    camera.pictures[5:70] = [Picture(one.number, one.time_s, wall) for one in camera.pictures[5:70]]
    camera.go(69)
    camera.done.wait(60)
    said = until_of(live, lambda state: state.number == 68 and state.word.key == "screen_out_of_view")
    assert said.word == state_word("screen_out_of_view")
    assert said.row is None
    camera.go(80)
    until_of(live, lambda state: state.row is not None)
    assert capfd.readouterr().err == ""
