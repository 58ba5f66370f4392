"""The program itself: its commands hang on `app`, `main` runs it."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from needlecoach import __version__
from needlecoach.console import StoppedError, complain, say_error
from needlecoach.errors import NeedlecoachError

# OpenCV is imported only when needed: --help stays fast, and a machine without libGL gets a sentence.

app = typer.Typer(
    add_completion=False,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Scores practice of ultrasound-guided needle sampling on gelatin phantoms. Never for patient care.",
)


def main() -> None:
    """Run the command line; what a user can mend becomes one line on stderr and exit code 2."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a file name may hold what the terminal can't show
    try:
        app()
    except NeedlecoachError as problem:
        complain(problem)
        sys.exit(2)
    except (KeyboardInterrupt, StoppedError):
        say_error("Stopped. What was finished before is kept, recordings too.")
        sys.exit(130)
    except ImportError as problem:
        if ".so" not in str(problem):
            raise
        say_error(
            f"A system library is missing ({problem}); OpenCV needs it. On Debian or Ubuntu: "
            "apt-get install libgl1 libglib2.0-0"
        )
        sys.exit(2)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"needlecoach {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop."),
    ] = False,
) -> None:
    """Scores practice of ultrasound-guided needle sampling on gelatin phantoms. Never for patient care."""
