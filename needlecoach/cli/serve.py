"""The commands that serve a page on this machine: mark and review."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from needlecoach.cli.options import (
    BlockOption,
    BrowserOption,
    ClipArgument,
    PortOption,
    RateOption,
    block_option,
    checked_rate,
)
from needlecoach.cli.root import app
from needlecoach.console import stoppable


@app.command()
def mark(
    clip: ClipArgument,
    out: Annotated[Path, typer.Option(help="Folder for the results, when the page scores.")] = Path(
        "reports"
    ),
    fps: RateOption = None,
    block: BlockOption = None,
    port: PortOption = None,
    no_browser: BrowserOption = False,
) -> None:
    """Open a page in the browser on which a person marks a recording: target, scale, learner.

    Marks are saved to NAME.marks.json beside the clip as they are made. The page is served by this command on
    this machine alone, until Ctrl-C.

    Example: needlecoach mark L01.mp4

    Exit code: 0 ended, 2 something to mend.
    """
    with stoppable():
        pricked = block_option(block)
        from needlecoach.pages import run_mark

        run_mark(clip, out, fps=checked_rate(fps), port=port, browser=not no_browser, block=pricked)


@app.command()
def review(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A clip's results folder, such as reports/L01.")
    ],
    clip: Annotated[
        Path | None, typer.Option(metavar="PATH", help="The clip, when it is not where it was when scored.")
    ] = None,
    port: PortOption = None,
    no_browser: BrowserOption = False,
) -> None:
    """Open a result beside its video in the browser, to check it, correct it and score it again.

    Corrections are saved to NAME.corrections.json beside the clip, the results in the folder are written
    anew. The page is served by this command on this machine alone, until Ctrl-C.

    Example: needlecoach review reports/L01

    Exit code: 0 ended, 2 something to mend.
    """
    with stoppable():
        from needlecoach.pages import run_review

        run_review(folder, clip, port=port, browser=not no_browser)
