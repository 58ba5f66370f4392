"""A desk on a small drawn clip, and a client that asks its server as a page would."""

import contextlib
import http.client
import json as json_module
import shutil
import threading
from pathlib import Path

import cv2
import numpy as np
import pytest

from needlecoach.review.desk import Desk
from needlecoach.review.launch import free_socket, server_of
from needlecoach.scored import Wish

TOKEN = "key-of-this-run"
WIDTH, HEIGHT, N = 96, 64, 70
SAMPLES = Path(__file__).parents[2] / "sample_clips"


def grey_of(number: int) -> int:
    """Each frame of the drawn clip has a grey of its own."""
    return 20 + 3 * number


def write_clip(path: Path) -> Path:
    """A lossless clip of plain pictures."""
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"FFV1"), 25, (WIDTH, HEIGHT))
    for number in range(N):
        writer.write(np.full((HEIGHT, WIDTH, 3), grey_of(number), dtype=np.uint8))
    writer.release()
    return path


@contextlib.contextmanager
def opened(folder):
    clip = write_clip(folder / "L01.avi")
    desk = Desk(clip, folder / "reports" / "L01", Wish())
    try:
        yield desk
    finally:
        desk.close()


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A desk that a module's tests share; none of them changes it for good."""
    with opened(tmp_path_factory.mktemp("shared")) as desk:
        yield desk


@pytest.fixture
def own_desk(tmp_path):
    """A desk for one test alone, to be written to."""
    with opened(tmp_path) as desk:
        yield desk


class Answer:
    """What a server said; names of headers in small letters."""

    def __init__(self, response):
        self.status_code, self.content = response.status, response.read()
        self.headers = {name.lower(): value for name, value in response.getheaders()}

    @property
    def text(self):
        return self.content.decode()

    def json(self):
        return json_module.loads(self.content)


class Client:
    """Asks a server as its page would, but sends every path letter by letter as given."""

    def __init__(self, port):
        self.port = port
        self.own = f"http://127.0.0.1:{port}"

    def request(self, method, path, *, headers=None, json=None, content=None, origin="own"):
        sent = {} if origin is None else {"Origin": self.own if origin == "own" else origin}
        sent |= headers or {}
        body = content if json is None else json_module.dumps(json).encode()
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)) as line:
            line.request(method, path, body=body, headers=sent, encode_chunked=not isinstance(body, bytes))
            return Answer(line.getresponse())

    def get(self, path, **more):
        return self.request("GET", path, **more)

    def put(self, path, **more):
        return self.request("PUT", path, **more)

    def post(self, path, **more):
        return self.request("POST", path, **more)


@pytest.fixture(scope="module")
def serve():
    """Start the real server of a desk on a free port, in a thread; give a client of it."""
    with contextlib.ExitStack() as stack:

        def start(desk):
            listening = free_socket(None)
            server = server_of(desk, listening, TOKEN)
            thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
            thread.start()

            def end():
                server.should_exit = True
                thread.join()
                listening.close()

            stack.callback(end)
            return Client(listening.getsockname()[1])

        yield start


@pytest.fixture(scope="module")
def client(desk, serve):
    return serve(desk)


@pytest.fixture
def own_client(own_desk, serve):
    return serve(own_desk)


@pytest.fixture
def root():
    """Path that the run's key opens."""
    return f"/{TOKEN}/"


@pytest.fixture
def api(root):
    return f"{root}api/"


@pytest.fixture(scope="session")
def sample_clip(tmp_path_factory):
    """A sample clip with its marks, in a folder of its own."""
    folder = tmp_path_factory.mktemp("samples")
    for ending in ("mp4", "marks.json"):
        shutil.copy(SAMPLES / f"clean_hit.{ending}", folder)
    return folder / "clean_hit.mp4"
