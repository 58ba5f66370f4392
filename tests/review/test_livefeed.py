"""Pictures on their way to pages: whole parts, the newest only, no more than a page draws."""

import asyncio
import contextlib
import json
import struct
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest

from needlecoach.review import livefeed
from needlecoach.review.livefeed import MOST_ON_THE_WAY, Feed, packed
from tests.practices import ByHand


def unpacked(part):
    """Head and picture of one part, by the struct module's own reading of big-endian lengths."""
    (n_head,) = struct.unpack(">I", part[:4])
    head = json.loads(part[4 : 4 + n_head])
    (n_jpeg,) = struct.unpack(">I", part[4 + n_head : 8 + n_head])
    jpeg = part[8 + n_head :]
    assert len(jpeg) == n_jpeg
    return head, jpeg


def in_a_loop(run):
    """Run it in a thread: a browser's test of the same session leaves a loop running in this one."""
    with ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(run())).result()


@pytest.fixture
def practice():
    return ByHand()


@contextlib.asynccontextmanager
async def opened(practice, n_pages=1):
    """A feed with so many open pages, each past its first part, which brings the state alone."""
    feed = Feed(practice)
    streams = [feed.stream() for _ in range(n_pages)]
    try:
        keys = []
        for stream in streams:
            head, jpeg = unpacked(await anext(stream))
            assert jpeg == b"" and head["state"]["word"]["key"] == "ready"
            keys.append(head["page"])
        yield feed, list(zip(keys, streams, strict=True))
    finally:
        for stream in streams:
            await stream.aclose()
        feed.close()


async def picture_of(stream, within_s=2.0):
    """The next part that brings a picture."""
    async with asyncio.timeout(within_s):
        while True:
            head, jpeg = unpacked(await anext(stream))
            if jpeg:
                return head, jpeg


def test_a_part_is_what_was_put_in():
    assert unpacked(packed({"a": "ä"}, b"xyz")) == ({"a": "ä"}, b"xyz")
    with pytest.raises(ValueError):
        packed({"a": float("nan")}, b"")  # which no browser reads


def test_a_picture_comes_with_what_was_found_in_it(practice):
    async def run():
        async with opened(practice) as (_, [(_, stream)]):
            shown = practice.play(75)
            head, jpeg = await picture_of(stream)
            assert head["number"] == 75 and head["size_px"] == [640, 480]
            assert head["row"]["sight"] == "seen"
            assert head["row"]["tip_px"] == pytest.approx(shown.state.row.tip_px)
            found = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
            left, top, width, height = head["box_px"]
            part = shown.pixels[top : top + height, left : left + width]
            assert np.abs(found.astype(int) - part).mean() < 3
            assert [row[0] for row in head["rows"]] == [2.5]

    in_a_loop(run)


def test_only_the_ultrasound_picture_is_sent_unless_a_page_shows_all(practice):
    async def run():
        async with opened(practice) as (feed, [(key, stream)]):
            shown = practice.play(60)
            head, _ = await picture_of(stream)
            left, top, width, height = head["box_px"]
            corners = np.array(shown.state.setup.region_px)
            assert (corners >= (left, top)).all() and (corners <= (left + width, top + height)).all()
            assert width * height < 640 * 480
            feed.drawn(key, 60, hidden=False, whole=True)
            practice.play(61)
            head, _ = await picture_of(stream)
            assert head["box_px"] == [0, 0, 640, 480]

    in_a_loop(run)


def test_old_pictures_are_dropped_and_their_columns_are_not(practice):
    async def run():
        async with opened(practice) as (feed, [(key, stream)]):
            practice.play(60)
            first, _ = await picture_of(stream)
            feed.drawn(key, 60, hidden=False)
            for number in range(61, 80):
                practice.play(number)
            await asyncio.sleep(0.1)
            second, _ = await picture_of(stream)
            assert first["number"] == 60 and second["number"] == 79
            assert len(second["rows"]) == 19
            feed.drawn(key, 79, hidden=False)
            practice.play(80)
            third, _ = await picture_of(stream)
            assert third["number"] == 80 and len(third["rows"]) == 1

    in_a_loop(run)


def test_a_page_is_sent_no_more_than_it_draws(practice, monkeypatch):
    monkeypatch.setattr(livefeed, "PATIENCE_S", 0.6)

    async def run():
        async with opened(practice) as (_, [(_, stream)]):
            for number in range(MOST_ON_THE_WAY):
                practice.play(number)
                assert (await picture_of(stream))[0]["number"] == number
            practice.play(50)
            with pytest.raises(TimeoutError):
                await picture_of(stream, within_s=0.3)

    in_a_loop(run)


def test_a_page_that_says_nothing_is_not_given_up(practice, monkeypatch):
    monkeypatch.setattr(livefeed, "PATIENCE_S", 0.1)

    async def run():
        async with opened(practice) as (_, [(_, stream)]):
            for number in range(MOST_ON_THE_WAY):
                practice.play(number)
                await picture_of(stream)
            await asyncio.sleep(0.2)
            practice.play(50)
            assert (await picture_of(stream))[0]["number"] == 50

    in_a_loop(run)


