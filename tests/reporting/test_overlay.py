"""Overlay: marks lie where the track says, and nothing outside the region is shown."""

from dataclasses import replace

import numpy as np
import pytest

from needlecoach.model import Frame, Region
from needlecoach.reporting.overlay import BAR_HEIGHT_PX, BESIDE_PX, INFERRED, NOTCH, SEEN, TARGET, Overlay
from needlecoach.reporting.replay import overlay
from tests.reporting.conftest import DEEPEST, WAY, core_card

TIP = np.array([160.0, 120.0])


@pytest.fixture
def black() -> Frame:
    return Frame(0, 0.0, np.zeros((240, 320), np.uint8))


def distance_from(picture, colour):
    """Mean distance in BGR of each pixel from a colour."""
    return np.abs(picture.astype(int) - colour).mean(axis=-1)


def centre_of(picture, colour):
    """Mean (x, y) of the pixels that have nearly that colour."""
    y, x = np.nonzero(distance_from(picture, colour) < 12)
    assert len(x), "that colour is not in the picture"
    return np.array([x.mean(), y.mean()])


def alone(card, index=37, **changes):
    """The card with no target and a shaft of no length, so that only the tip's mark is drawn."""
    tip = card.track.tip_px.copy()
    tip[index] = TIP
    track = replace(card.track, tip_px=tip, entry_px=tip, **changes)
    return replace(card, track=track, marks=replace(card.marks, target=None))


# By hand: corner of the region at (40, 20), enlarged 600 / 240 = 2.5 times, pixel centres at whole numbers.
TIP_IN_PICTURE = ((160 - 40 + 0.5) * 2.5 - 0.5, (120 - 20 + 0.5) * 2.5 - 0.5)


def drawn_share_of_ring(picture) -> float:
    """Share of the circle round the tip's mark on which anything is drawn."""
    turn = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    x = np.round(TIP_IN_PICTURE[0] + 9 * np.cos(turn)).astype(int)
    y = np.round(TIP_IN_PICTURE[1] + 9 * np.sin(turn)).astype(int)
    return float((picture[y, x].max(axis=-1) > 120).mean())


def test_mark_of_a_seen_tip_is_a_full_ring_on_the_tip(card, black):
    picture = Overlay(alone(card), max_side_px=600).draw(black, 37)[:-BAR_HEIGHT_PX]
    assert centre_of(picture, SEEN) == pytest.approx(TIP_IN_PICTURE, abs=0.5)
    x, y = np.round(TIP_IN_PICTURE).astype(int)
    assert distance_from(picture[y, x], SEEN) < 12
    assert drawn_share_of_ring(picture) == 1.0


def test_mark_of_an_inferred_tip_is_a_broken_ring_with_nothing_in_it(card, black):
    hidden = card.track.tip_visible.copy()
    hidden[37] = False
    picture = Overlay(alone(card, tip_visible=hidden), max_side_px=600).draw(black, 37)[:-BAR_HEIGHT_PX]
    assert centre_of(picture, INFERRED) == pytest.approx(TIP_IN_PICTURE, abs=1.5)
    x, y = np.round(TIP_IN_PICTURE).astype(int)
    assert picture[y, x].max() == 0
    assert 0.3 < drawn_share_of_ring(picture) < 0.85


def test_picture_and_marks_use_the_same_places(card):
    pixels = np.zeros((240, 320), np.uint8)
    pixels[120, 160] = 255
    picture = Overlay(card, max_side_px=600).draw(Frame(0, 0.0, pixels), 0)[: 500 - 100]
    bright = np.where(distance_from(picture, TARGET) < 60, 0, picture[..., 1]).astype(float)
    y, x = np.mgrid[235:268, 285:318]
    weights = bright[235:268, 285:318]
    found = ((x * weights).sum() / weights.sum(), (y * weights).sum() / weights.sum())
    assert found == pytest.approx(TIP_IN_PICTURE, abs=0.3)


def test_frame_without_needle_shows_no_needle(card, black):
    picture = overlay(black, card, 0)[:-BAR_HEIGHT_PX]
    assert (distance_from(picture, SEEN) < 12).sum() == 0
    assert (distance_from(picture, INFERRED) < 12).sum() == 0


