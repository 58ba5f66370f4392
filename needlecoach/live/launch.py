"""What the command `live` does, once the command line is read: camera, session and page."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import typer

from needlecoach.clips.capture import Source, open_source
from needlecoach.clips.recorder import Recorder
from needlecoach.live.saving import ENDING, RECORDINGS, keep_block, without_results
from needlecoach.live.session import Session
from needlecoach.live.setup import Setup
from needlecoach.marks import MarkOptions
from needlecoach.openday import Loop, Wishes
from needlecoach.review.livelaunch import serve_live
from needlecoach.review.scratch import own_folder
from needlecoach.scored import Wish

# The terminal hears of a change within so long.
TELL_S = 1.0


@dataclass(frozen=True)
class LiveOrder:
    """What the user asked for.

    Attributes
    ----------
    source : a camera's number, a device's path, or an address
    setup : marks file of the day, None before there is one
    marks : options that go over it
    out : folder for results; recordings lie in it
    size, fps : to ask the camera for
    replay_page : folder of the big screen's page, to which scored tries are added
    """

    source: str
    out: Path
    wish: Wish
    marks: MarkOptions = field(default_factory=MarkOptions)
    setup: Path | None = None
    size: tuple[int, int] | None = None
    fps: float | None = None
    visitor: bool = False
    replay_page: Path | None = None


def run_live(order: LiveOrder, *, port: int | None, browser: bool, quiet: bool = False) -> None:
    """Follow what a camera shows and serve the page on it, until Ctrl-C.

    Raises
    ------
    NeedlecoachError
        When something is to be mended, in one line. A camera that is not there is none: the page says so.
    """
    say = _silent if quiet else _say
    cv2.setNumThreads(1)  # threads of ours share the cores already; OpenCV's own would wait for one another
    setup = Setup(order.marks) if order.setup is None else Setup.of_file(order.setup, order.marks)
    if block := setup.block():
        keep_block(order.out, block)
    loop = None if order.replay_page is None else Loop(order.replay_page, Wishes(), say=say)
    if loop is not None:
        say(f"The big screen's page: {loop.path}")
    with contextlib.ExitStack() as stack:
        stack.enter_context(own_folder())
        source = stack.enter_context(open_source(order.source, size=order.size, fps=order.fps))
        recorder = stack.enter_context(contextlib.closing(Recorder()))
        stack.callback(source.subscribe(recorder.see))
        session = Session(
            source,
            recorder,
            setup=setup,
            out=order.out,
            wish=order.wish,
            visitor=order.visitor,
            scored=_to_loop(loop, order.out / RECORDINGS),
        )
        stack.callback(_close, session, say)
        session.start()
        stack.enter_context(_camera_told(source, say))
        serve_live(session, order.wish, port=port, browser=browser, say=_say)
    if left := without_results(order.out):
        many = "recordings were" if len(left) > 1 else "recording was"
        _say(
            f"{len(left)} {many} not scored yet; do it with: "
            f"needlecoach score {order.out / RECORDINGS}/*{ENDING} --out {order.out}"
        )


@contextlib.contextmanager
def _camera_told(source: Source, say: Callable[[str], None]) -> Iterator[None]:
    """Say in the terminal too what becomes of the camera: that it can't be opened, or is gone."""
    ended = threading.Event()

    def tell() -> None:
        told = "opening"
        while not ended.wait(TELL_S):
            state = source.state
            if state.kind not in (told, "opening", "ended"):
                told = state.kind
                say(state.words if source.name in state.words else f"{source.name}: {state.words}")

    teller = threading.Thread(target=tell, name="needlecoach-camera", daemon=True)
    teller.start()
    try:
        yield
    finally:
        ended.set()
        teller.join()


def _close(session: Session, say: Callable[[str], None]) -> None:
    """End the session; tell why it takes its time."""
    if session.state.attempt is not None or any(card.fate == "checking" for card in session.state.history):
        say("All recordings are kept; waiting for what is being scored, half a minute at most.")
    session.close()


def _to_loop(loop: Loop | None, recordings: Path) -> Callable[[Path], None] | None:
    """What a session calls with the folder of each attempt that was scored."""
    return None if loop is None else lambda folder: loop.add(folder, recordings)


def _say(text: str) -> None:
    with contextlib.suppress(OSError):  # the terminal may be closed
        typer.echo(text)


def _silent(_: str) -> None:
    """Print nothing."""
