"""The command that shows it all on invented data: demo."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from needlecoach.cli.root import app
from needlecoach.console import StoppedError, say_error, stoppable


@app.command()
def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for all of it.")] = Path("reports/demo"),
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print where the pages are; open no browser.")
    ] = False,
    quick: Annotated[bool, typer.Option("--quick", help="Simulate one short recording, not four.")] = False,
) -> None:
    """Show the whole tool on invented data: a cohort's page, a summary and a replay open in the browser.

    Twelve coded learners are made up, with eight weeks of results; four recordings are simulated and scored.
    Everything says that it is invented. A former demonstration in the same folder is replaced.

    Example: needlecoach demo

    Exit code: 0 made, 2 something to mend, 130 stopped.
    """
    try:
        with stoppable():
            from needlecoach.demo.show import run_demo

            run_demo(out, today=date.today(), say=typer.echo, quick=quick, browser=not no_browser)
    except StoppedError:
        say_error("Stopped. No part of the demonstration was kept.")
        raise typer.Exit(130) from None
