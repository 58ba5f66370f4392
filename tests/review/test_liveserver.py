"""The live page's addresses on a real server: guarded, streaming, and the marking page on a still."""

import contextlib
import http.client
import json
import socket
import struct
import threading
import time

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from needlecoach.review.launch import free_socket
from needlecoach.review.livelaunch import LiveServer
from needlecoach.scored import Wish
from tests.practices import Played
from tests.review.conftest import Client, write_clip


class Live:
    """A served session, and a client that asks as its page would."""

    def __init__(self, practice, listening):
        self.practice = practice
        self.server = LiveServer(practice, Wish(), listening)
        port = listening.getsockname()[1]
        self.client = Client(port)
        self.root = self.server.address.removeprefix(self.client.own).removesuffix("live")
        self._thread = threading.Thread(target=self.server.run)
        self._thread.start()

    def end(self):
        began = time.monotonic()
        self.server.end()
        self._thread.join()
        return time.monotonic() - began

    @contextlib.contextmanager
    def stream(self):
        """An open stream: gives what reads the next part, (head, jpeg)."""
        with contextlib.closing(
            http.client.HTTPConnection("127.0.0.1", self.client.port, timeout=10)
        ) as line:
            line.request("GET", f"{self.root}api/live/stream")
            answer = line.getresponse()
            assert answer.status == 200 and answer.headers["Cache-Control"] == "no-store"

            def piece():
                (size,) = struct.unpack(">I", answer.read(4))
                return answer.read(size)

            yield lambda: (json.loads(piece()), piece())

    def line(self, root=None, *, host="127.0.0.1", origin="own"):
        """The socket on which a page tells what it drew, with the headers that a browser sends."""
        port = self.client.port
        return connect(
            f"ws://{host}:{port}{root or self.root}api/live/drawn",
            sock=socket.create_connection(("127.0.0.1", port)),
            origin=self.client.own if origin == "own" else origin,
        )


def wait_for(told, within_s=3.0):
    until = time.monotonic() + within_s
    while not told() and time.monotonic() < until:
        time.sleep(0.02)
    assert told()


@pytest.fixture
def live(tmp_path):
    practice = Played(folder=write_clip(tmp_path / "still.avi"))
    practice.start()
    with contextlib.closing(free_socket(None)) as listening:
        live = Live(practice, listening)
        try:
            yield live
        finally:
            live.end()
            practice.close()


def picture(read):
    while True:
        head, jpeg = read()
        if jpeg:
            return head


def test_pictures_stream_at_the_rate_of_the_camera_to_a_page_that_draws_them(live):
    with live.stream() as read, live.line() as line:
        began, numbers = time.monotonic(), []
        while time.monotonic() - began < 1.5:
            head = picture(read)
            numbers.append(head["number"])
            line.send(json.dumps({"page": head["page"], "number": head["number"]}))
        wait_for(lambda: live.server.desk.feed.latency.all()["n"] == len(numbers))
    assert numbers == sorted(set(numbers))
    assert len(numbers) >= 5  # of 45, on a machine that does other things too
    times = live.client.get(f"{live.root}api/live/latency").json()
    assert times["n"] == len(numbers) and times["median_ms"] > 0


@pytest.mark.parametrize(
    ("method", "path"),
    [("GET", "live"), ("GET", "api/live/stream"), ("GET", "setup/mark"), ("POST", "api/live/end")],
)
def test_without_the_key_or_from_elsewhere_nothing_is_answered(live, method, path):
    for root, origin in (("/", "own"), ("/wrong/", "own"), (live.root, "http://evil.example")):
        answer = live.client.request(method, root + path, json={}, origin=origin)
        assert answer.status_code == 403, (root, origin)
    assert live.practice.called == []


