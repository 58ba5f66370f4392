"""What the commands `mark` and `review` do, once the command line is read: open a clip, serve its pages."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from needlecoach.clips import sha256_of
from needlecoach.corrections import corrections_path, read_corrections
from needlecoach.errors import ClipError
from needlecoach.model import Block
from needlecoach.reporting.reopen import clip_place, read_page, read_run
from needlecoach.review.desk import Desk
from needlecoach.review.launch import serve
from needlecoach.review.results import Results
from needlecoach.review.scratch import own_folder
from needlecoach.scored import Wish


def run_mark(
    clip: Path,
    out: Path,
    *,
    fps: float | None,
    port: int | None,
    browser: bool,
    block: Block | None = None,
) -> None:
    """Serve the page on which a clip is marked, until Ctrl-C; `block` is the one that was pricked.

    Raises
    ------
    NeedlecoachError
        When something is to be mended, in one line.
    """
    path = Path(os.path.abspath(clip))
    folder = Path(os.path.abspath(out)) / (path.name if path.is_dir() else path.stem)
    with _open(clip, folder, Wish(fps=fps), block) as desk:
        serve(desk, "mark", port=port, browser=browser, say=_say)


def run_review(folder: Path, clip: Path | None, *, port: int | None, browser: bool) -> None:
    """Serve the page on which a result is looked at and corrected, until Ctrl-C.

    Raises
    ------
    NeedlecoachError
        When the folder holds no results that can be reviewed, the clip is not there or has changed since, or
        the corrections beside it can't be read or are of another recording.
    """
    folder = Path(os.path.abspath(folder))
    run = read_run(folder)
    read_page(folder)
    path = scored_clip(folder, run, clip)
    read_corrections(corrections_path(path), run["clip"]["sha256"])
    with _open(path, folder, Results(folder).wish()) as desk:
        serve(desk, "review", port=port, browser=browser, say=_say)


def scored_clip(folder: Path, run: dict[str, Any], given: Path | None) -> Path:
    """Return the clip that a result was made from, as given or from where it lay beside the results.

    Raises
    ------
    ClipError
        When it is not there, or is not the one that was scored, by its SHA-256.
    """
    name = run["clip"].get("file", "the clip")
    path = given or clip_place(folder, run)
    if path is None or not path.exists():
        where = "where it lies is not known" if path is None else f"it is not at {path}"
        raise ClipError(f"{folder.name}: the clip {name} is needed and {where}; give it with --clip PATH.")
    if sha256_of(path) != run["clip"].get("sha256"):
        raise ClipError(
            f"{path}: is not the recording that {folder.name} was scored from, or was changed since (its "
            "SHA-256 differs); give the right one with --clip PATH, or score it again."
        )
    return path


@contextlib.contextmanager
def _open(clip: Path, folder: Path, wish: Wish, block: Block | None = None) -> Iterator[Desk]:
    with own_folder():
        desk = Desk(clip, folder, wish, block)
        try:
            yield desk
        finally:
            desk.close(_say)


def _say(text: str) -> None:
    with contextlib.suppress(OSError):  # the terminal may be closed
        typer.echo(text)