def test_outline_follows_the_target(card, black):
    moved = card.track.target_px.copy()
    moved[0] += (12.0, -7.0)
    followed = replace(card, track=replace(card.track, target_px=moved))
    painter = Overlay(followed, max_side_px=720)
    picture = painter.draw(black, 0)[:-BAR_HEIGHT_PX]
    assert centre_of(picture, TARGET) == pytest.approx(painter.to_picture(moved[0]), abs=1.0)


def test_outline_of_a_lost_target_is_broken(card, black):
    lost = replace(card, track=replace(card.track, target_found=np.zeros(75, bool)))
    counts = [(distance_from(overlay(black, one, 0), TARGET) < 12).sum() for one in (card, lost)]
    assert 0 < counts[1] < 0.8 * counts[0]


def test_writing_outside_a_sector_is_black(card):
    white = Frame(0, 0.0, np.full((240, 320), 255, np.uint8))
    sector = Region("sector", (40, 20, 240, 200), (160.0, -40.0), 70.0, 255.0, 28.0)
    painter = Overlay(replace(card, region=sector), max_side_px=720)
    picture = painter.draw(white, 0)
    inside, outside = painter.to_picture(np.array([[160.0, 60.0], [44.0, 24.0]])).round().astype(int)
    assert picture[inside[1], inside[0]].min() == 255
    assert picture[outside[1], outside[0]].max() == 0


def test_scale_bar_is_as_long_as_it_says(card, black):
    painter = Overlay(card, max_side_px=720)
    bar = painter.draw(black, 0)[-BAR_HEIGHT_PX:]
    row = bar[BAR_HEIGHT_PX // 2, :, 0] > 180
    ends = np.flatnonzero(np.diff(np.concatenate([[False], row, [False]]).astype(int)))
    longest = np.diff(ends.reshape(-1, 2), axis=1).max()
    # 2.5 px of the picture to one of the frame at 0.2 mm: 12.5 px to the millimetre; 5 mm fit.
    assert longest == pytest.approx(5 * 12.5, abs=4)


def test_picture_has_even_sides_and_at_most_the_side_asked_for(card):
    for box in ((40, 20, 241, 199), (0, 0, 320, 240), (-1, 5, 40, 31)):
        width, height = Overlay(replace(card, region=Region("rectangle", box)), max_side_px=720).size_px
        assert width % 2 == height % 2 == 0
        assert max(width, height - BAR_HEIGHT_PX) <= 720


def test_the_notch_is_a_bracket_beside_its_stretch_of_the_shaft(card, black, clip_file):
    painter = Overlay(core_card(clip_file), max_side_px=600)
    picture = painter.draw(black, 37)[:-BAR_HEIGHT_PX]
    # 3 to 11 mm behind the point are 15 to 55 px; its middle lies beside 35 px, on the upper side.
    beside = painter.to_picture(DEEPEST - 35 * WAY) + np.array([WAY[1], -WAY[0]]) * BESIDE_PX
    y, x = np.nonzero(distance_from(picture, NOTCH) < 12)
    along = np.stack([x, y], axis=-1) @ WAY
    assert (along.min() + along.max()) / 2 == pytest.approx(beside @ WAY, abs=1.5)
    # 8 mm at 0.2 mm per px, enlarged 2.5 times.
    assert np.ptp(along) == pytest.approx(8 / 0.2 * 2.5, abs=3)
    assert np.array([x.mean(), y.mean()]) == pytest.approx(beside, abs=2.5)
    for other, frame in ((card, 37), (core_card(clip_file), 11)):
        drawn = Overlay(other, max_side_px=600).draw(black, frame)[:-BAR_HEIGHT_PX]
        assert (distance_from(drawn, NOTCH) < 12).sum() == 0


def test_the_bar_says_fired_from_the_firing_on(black, clip_file):
    painter = Overlay(core_card(clip_file, fired=True), max_side_px=720)
    drawn = [(distance_from(painter.draw(black, n)[-BAR_HEIGHT_PX:], NOTCH) < 12).any() for n in (37, 38, 60)]
    assert drawn == [False, True, True]
