"""The commands for cameras: capture, which only records, and cameras, which lists them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from needlecoach.cli.options import checked_rate
from needlecoach.cli.root import app
from needlecoach.console import stoppable
from needlecoach.errors import MarksError


@app.command()
def capture(
    source: Annotated[
        str,
        typer.Argument(metavar="SOURCE", help="A camera's number, a device, or a network stream's address."),
    ],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the recording.")] = Path("recordings"),
    size: Annotated[
        str | None, typer.Option(metavar="WxH", help="Size to ask a camera for; 1280x720 when left out.")
    ] = None,
    fps: Annotated[
        float | None, typer.Option(metavar="N", help="Pictures a second to ask for; 30 when left out.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(metavar="S", help="End by itself after so many seconds.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="No line of progress.")] = False,
) -> None:
    """Record a camera, a capture stick or a network stream, until Ctrl-C; nothing is scored.

    The file, named by date and time, plays and can be scored even when the machine stops in the middle.
    Every picture keeps the time at which it came. A camera that is unplugged is waited for.

    Example: needlecoach capture 0 --seconds 120

    Exit code: 0 recorded, 2 something to mend.
    """
    if seconds is not None and not (math.isfinite(seconds) and seconds > 0):
        raise MarksError(f"--seconds must be above 0, got {seconds:g}; leave it out to record until Ctrl-C.")
    with stoppable():
        from needlecoach.capturing import CaptureWish, run_capture
        from needlecoach.clips.device import parse_size

        wish = CaptureWish(
            out, parse_size(size), checked_rate(fps), math.inf if seconds is None else seconds, quiet
        )
        run_capture(source, wish)


@app.command()
def cameras() -> None:
    """List the cameras of this machine that can be opened: number, size, rate and name.

    Each is opened for a moment. A camera that another program uses can't be.

    Example: needlecoach cameras

    Exit code: 0.
    """
    with stoppable():
        from needlecoach.capturing import run_cameras

        run_cameras()
