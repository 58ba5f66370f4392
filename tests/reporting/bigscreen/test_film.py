"""Films from the invented clip: the region alone, the times of its frames, everything drawn where it is."""

import io
from dataclasses import replace

import av
import numpy as np
import pytest

from needlecoach.clips import open_clip
from needlecoach.errors import ClipError
from needlecoach.reporting.bigscreen.film import SLOW_AFTER_S, SLOW_BEFORE_S, film_of
from needlecoach.reporting.bigscreen.tries import tries_of
from needlecoach.reporting.pagedata import page_data
from needlecoach.reporting.tables import attempts_table
from tests.reporting.conftest import BOX, CENTRE, DEEPEST, ENTRY, FIRST, FPS, RADII, core_card


def filmed(card, corners=None, **changes):
    page = {**page_data(card), **changes}
    (one,), _ = tries_of(page, attempts_table(card), "olive")
    with open_clip(card.clip.path) as reader:
        return film_of(reader, page, one, corners)


def pictures(video):
    with av.open(io.BytesIO(video)) as container:
        return [(frame.time, frame.to_ndarray(format="gray")) for frame in container.decode(video=0)]


def share(point_px):
    """A point of the frame as shares of the region's picture; a pixel's place is its middle."""
    return (np.array(point_px) - BOX[:2] + 0.5) / BOX[2:]


@pytest.fixture(scope="module")
def film(clip_file):
    from tests.reporting.conftest import invented_card

    return filmed(invented_card(clip_file))


def test_the_film_holds_the_region_from_before_the_entry_to_after_the_closest_frame(film):
    shown = pictures(film.video)
    assert shown[0][1].shape == (BOX[3], BOX[2])
    # The needle comes in in frame 10, after 0.4 s: less than the lead, so the film begins with the clip.
    assert len(shown) == 37 + round(SLOW_AFTER_S * FPS) + 1
    assert [time for time, _ in shown] == pytest.approx([i / FPS for i in range(len(shown))], abs=2e-3)
    assert film.drawn["time_s"] == pytest.approx([i / FPS for i in range(len(shown))], abs=2e-3)
    assert film.drawn["decisive_s"] == pytest.approx(37 / FPS, abs=2e-3)
    assert film.drawn["slow_from_s"] == pytest.approx(max(37 / FPS - SLOW_BEFORE_S, 0), abs=2e-3)
    assert film.drawn["first"] == FIRST


def test_nothing_from_outside_the_region_is_in_the_film(film, card):
    # The clip has bright writing at the upper left, outside; inside is speckle under 70 and the needle.
    assert max(picture[:12, :20].max() for _, picture in pictures(film.video)) < 110
    kept_whole = replace(card, options={**card.options, "keep_screen": True})
    assert pictures(filmed(kept_whole).video)[0][1].shape == (BOX[3], BOX[2])


def test_outside_a_region_that_is_no_rectangle_the_film_is_black(card):
    triangle = [[40.0, 20.0], [279.0, 20.0], [40.0, 219.0]]
    shown = np.stack([picture for _, picture in pictures(filmed(card, outline_px=triangle).video)])
    assert shown[:, 120:, 140:].max() < 24  # black is 16 in a video (ITU-R BT.601), coded with some loss
    assert shown[:, :90, :90].mean() > 35


def test_tip_target_and_line_lie_where_they_are(film):
    drawn = film.drawn
    assert drawn["tip"][37] == pytest.approx(share(DEEPEST), abs=1e-3)
    assert drawn["entry"][37] == pytest.approx(share(ENTRY), abs=1e-3)
    assert drawn["tip"][FIRST - 1] is None
    assert drawn["target"][0] == pytest.approx(share(CENTRE), abs=1e-3)
    assert np.abs(drawn["outline"]).max(axis=0) == pytest.approx(np.array(RADII) / BOX[2:], rel=0.01)
    assert [i for i, seen in enumerate(drawn["seen"]) if not seen and i >= FIRST] == [20, 21, 22, 23, 24]
    # A hit is told from the middle.
    np.testing.assert_allclose(drawn["line"], [share(DEEPEST), share(CENTRE)], atol=1e-3)
    # The tip's echo in the video lies where it is drawn.
    picture = pictures(film.video)[30][1]
    x, y = np.round(np.array(drawn["tip"][30]) * BOX[2:] - 0.5).astype(int)
    assert picture[y - 1 : y + 2, x - 4 : x].max() > 120


def test_a_miss_is_drawn_to_the_nearest_place_of_the_rim(card):
    attempt = replace(card.attempts[0], closest_frame=30, outcome="miss")
    drawn = filmed(replace(card, attempts=(attempt,))).drawn
    tip, end = np.array(drawn["line"]) * BOX[2:]
    centre = np.array(drawn["target"][30]) * BOX[2:]
    # On the ellipse, and square to it: the way to the nearest point of a curve is along its normal.
    across = (end - centre) / np.square(RADII)
    assert np.sum(np.square((end - centre) / RADII)) == pytest.approx(1, abs=0.02)
    cosine = (tip - end) @ across / np.linalg.norm(tip - end) / np.linalg.norm(across)
    assert cosine == pytest.approx(1, abs=0.02)


def test_a_core_needles_notch_is_drawn(clip_file):
    drawn = filmed(core_card(clip_file, fired=True)).drawn
    i = drawn["time_s"].index(drawn["decisive_s"])
    near, far, tip = (np.array(drawn[name][i]) * BOX[2:] for name in ("notch_near", "notch_far", "tip"))
    # 3 and 11 mm behind the point at 0.2 mm per px.
    assert np.linalg.norm(tip - near) * 0.2 == pytest.approx(3.0, abs=0.05)
    assert np.linalg.norm(tip - far) * 0.2 == pytest.approx(11.0, abs=0.05)
    assert drawn["line"] is None


def test_a_moving_camera_s_frames_are_laid_on_the_first(card):
    n = len(card.track)
    base = np.array([[0, 0], [319, 0], [319, 239], [0, 239]], dtype=float)
    shift = np.stack([np.arange(n) * 0.5, np.zeros(n)], axis=-1)
    drawn = filmed(card, base + shift[:, None, :]).drawn
    # A place that stands still in the frame drifts to the left on the screen, which moves to the right.
    moved = [share(np.array(DEEPEST) - shift[37]), share(np.array(CENTRE) - shift[30])]
    assert drawn["tip"][37] == pytest.approx(moved[0], abs=1e-3)
    assert drawn["target"][30] == pytest.approx(moved[1], abs=1e-3)


def test_a_recording_shorter_than_its_result_is_told(card):
    page = page_data(card)
    (one,), _ = tries_of(page, attempts_table(card), "olive")
    with open_clip(card.clip.path) as reader:
        reader.decode = lambda **_: iter(())
        with pytest.raises(ClipError, match="fewer frames"):
            film_of(reader, page, one, None)
