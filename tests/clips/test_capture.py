"""A camera that is read: every picture to those who want all, the newest to the slow, and its faults."""

import threading
import time
from itertools import pairwise

import numpy as np
import pytest

from needlecoach.clips.capture import Captured, open_source
from needlecoach.clips.device import Address, Got
from needlecoach.errors import ClipError
from tests.streams import MjpegServer, moving_square, number_in

SMALL = (160, 120)


class Scripted:
    """A camera that gives what it is told: pictures of a size, None at the end, waits given in seconds."""

    def __init__(self, *steps: tuple[int, int] | float | None, step_s: float = 0.005) -> None:
        self.steps, self.step_s, self.closed = list(steps), step_s, False
        self.got = Got((16, 12), 0.0, "as drawn")

    def read(self):
        while self.steps:
            step = self.steps.pop(0)
            if isinstance(step, float):
                time.sleep(step)
                continue
            time.sleep(self.step_s)
            taken_s = time.monotonic()
            return None if step is None else (np.zeros((step[1], step[0], 3), np.uint8), taken_s)
        return None

    def close(self) -> None:
        self.closed = True


class Cabinet:
    """Hands out one camera after the other; None stands for one that can't be opened."""

    def __init__(self, *devices: Scripted | None) -> None:
        self.devices, self.asked = list(devices), []

    def __call__(self, address: Address, size, fps):
        self.asked.append((address.target, size, fps))
        device = self.devices.pop(0) if self.devices else None
        if device is None:
            raise ClipError(f"{address.name} can't be opened.")
        return device


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr("needlecoach.clips.capture.RETRY_S", 0.05)
    monkeypatch.setattr("needlecoach.clips.capture.STALL_S", 0.3)
    monkeypatch.setattr("needlecoach.clips.capture._TRIED_S", 0.3)


def until(true, limit_s: float = 5.0) -> None:
    began_s = time.monotonic()
    while not true():
        assert time.monotonic() - began_s < limit_s
        time.sleep(0.01)


def test_every_picture_reaches_a_subscriber_in_order_and_times_rise():
    seen: list[Captured] = []
    ready = threading.Event()
    camera = Scripted(0.1, *[(16, 12)] * 50)
    with open_source("0", opener=lambda *_: ready.wait() and camera) as source:
        source.subscribe(seen.append)
        ready.set()
        until(lambda: len(seen) == 50)
    assert [one.number for one in seen] == list(range(50))
    assert all(later.time_s > one.time_s for one, later in pairwise(seen))
    assert not seen[0].pixels.flags.writeable
    assert camera.closed


def test_times_are_when_the_device_took_the_picture_and_never_step_back():
    class Late(Scripted):
        def read(self):
            read = super().read()
            return read and (read[0], read[1] - (0.5 if len(self.steps) == 2 else 0.02))

    seen: list[Captured] = []
    with open_source("0", opener=Cabinet(Late(0.1, *[(16, 12)] * 6))) as source:
        source.subscribe(lambda one: seen.append((one.time_s, source.now_s())))
        until(lambda: len(seen) == 6)
    assert seen[0][1] - seen[0][0] == pytest.approx(0.02, abs=0.02)
    assert all(later[0] > one[0] for one, later in pairwise(seen))


def test_the_slow_get_the_newest_and_a_subscription_ends():
    seen: list[Captured] = []
    with open_source("0", opener=Cabinet(Scripted(*[(16, 12)] * 400, step_s=0.002))) as source:
        end = source.subscribe(seen.append)
        first = source.wait_newer(-1, 2)
        time.sleep(0.2)
        end()
        count = len(seen)
        later = source.wait_newer(first.number, 2)
        assert later.number > first.number + 10
        assert source.wait_newer(later.number, 2).number > later.number
        assert len(seen) <= count + 1
        assert source.wait_newer(10_000, 0.05) is None


def test_two_pictures_that_were_missed_can_still_be_had_while_they_are_young():
    with open_source("0", opener=Cabinet(Scripted(*[(16, 12)] * 5, 1.0))) as source:
        newest = source.wait_newer(3, 2)
        assert newest.number == 4
        assert [source.wait_newer(than, 0, spare_s=10).number for than in (-1, 1, 2, 3)] == [2, 2, 3, 4]
        assert source.wait_newer(1, 0).number == 4
        assert source.wait_newer(4, 0.01, spare_s=10) is None
        time.sleep(0.05)
        assert source.wait_newer(1, 0, spare_s=0.05).number == 4


