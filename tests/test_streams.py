"""The camera of the tests is itself tested: what it plays, at which rate, and the faults it can play."""

import time

import cv2
import numpy as np
import pytest

from tests.streams import MjpegServer, moving_square, number_in, with_number

SMALL = (160, 120)


def read(capture: cv2.VideoCapture, count: int) -> list[np.ndarray]:
    pictures = []
    for _ in range(count):
        there, picture = capture.read()
        assert there
        pictures.append(picture)
    return pictures


@pytest.mark.parametrize("number", [0, 1, 255, 40_000, 65_535])
def test_a_number_drawn_in_is_read_again_from_colour_and_grey(number):
    picture = with_number(moving_square(2, SMALL)[1], number)
    coded = cv2.imdecode(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 60])[1], 1)
    assert number_in(coded) == number_in(coded[:, :, 1]) == number


def test_pictures_come_in_order_at_their_rate_and_over_and_over():
    with MjpegServer(moving_square(8, SMALL), fps=40, numbered=True) as server:
        capture = cv2.VideoCapture(server.address, cv2.CAP_FFMPEG)
        read(capture, 2)
        began_s = time.monotonic()
        numbers = [number_in(picture) for picture in read(capture, 40)]
        took_s = time.monotonic() - began_s
        capture.release()
        sent = [number for number, _ in list(server.sent)]
    assert numbers == [(numbers[0] + k) % 8 for k in range(40)]
    assert numbers == sent[2:42]
    assert took_s == pytest.approx(1.0, abs=0.25)  # a busy machine is late, never early


def test_it_goes_dark_and_changes_its_size_and_back():
    with MjpegServer(moving_square(8, SMALL), fps=60) as server:
        capture = cv2.VideoCapture(server.address, cv2.CAP_FFMPEG)
        capture.set(
            cv2.CAP_PROP_FORMAT, -1
        )  # coded pictures: OpenCV would stretch the others to the first's size

        def next_one() -> np.ndarray:
            return cv2.imdecode(read(capture, 6)[-1], cv2.IMREAD_COLOR)

        bright = next_one()
        server.black()
        dark = next_one()
        server.black(False)
        server.resize((96, 81))
        small = next_one()
        server.resize(None)
        back = next_one()
        capture.release()
    assert bright.mean() > 40 > 5 > dark.mean()
    assert (bright.shape, small.shape, back.shape) == ((120, 160, 3), (81, 96, 3), (120, 160, 3))


def test_a_stall_sends_nothing_and_what_it_hid_is_not_made_up_for():
    with MjpegServer(moving_square(200, SMALL), fps=50, numbered=True) as server:
        capture = cv2.VideoCapture(server.address, cv2.CAP_FFMPEG)
        before = number_in(read(capture, 3)[-1])
        server.stall(0.5)
        began_s = time.monotonic()
        numbers = [number_in(picture) for picture in read(capture, 6)]
        took_s = time.monotonic() - began_s
        capture.release()
    assert took_s > 0.5
    assert max(np.diff([before, *numbers])) >= 20  # 25 pictures in half a second


def test_the_plug_is_pulled_and_put_in_again_at_the_same_address():
    with MjpegServer(moving_square(30, SMALL), fps=30) as server:
        capture = cv2.VideoCapture(server.address, cv2.CAP_FFMPEG)
        read(capture, 2)
        server.stop()
        began_s = time.monotonic()
        while capture.read()[0]:
            assert time.monotonic() - began_s < 5
        capture.release()
        assert not cv2.VideoCapture(server.address, cv2.CAP_FFMPEG).isOpened()
        server.start_again()
        again = cv2.VideoCapture(server.address, cv2.CAP_FFMPEG)
        assert read(again, 2)
        again.release()


def test_a_stream_played_once_ends_and_plays_anew_from_its_start():
    with MjpegServer(moving_square(10, SMALL), fps=60, repeat=False, numbered=True) as server:
        for _ in range(2):
            capture = cv2.VideoCapture(server.address, cv2.CAP_FFMPEG)
            numbers = []
            while (shown := capture.read())[0]:
                numbers.append(number_in(shown[1]))
            capture.release()
            assert numbers[0] == 0
            assert numbers[-1] == 9
            assert server.ended
            server.start_again()
