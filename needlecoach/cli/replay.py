"""The command for the open day: replay."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from needlecoach.cli.root import app
from needlecoach.console import stoppable
from needlecoach.errors import MarksError


@app.command()
def replay(
    folders: Annotated[
        list[Path] | None,
        typer.Argument(metavar="FOLDERS...", help="Results folders, such as reports/L01; none with --watch."),
    ] = None,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the page.")] = Path("reports/openday"),
    language: Annotated[
        str,
        typer.Option(metavar="NAME", help="Language of the page: en, de, or a file of your own (FILE.toml)."),
    ] = "en",
    photo: Annotated[
        list[str] | None,
        typer.Option(metavar='"NAME=FILE"', help="Photo of what was hidden under a name; may be repeated."),
    ] = None,
    title: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Heading of the page, instead of the language's own.")
    ] = None,
    clips: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder with the recordings, when they were moved since."),
    ] = None,
    watch: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Go on, and add each recording saved in this folder. Needs --marks."
        ),
    ] = None,
    marks: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Marks file that holds for all recordings of --watch."),
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Only write the page; open no browser.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No bar of progress.")] = False,
) -> None:
    """Make a page for a big screen from results: each attempt as a short film, in words for children.

    The page is one file, replay.html, that plays for hours in any browser without a network. It names no
    learner. Space halts it, the right arrow goes on to the next film, f fills the screen.

    Example: needlecoach replay reports/L01 reports/L02 --photo "olive=olive.jpg"

    Exit code: 0 written or ended, 2 something to mend, 130 stopped.
    """
    if (watch is None) != (marks is None):
        raise MarksError(
            "--watch and --marks go together: a folder, and the marks of all that is saved there."
        )
    with stoppable():
        from needlecoach.openday import Watch, Wishes, run_replay

        run_replay(
            folders or [],
            out,
            Wishes(language=language, photos=photo or (), heading=title),
            clips=clips,
            watch=None if watch is None or marks is None else Watch(watch, marks),
            browser=not no_browser,
            quiet=quiet,
        )