def test_a_camera_that_is_unplugged_is_opened_again_and_numbers_go_on():
    cabinet = Cabinet(Scripted((16, 12), (16, 12), None), None, None, Scripted(*[(16, 12)] * 500))
    with open_source("3", size=(640, 480), fps=25, opener=cabinet) as source:
        source.wait_first(2)
        until(lambda: source.state.kind == "gone")
        assert "tried again every second" in source.state.words
        assert source.state.fps == 0
        until(lambda: source.state.kind == "running")
        assert source.wait_newer(1, 2).number >= 2
    assert cabinet.asked[:4] == [(3, (640, 480), 25)] * 4


def test_a_camera_that_gives_nothing_for_a_while_is_said_to_have_stalled():
    with open_source("0", opener=Cabinet(Scripted((16, 12), 0.6, *[(16, 12)] * 300))) as source:
        source.wait_first(2)
        assert source.state.kind == "running"
        until(lambda: source.state.kind == "stalled")
        assert source.state.since_s == pytest.approx(source.wait_newer(-1, 0).time_s)
        until(lambda: source.state.kind == "running")


def test_a_size_that_changes_is_told_and_numbers_go_on():
    seen: list[Captured] = []
    with open_source("0", opener=Cabinet(Scripted(0.05, *[(16, 12)] * 5, *[(32, 20)] * 300))) as source:
        source.subscribe(seen.append)
        until(lambda: len(seen) > 8)
        assert source.state.size_px == (32, 20)
        assert [one.number for one in seen[:9]] == list(range(9))
        assert {one.pixels.shape for one in seen} == {(12, 16, 3), (20, 32, 3)}


def test_the_rate_is_measured_over_the_last_pictures():
    seen: list[Captured] = []
    with open_source("0", opener=Cabinet(Scripted(*[(16, 12)] * 400, step_s=0.02))) as source:
        source.subscribe(seen.append)
        source.wait_newer(25, 5)
        fps, times_s = source.state.fps, [one.time_s for one in seen]
    assert fps == pytest.approx((len(times_s) - 1) / (times_s[-1] - times_s[0]), rel=0.1)
    assert fps < 50  # 20 ms and what sleeping takes more


def test_closing_takes_less_than_two_seconds_while_the_device_hangs_and_nothing_comes_after():
    seen: list[Captured] = []
    source = open_source("0", opener=Cabinet(Scripted((16, 12), 2.5, (16, 12))))
    source.subscribe(seen.append)
    source.wait_first(2)
    began_s = time.monotonic()
    source.close()
    source.close()
    assert time.monotonic() - began_s < 2
    assert source.state.kind == "ended"
    assert source.wait_newer(-1, 1) is None
    count = len(seen)
    time.sleep(0.9)
    assert len(seen) == count
    assert source.state.kind == "ended"


def test_a_camera_that_is_not_there_is_told_with_what_to_try():
    with open_source("0", opener=Cabinet()) as source, pytest.raises(ClipError, match="needlecoach cameras"):
        source.wait_first(5)
    with open_source("http://a:b@h/x", opener=Cabinet()) as source:
        with pytest.raises(ClipError) as told:
            source.wait_first(5)
        assert "a:b" not in str(told.value) + source.state.words + source.name


def test_a_stream_over_the_network_is_read_whole_at_its_own_rate():
    numbers: list[int] = []
    with MjpegServer(moving_square(30, SMALL), fps=30, numbered=True) as server:
        with open_source(server.address) as source:
            source.subscribe(lambda one: numbers.append(number_in(one.pixels)))
            source.wait_newer(60, 10)
            state = source.state
        sent = [number for number, _ in list(server.sent)]
    assert numbers == sent[: len(numbers)]
    assert state.size_px == SMALL
    assert state.fps == pytest.approx(30, rel=0.1)


def test_a_stream_that_is_resized_pulled_out_and_put_in_again_goes_on():
    with MjpegServer(moving_square(30, SMALL), fps=60) as server, open_source(server.address) as source:
        source.wait_first(5)
        server.resize((96, 81))
        until(lambda: source.state.size_px == (96, 81))
        server.stop()
        until(lambda: source.state.kind == "gone")
        server.start_again()
        until(lambda: source.state.kind == "running")


def test_a_stream_that_hangs_is_stalled_and_found_again(monkeypatch):
    monkeypatch.setattr("needlecoach.clips.device.READ_TIMEOUT_MS", 400)
    monkeypatch.setattr("needlecoach.clips.device.OPEN_TIMEOUT_MS", 400)
    with MjpegServer(moving_square(30, SMALL), fps=60) as server, open_source(server.address) as source:
        last = source.wait_first(5)
        server.stall(1.5)
        until(lambda: source.state.kind == "stalled")
        until(lambda: source.state.kind == "running")
        assert source.wait_newer(last.number, 1).time_s - last.time_s > 1
        assert server.requests > 1
