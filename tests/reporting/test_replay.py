"""Replay: opens elsewhere, keeps the clip's time, marks the tip where it is."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import av
import cv2
import numpy as np
import pytest

from needlecoach.errors import ClipError, OutputError
from needlecoach.model import Frame
from needlecoach.reporting.overlay import BAR_HEIGHT_PX, SEEN, Overlay
from needlecoach.reporting.replay import MAX_SIDE_PX, read_ahead, replay_stamps_ms, stills, write_replay


def read_all(path):
    """Pictures and times in ms of a video, as another program sees them."""
    capture = cv2.VideoCapture(str(path))
    pictures, stamps = [], []
    while True:
        ok, picture = capture.read()
        if not ok:
            break
        pictures.append(picture)
        stamps.append(capture.get(cv2.CAP_PROP_POS_MSEC))
    capture.release()
    return pictures, np.array(stamps)


@pytest.fixture(scope="module")
def watched(tmp_path_factory):
    """Folder shared by the tests of one written replay."""
    return tmp_path_factory.mktemp("replay") / "replay.webm"


def test_replay_holds_every_frame_at_its_time(card, watched):
    calls = []
    write_replay(card, watched, lambda done, total: calls.append((done, total)))
    pictures, stamps = read_all(watched)
    assert len(pictures) == 75
    assert stamps == pytest.approx(card.track.time_s * 1000, abs=1)
    assert calls[0] == (1, 75) and calls[-1] == (75, 75)


def test_tip_is_marked_where_it_is(card, watched):
    if not watched.exists():
        write_replay(card, watched)
    pictures, _ = read_all(watched)
    painter = Overlay(card, max_side_px=MAX_SIDE_PX)
    for index in (33, 37):
        x, y = painter.to_picture(card.track.tip_px[index]).round().astype(int)
        # Compression blurs colour: blue well above red is the mark, grey has them alike.
        blue, _, red = pictures[index][y - 2 : y + 3, x - 2 : x + 3].reshape(-1, 3).mean(axis=0)
        assert blue - red > 0.5 * (SEEN[0] - SEEN[2])
    blue, _, red = pictures[0][y - 2 : y + 3, x - 2 : x + 3].reshape(-1, 3).mean(axis=0)
    assert abs(blue - red) < 12


def test_replay_shows_the_region_only(card, watched):
    if not watched.exists():
        write_replay(card, watched)
    pictures, _ = read_all(watched)
    # The region is 240 x 200 px, enlarged 2.5 times, with a strip below.
    assert pictures[0].shape == (500 + BAR_HEIGHT_PX, 600, 3)


def test_uneven_times_are_kept(card, tmp_path):
    steps = np.where(np.arange(75) % 3 == 0, 0.12, 0.035)
    uneven = replace(card, track=replace(card.track, time_s=np.cumsum(steps) + 5.0))
    write_replay(uneven, tmp_path / "r.webm")
    _, stamps = read_all(tmp_path / "r.webm")
    expected = (uneven.track.time_s - uneven.track.time_s[0]) * 1000
    assert stamps == pytest.approx(expected, abs=1)


def test_fast_clips_are_thinned_to_about_thirty_a_second(card):
    fast = replace(card, track=replace(card.track, time_s=np.arange(75) / 120))
    stamps = replay_stamps_ms(fast)
    assert list(stamps)[:4] == [0, 4, 8, 12]
    assert stamps[72] == 600


def test_a_rate_just_above_thirty_is_not_halved(card):
    quick = replace(card, track=replace(card.track, time_s=np.arange(75) / 31))
    assert len(replay_stamps_ms(quick)) == 75


def test_stills_are_the_frames_asked_for(card):
    pictures = stills(card, [37, 5, 37])
    assert sorted(pictures) == [5, 37]
    picture = cv2.imdecode(np.frombuffer(pictures[37], np.uint8), cv2.IMREAD_COLOR)
    painter = Overlay(card, max_side_px=840)
    assert picture.shape[1::-1] == painter.size_px
    x, y = painter.to_picture(card.track.tip_px[37]).round().astype(int)
    assert picture[y, x].astype(int) @ (1, 0, -1) > 60
    assert stills(card, []) == {}


def test_stills_read_ahead_are_not_read_again(card):
    read: dict[int, Frame] = {}
    read_ahead(card, [37, 5, 37], read)
    assert sorted(read) == [5, 37]
    gone = replace(card, clip=replace(card.clip, path=Path("gone.mp4")))
    assert stills(gone, [37, 5], read) == stills(card, [5, 37])
    read_ahead(gone, [3], read)  # told only when the frame is needed
    assert sorted(read) == [5, 37]


def test_no_more_is_read_ahead_than_little_memory_holds(card, monkeypatch):
    monkeypatch.setattr("needlecoach.reporting.replay.AHEAD_BYTES", 2 * 320 * 240)
    read: dict[int, Frame] = {}
    read_ahead(card, [1, 2, 3], read)
    read_ahead(card, [4], read)
    assert sorted(read) == [1, 2]


def test_folder_of_images_is_replayed_at_the_rate_given(card, tmp_path):
    folder = tmp_path / "images"
    folder.mkdir()
    for number in range(3):
        cv2.imwrite(str(folder / f"{number:03}.png"), np.full((240, 320), 40 * number, np.uint8))
    rows = {name: getattr(card.track, name)[:3] for name in card.track.__dataclass_fields__}
    track = replace(card.track, **{**rows, "time_s": np.arange(3) / 2.0})
    clip = replace(card.clip, path=folder, kind="images", n_frames=3, nominal_fps=2.0)
    write_replay(replace(card, clip=clip, track=track), tmp_path / "r.webm")
    pictures, stamps = read_all(tmp_path / "r.webm")
    assert stamps == pytest.approx([0, 500, 1000], abs=1)
    assert [picture[20, 20].mean() for picture in pictures] == pytest.approx([0, 40, 80], abs=6)


def test_clip_that_has_gone_is_a_clip_error(card):
    gone = replace(card, clip=replace(card.clip, path=Path("gone.mp4")))
    with pytest.raises(ClipError, match=r"gone\.mp4"):
        stills(gone, [3])


@pytest.mark.parametrize("at", [3, 74])
def test_fault_of_the_encoder_is_one_line_and_leaves_no_file(card, tmp_path, monkeypatch, at):
    """It works beside the drawing: its fault must come through, with the last picture too."""
    encode = av.VideoFrame.from_ndarray
    encoded = []

    def breaks(picture, **more):
        encoded.append(picture)
        if len(encoded) == at + 1:
            raise av.FFmpegError(1, "no luck")
        return encode(picture, **more)

    monkeypatch.setattr(av, "VideoFrame", SimpleNamespace(from_ndarray=breaks))
    with pytest.raises(OutputError, match=r"can't be encoded .*no luck"):
        write_replay(card, tmp_path / "r.webm")
    assert list(tmp_path.iterdir()) == []


def test_replay_is_the_same_each_time(card, tmp_path):
    films = [tmp_path / "a.webm", tmp_path / "b.webm"]
    for film in films:
        write_replay(card, film)
    first, second = (np.array(read_all(film)[0]) for film in films)
    assert (first == second).all()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_full_disk_is_an_os_error(card):
    with pytest.raises(OSError, match="No space left"):
        write_replay(card, Path("/dev/full"))