@pytest.mark.parametrize(
    ("root", "more"),
    [
        (None, {"origin": None}),
        (None, {"origin": "http://evil.example"}),
        (None, {"origin": "null"}),
        ("/wrong/", {}),
        (None, {"host": "evil.example"}),  # a name made to point here
    ],
)
def test_a_socket_from_elsewhere_is_refused(live, root, more):
    # RFC 6455, 10.2: a browser tells the origin of whoever opens a socket, and a server should look at it.
    with pytest.raises(InvalidStatus) as refused, live.line(root, **more):
        pass
    assert refused.value.response.status_code == 403


@pytest.mark.parametrize(
    "sent",
    [
        "",
        "[]",
        '{"page": "x"}',
        '{"page": "x", "number": "1"}',
        '{"page": "x", "number": 1, "zoom": 0}',
        b"\x00",
    ],
)
def test_what_no_page_tells_ends_the_line_and_nothing_else(live, sent):
    with live.line() as line:
        line.send(sent)
        with pytest.raises(ConnectionClosed) as closed:
            line.recv(timeout=5)
    assert closed.value.rcvd.code == 1008  # RFC 6455, 7.4.1: a message that breaks the policy
    with live.stream() as read:
        picture(read)


def test_a_change_without_an_origin_is_refused(live):
    answer = live.client.post(f"{live.root}api/live/forget", json={}, origin=None)
    assert answer.status_code == 403 and live.practice.called == []


def test_what_the_buttons_ask_for_is_done(live):
    for path, body, called in (
        ("end", {}, "end_attempt"),
        ("forget", {}, "forget_try"),
        ("next", {}, "next_visitor"),
        ("nickname", {"text": "  Blue \n Owl "}, "set_nickname"),
    ):
        assert live.client.post(f"{live.root}api/live/{path}", json=body).status_code == 200
        assert live.practice.called[-1] == called
    assert live.practice.nick == "Blue Owl"
    assert live.client.get(f"{live.root}api/live/state").json()["schema"] == 1


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("nickname", {"text": "x" * 21}),
        ("end", {"odd": 1}),
    ],
)
def test_what_no_page_sends_is_refused(live, path, body):
    answer = live.client.post(f"{live.root}api/live/{path}", json=body)
    assert answer.status_code == 400 and "Refused" in answer.json()["error"]
    assert live.practice.called == []


def test_a_still_is_marked_on_the_marking_page_and_the_session_takes_its_marks(live):
    before = live.client.get(f"{live.root}setup/mark")
    assert before.status_code == 404 and "ask for one on the live page" in before.json()["error"]
    opened = live.client.post(f"{live.root}api/live/mark", json={})
    assert opened.json() == {"page": "setup/mark"}
    assert b"<title>Mark a clip" in live.client.get(f"{live.root}setup/mark").content
    about = live.client.get(f"{live.root}setup/api/clip").json()
    assert about["pages"] == {"mark": True, "review": False, "live": "../live"}
    marks = {"schema": 1, "target": {"ellipse": {"centre_px": [40, 30], "semi_axes_px": [9, 9]}}}
    saved = live.client.put(f"{live.root}setup/api/marks", json={"marks": marks, "version": "none"})
    assert saved.status_code == 200
    assert live.practice.called == ["still", "take_setup still.avi"]
    # The next still takes the place of this one.
    assert live.client.post(f"{live.root}api/live/mark", json={}).status_code == 200
    assert live.client.get(f"{live.root}setup/api/frames/3").status_code == 200


def test_marks_that_are_refused_are_not_taken(live):
    live.client.post(f"{live.root}api/live/mark", json={})
    answer = live.client.put(f"{live.root}setup/api/marks", json={"marks": {"schema": 9}, "version": "none"})
    assert answer.status_code == 422
    assert live.practice.called == ["still"]


def test_a_page_that_goes_is_forgotten_and_the_end_waits_for_none(live):
    feed = live.server.desk.feed
    with live.stream() as read:
        picture(read)
        assert feed.n_pages == 1
    wait_for(lambda: feed.n_pages == 0)
    with live.stream() as read, live.line():
        picture(read)
        assert live.end() < 2