def test_the_time_is_from_the_camera_to_the_words_of_the_page(practice, monkeypatch):
    monkeypatch.setattr(livefeed, "RETELL_S", 0.0)

    async def run():
        async with opened(practice) as (feed, [(key, stream)]):
            shown = practice.play(30)
            await picture_of(stream)
            practice.at_s = shown.time_s + 0.0415
            feed.drawn(key, 30, hidden=False)
            feed.drawn(key, 30, hidden=False)  # said twice
            feed.drawn("another", 30, hidden=False)
            feed.drawn(key, 99, hidden=False)  # never sent
            assert feed.latency.all() == {"n": 1, "median_ms": 42, "p95_ms": 42}
            practice.play(31)
            head, _ = await picture_of(stream)
            assert head["latency"]["median_ms"] == 42
            feed.drawn(key, 31, hidden=True)  # in a window that nobody sees
            assert feed.latency.all()["n"] == 1

    in_a_loop(run)


def test_two_pages_get_the_same_pictures_and_a_slow_one_holds_up_none(practice):
    async def run():
        async with opened(practice, 2) as (feed, [(quick, one), (_, other)]):
            for number in range(10):
                practice.play(number)
                assert (await picture_of(one))[0]["number"] == number
                feed.drawn(quick, number, hidden=False)
            await asyncio.sleep(0.1)
            assert (await picture_of(other))[0]["number"] == 9
            assert feed.n_pages == 2
        assert feed.n_pages == 0

    in_a_loop(run)


def test_the_days_cards_are_told_once(practice, monkeypatch):
    monkeypatch.setattr(livefeed, "RETELL_S", 60.0)

    async def run():
        async with opened(practice) as (feed, [(key, stream)]):
            practice.play(1)
            assert "state" not in (await picture_of(stream))[0]
            feed.drawn(key, 1, hidden=False)
            practice.play(190)  # the attempt is over: the fake session has a card, and a higher version
            head, _ = await picture_of(stream)
            assert [card["number"] for card in head["state"]["history"]] == [1]

    in_a_loop(run)


def test_without_pictures_the_state_is_told_all_the_same(practice, monkeypatch):
    monkeypatch.setattr(livefeed, "RETELL_S", 0.2)

    async def run():
        async with opened(practice) as (_, [(_, stream)]):
            async with asyncio.timeout(2):
                while True:
                    head, jpeg = unpacked(await anext(stream))
                    assert jpeg == b""
                    if "state" in head:
                        break
            assert "history" not in head["state"]

    in_a_loop(run)


def test_closing_ends_every_answer(practice):
    async def run():
        feed = Feed(practice)
        stream = feed.stream()
        await anext(stream)
        feed.close()
        async with asyncio.timeout(2):
            assert len([part async for part in stream]) <= 1

    in_a_loop(run)


def test_times_are_told_with_the_state_not_with_every_picture(practice, monkeypatch):
    """Each telling has the browser lay the page out anew, which takes longer than drawing the picture."""
    monkeypatch.setattr(livefeed, "RETELL_S", 60.0)

    async def run():
        async with opened(practice) as (feed, [(key, stream)]):
            for number in range(5):
                practice.play(number)
                head, _ = await picture_of(stream)
                assert "latency" not in head and "state" not in head
                feed.drawn(key, number, hidden=False)

    in_a_loop(run)


def test_a_picture_is_sent_as_small_as_the_largest_page_shows_it(practice):
    async def sizes(streams):
        heads = [await picture_of(stream) for stream in streams]
        found = [cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR) for _, jpeg in heads]
        return heads[0][0]["box_px"][2:], [(one.shape[1], one.shape[0]) for one in found]

    async def run():
        async with opened(practice, 2) as (feed, [(one, first), (other, second)]):
            for number, zooms, expected in (
                (60, (1.0, 1.0), 1.0),  # nothing said yet
                (61, (0.4, 0.6), 0.6),
                (62, (0.95, 0.3), 1.0),  # hardly smaller
                (63, (2.5, 0.3), 1.0),  # enlarging is the page's work
                (64, (0.4, 0.3), 0.4),
            ):
                if number > 60:
                    feed.drawn(one, number - 1, hidden=False, zoom=zooms[0])
                    feed.drawn(other, number - 1, hidden=False, zoom=zooms[1])
                practice.play(number)
                box, shown = await sizes((first, second))
                assert shown == [(round(box[0] * expected), round(box[1] * expected))] * 2

    in_a_loop(run)


@pytest.mark.parametrize("zoom", [0.6, 0.35])
def test_a_smaller_picture_shows_the_same(zoom):
    y, x = np.mgrid[:300, :400]
    scene = np.repeat((128 + 90 * np.sin(x / 25) * np.cos(y / 20))[..., None], 3, axis=2).astype(np.uint8)
    small = cv2.imdecode(np.frombuffer(livefeed._jpeg(scene, zoom), np.uint8), cv2.IMREAD_COLOR)
    assert small.shape == (round(300 * zoom), round(400 * zoom), 3)
    again = cv2.resize(small, (400, 300), interpolation=cv2.INTER_LINEAR)
    assert np.abs(again.astype(int) - scene).mean() < 4


def test_a_wide_picture_is_sent_smaller():
    wide = np.zeros((1080, 3840, 3), np.uint8)
    small = cv2.imdecode(np.frombuffer(livefeed._jpeg(wide, 1.0), np.uint8), cv2.IMREAD_COLOR)
    assert small.shape == (540, 1920, 3)
