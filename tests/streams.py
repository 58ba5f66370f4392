"""A camera on the network for tests: a clip or drawn pictures, played at their own rate over HTTP.

Pictures are sent as a camera on a network does: one answer that never ends, of JPEG parts
(multipart/x-mixed-replace; RFC 2046, section 5.1 for its parts). OpenCV opens `server.address`.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np

BOUNDARY = "needlecoach"
# A number drawn into a picture's corner: so many squares of so many px, bright for 1.
NUMBER_BITS, NUMBER_SIDE_PX = 16, 8


def with_number(picture: np.ndarray, number: int) -> np.ndarray:
    """A copy of a picture (h, w, 3) with its number below 65536 as a row of squares at the top left."""
    marked = picture.copy()
    for bit in range(NUMBER_BITS):
        left = bit * NUMBER_SIDE_PX
        marked[:NUMBER_SIDE_PX, left : left + NUMBER_SIDE_PX] = 255 * (number >> bit & 1)
    return marked


def number_in(picture: np.ndarray) -> int:
    """The number that `with_number` drew, read from grey or colour, whatever coding did to it."""
    corner = picture[2 : NUMBER_SIDE_PX - 2, : NUMBER_BITS * NUMBER_SIDE_PX]
    row = (corner if corner.ndim == 2 else corner.mean(axis=2)).mean(axis=0)
    squares = row.reshape(NUMBER_BITS, NUMBER_SIDE_PX)[:, 2:-2].mean(axis=1)
    return sum(1 << bit for bit, level in enumerate(squares) if level > 127)


def moving_square(count: int = 90, size: tuple[int, int] = (320, 240)) -> list[np.ndarray]:
    """Invented pictures of `size` (width, height) px: a grey ground with noise, and a square on its way."""
    rng = np.random.default_rng(7)
    width, height = size
    ground = cv2.GaussianBlur(rng.integers(0, 120, (height, width), dtype=np.uint8), (9, 9), 0)
    ground = cv2.cvtColor(ground, cv2.COLOR_GRAY2BGR)
    pictures = []
    for number in range(count):
        picture = ground.copy()
        left = round((width - 20) * number / max(count - 1, 1))
        picture[height // 2 : height // 2 + 20, left : left + 20] = 220
        pictures.append(picture)
    return pictures


class MjpegServer:
    """Plays pictures over and over (or once, `repeat=False`) from the first viewer on; use it as a context.

    The clip's clock goes on whatever happens to the stream, as the world before a camera does: what a stall
    or a pulled plug hides is not made up for.

    Parameters
    ----------
    source : path of a clip, or pictures (h, w, 3) blue-green-red or (h, w)
        A clip is played at its own times, pictures at `fps`. All of it is kept as JPEG (a picture of
        1280x720 takes about 0.2 MB).
    fps : float, optional
        Pictures a second; for a clip instead of its own times.
    quality : int
        Of the JPEG.
    numbered : bool
        Draw each picture's number in (see `number_in`).

    Attributes
    ----------
    address : str
        Of the stream.
    sent : deque of (int, float)
        Number of a picture and `time.monotonic()` when it began to be sent to any viewer, the last 20,000.
    requests : int
        How often the stream was asked for.
    """

    def __init__(
        self,
        source: str | Path | Iterable[np.ndarray],
        *,
        fps: float | None = None,
        quality: int = 90,
        repeat: bool = True,
        numbered: bool = False,
    ) -> None:
        pictures, times_s = _of_clip(Path(source)) if isinstance(source, str | Path) else (list(source), [])
        if fps is not None or not times_s:
            times_s = [number / (fps or 30.0) for number in range(len(pictures))]
        if numbered:
            pictures = [with_number(picture, number) for number, picture in enumerate(pictures)]
        self._quality, self.repeat = quality, repeat
        self._coded = [self._code(picture) for picture in pictures]
        self._times_s = times_s
        self._round_s = times_s[-1] + (float(np.median(np.diff(times_s))) if len(times_s) > 1 else 0.04)
        self.sent: deque[tuple[int, float]] = deque(maxlen=20_000)
        self.requests = 0
        self._news = threading.Condition()
        self._latest: tuple[int, int, bytes] | None = None  # counts up, number of the picture, its JPEG
        self._size: tuple[int, int] | None = None
        self._is_black = False
        self._stalled_until_s = 0.0
        self._ended = self._closed = False
        self._viewed = threading.Event()
        self._links: set[socket.socket] = set()
        self._server: ThreadingHTTPServer | None = None
        self._port = 0
        self._listen()
        self._player = threading.Thread(target=self._play, name="test-camera", daemon=True)
        self._player.start()

    def __enter__(self) -> MjpegServer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self._port}/stream.mjpg"

    @property
    def ended(self) -> bool:
        """Whether a stream without repeat has come to its end."""
        return self._ended

    def stall(self, seconds: float) -> None:
        """Keep the connection and send nothing for so long."""
        self._stalled_until_s = time.monotonic() + seconds

    def stop(self) -> None:
        """Pull the plug: every connection breaks and nobody answers any more."""
        server, self._server = self._server, None
        if server is not None:
            server.shutdown()
            server.server_close()
        for link in list(self._links):
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)

    def start_again(self) -> None:
        """Plug it in again, at the same address; a stream that had ended plays anew from its start."""
        if self._ended:
            self._ended = False
            self._player.join()
            self._viewed.clear()
            self._latest = None
            self._player = threading.Thread(target=self._play, name="test-camera", daemon=True)
            self._player.start()
        if self._server is None:
            self._listen()

    def resize(self, size: tuple[int, int] | None) -> None:
        """Go on with pictures of this size (width, height) in px; None for their own."""
        self._size = size

    def black(self, on: bool = True) -> None:
        """Go on with black pictures, as if the light were off; `black(False)` turns it on."""
        self._is_black = on

    def close(self) -> None:
        """End everything; safe to call twice."""
        self._closed = True
        self._viewed.set()
        with self._news:
            self._news.notify_all()
        self.stop()
        self._player.join()

    def _listen(self) -> None:
        owner = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                owner._answer(self)

            def log_message(self, *_: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads, block_on_close, allow_reuse_address = True, False, True

            def handle_error(self, *_: Any) -> None:
                pass  # a viewer that went away

        self._server = Server(("127.0.0.1", self._port), Handler)
        self._port = self._server.server_address[1]
        serve = self._server.serve_forever
        threading.Thread(target=serve, kwargs={"poll_interval": 0.02}, daemon=True).start()

    def _play(self) -> None:
        self._viewed.wait()
        began_s, count = time.monotonic(), 0
        while not self._closed:
            for number, time_s in enumerate(self._times_s):
                time.sleep(max(began_s + time_s - time.monotonic(), 0.0))
                if self._closed:
                    return
                count += 1
                picture = self._as_switched(self._coded[number])
                with self._news:
                    self._latest = count, number, picture
                    self._news.notify_all()
            if not self.repeat:
                break
            began_s += self._round_s
        with self._news:
            self._ended = True
            self._news.notify_all()

    def _as_switched(self, coded: bytes) -> bytes:
        if self._size is None and not self._is_black:
            return coded
        picture = cv2.imdecode(np.frombuffer(coded, np.uint8), cv2.IMREAD_COLOR)
        if self._is_black:
            picture = np.zeros_like(picture)
        return self._code(picture if self._size is None else cv2.resize(picture, self._size))

    def _code(self, picture: np.ndarray) -> bytes:
        return cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, self._quality])[1].tobytes()

    def _answer(self, handler: BaseHTTPRequestHandler) -> None:
        self.requests += 1
        if self._ended:
            handler.send_error(503)
            return
        self._links.add(handler.connection)
        try:
            handler.send_response(200)
            handler.send_header("Content-Type", f"multipart/x-mixed-replace; boundary={BOUNDARY}")
            handler.end_headers()
            self._viewed.set()
            for number, coded in self._newest():
                self.sent.append((number, time.monotonic()))
                head = f"--{BOUNDARY}\r\nContent-Type: image/jpeg\r\nContent-Length: {len(coded)}\r\n\r\n"
                handler.wfile.write(head.encode() + coded + b"\r\n")
        except OSError:
            pass  # the viewer went away, or the plug was pulled
        finally:
            self._links.discard(handler.connection)

    def _newest(self) -> Iterator[tuple[int, bytes]]:
        """The newest picture each time the viewer has taken the one before."""
        seen = 0
        while True:
            with self._news:
                while (self._latest is None or self._latest[0] == seen) and not (self._ended or self._closed):
                    self._news.wait(0.5)
                if self._closed or self._latest is None or self._latest[0] == seen:
                    return
                seen, number, coded = self._latest
            if time.monotonic() >= self._stalled_until_s:
                yield number, coded


def _of_clip(path: Path) -> tuple[list[np.ndarray], list[float]]:
    """Pictures of a clip in its own colours, and their times from its first on."""
    pictures, times_s = [], []
    with av.open(str(path)) as container:
        for picture in container.decode(video=0):
            pictures.append(picture.to_ndarray(format="bgr24"))
            times_s.append(float(picture.time or 0.0))
    return pictures, [time_s - times_s[0] for time_s in times_s]
