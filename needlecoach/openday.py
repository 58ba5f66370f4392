"""What the command `replay` does, once the command line is read: results filmed, the page written, a folder
watched for visitors' tries."""

from __future__ import annotations

import contextlib
import time
import traceback
import webbrowser
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import typer

from needlecoach.clips import open_clip, sha256_of
from needlecoach.console import complain, progress_bar, say_error
from needlecoach.errors import ClipError, MarksError, NeedlecoachError, OutputError
from needlecoach.marks import read_marks
from needlecoach.model import FloatArray, Marks
from needlecoach.reporting.bigscreen.film import film_of
from needlecoach.reporting.bigscreen.language import Language, read_language
from needlecoach.reporting.bigscreen.more import NAME, MoreTries, put_aside, write_whole
from needlecoach.reporting.bigscreen.page import Hidden, render_page, try_data
from needlecoach.reporting.bigscreen.photo import photo_jpeg
from needlecoach.reporting.bigscreen.tries import Try, tries_of
from needlecoach.reporting.reopen import PAGE_FILE, clip_place, parsed_page, read_run
from needlecoach.watching import WatchedFolder

# Each film holds a video player in the browser, which has only so many (75 in Chromium, from memory).
MOST_TRIES = 40
PAGE = "replay.html"
POLL_S = 0.4
LONGEST_HEADING = 60


@dataclass(frozen=True)
class Wishes:
    """How the page is to look: language (its name or file), photos as "NAME=FILE", heading."""

    language: str = "en"
    photos: Sequence[str] = ()
    heading: str | None = None


@dataclass(frozen=True)
class Watch:
    """A folder into which visitors' recordings are saved, and the marks that hold for all of them."""

    folder: Path
    marks: Path


@dataclass(frozen=True)
class _Filmed:
    """A scored recording as films are made of it."""

    page: dict[str, Any]
    table: pd.DataFrame
    target_name: str
    corners_px: FloatArray | None
    fps: float | None
    simulated: bool


def run_replay(
    folders: Sequence[Path],
    out: Path,
    wishes: Wishes,
    *,
    clips: Path | None = None,
    watch: Watch | None = None,
    browser: bool = True,
    quiet: bool = False,
) -> Path:
    """Write the page of the big screen from results folders, and go on adding visitors' tries to it.

    Parameters
    ----------
    out : folder for the page
    clips : folder with the recordings, when they are not where they were when scored
    watch : go on until Ctrl-C, adding each recording saved in a folder
    browser : open the page

    Raises
    ------
    NeedlecoachError
        When something is to be mended, in one line; nothing is written then.
    """
    language, hidden = _checked(wishes)
    if not folders and watch is None:
        raise NeedlecoachError("replay needs results folders, or a folder to watch (--watch); give some.")
    watched = None if watch is None else (WatchedFolder(watch.folder), _day_marks(watch.marks))
    tries = list(_all_tries(folders, clips, language, hidden, quiet=quiet))
    if not tries and watched is None:
        raise NeedlecoachError("None of these results can be shown (see above); give others.")
    path, more = out / PAGE, "" if watched is None else NAME
    if (told := put_aside(path)) is not None:
        say_error(told)
    _write(path, render_page(tries, language, hidden, heading=wishes.heading, more=more))
    _tell(path, tries, hidden)
    beside = None if watched is None else MoreTries(out)
    if browser:
        webbrowser.open(path.resolve().as_uri())
    if watched is not None and beside is not None:
        typer.echo("Waiting for new recordings, until Ctrl-C.")
        with contextlib.suppress(KeyboardInterrupt):
            _go_on(*watched, beside, language, hidden)
        if beside.newest:  # in the page itself, which can then be moved, and is not asked to wait for more
            day = [*tries, *beside.newest]
            _write(path, render_page(day, language, hidden, heading=wishes.heading))
        typer.echo(
            f"Ended. The page keeps the tries that it has, {len(beside.newest)} of visitors among them."
        )
    return path


class Loop:
    """The page of the big screen, to which results are added while it plays.

    Parameters
    ----------
    out : folder for the page
    say : prints a line: what was added, or why not

    Raises
    ------
    NeedlecoachError
        When something wished is wrong, or the page can't be written.
    """

    def __init__(self, out: Path, wishes: Wishes, *, say: Callable[[str], None] = say_error) -> None:
        self._language, self._hidden = _checked(wishes)
        self._say = say
        self.path = out / PAGE
        _write(self.path, render_page([], self._language, self._hidden, heading=wishes.heading, more=NAME))
        self._more = MoreTries(out)

    def add(self, folder: Path, clips: Path) -> None:
        """Show the attempts of a results folder next, their recording being in `clips`; never raises."""
        try:
            for data in _tries_of_folder(folder, clips, self._language, self._hidden):
                self._more.add(data)
                self._say(f"{folder.name}: shown on the big screen.")
        except NeedlecoachError as problem:
            self._say(f"Left out on the big screen: {' '.join(str(problem).split())}")


def _checked(wishes: Wishes) -> tuple[Language, Hidden]:
    """The language and the photos, once nothing of what is wished is wrong."""
    language = read_language(wishes.language)
    if wishes.heading is not None and not 0 < len(wishes.heading.strip()) <= LONGEST_HEADING:
        raise NeedlecoachError(f"--title must have 1 to {LONGEST_HEADING} characters; choose another.")
    return language, Hidden(_photos(wishes.photos))


def _all_tries(
    folders: Iterable[Path], clips: Path | None, language: Language, hidden: Hidden, *, quiet: bool
) -> Iterator[dict[str, Any]]:
    """Films of all that can be shown; what can't is told in a line each and left out."""
    n_shown = 0
    with progress_bar(quiet=quiet) as bar:
        folders = list(folders)
        update = bar("Filming")
        for done, folder in enumerate(folders, start=1):
            try:
                for data in _tries_of_folder(folder, clips, language, hidden):
                    n_shown += 1
                    if n_shown > MOST_TRIES:
                        say_error(f"Only the first {MOST_TRIES} tries are shown; a browser plays no more.")
                        return
                    yield data
            except NeedlecoachError as problem:
                say_error(f"Left out: {' '.join(str(problem).split())}")
            update(done, len(folders))


def _tries_of_folder(
    folder: Path, clips: Path | None, language: Language, hidden: Hidden
) -> Iterator[dict[str, Any]]:
    run = read_run(folder)
    filmed = _reopened(folder, run)
    with _told_as_spoilt(folder):
        shown, left = tries_of(filmed.page, filmed.table, filmed.target_name)
    for reason in left:
        say_error(f"Left out: {folder.name}: {reason}.")
    if shown:
        clip = _clip_of(folder, run, clips)
        with _told_as_spoilt(folder):
            films = list(_films(clip, filmed, shown, language, hidden))
        yield from films


@contextlib.contextmanager
def _told_as_spoilt(folder: Path) -> Iterator[None]:
    """Tell of a page file that was changed by hand, of which reading it checks the outside only."""
    try:
        yield
    except (KeyError, TypeError, ValueError, IndexError) as problem:
        raise NeedlecoachError(f"{folder}: its page.json is spoilt; score the clip again.") from problem


def _films(
    clip: Path, filmed: _Filmed, shown: Sequence[Try], language: Language, hidden: Hidden
) -> Iterator[dict[str, Any]]:
    for one in shown:
        with open_clip(clip, fps=filmed.fps) as reader:
            film = film_of(reader, filmed.page, one, filmed.corners_px)
        yield try_data(one, film, language, hidden, simulated=filmed.simulated)


def _reopened(folder: Path, run: dict[str, Any]) -> _Filmed:
    """A results folder as films are made of it."""
    if run.get("invented") is True and not (folder / PAGE_FILE).is_file():
        raise NeedlecoachError(f"{folder}: is invented, without a recording to show.")
    try:
        table = pd.read_csv(folder / "attempts.csv")
        screen = pd.read_csv(folder / "screen.csv") if run.get("screen") is not None else None
        corners = None if screen is None else _corners(screen)
        fps = run["options"].get("fps")
        name = run["marks"].get("target_name") or ""
    except (OSError, ValueError, KeyError, AttributeError) as problem:
        raise NeedlecoachError(f"{folder}: its tables can't be read; score the clip again.") from problem
    return _Filmed(parsed_page(folder), table, str(name), corners, fps, run.get("invented") is True)


def _corners(table: pd.DataFrame) -> FloatArray:
    """Corners of a filmed screen in every frame, (n, 4, 2)."""
    columns = [table[f"corner{number}_{axis}_px"] for number in (1, 2, 3, 4) for axis in "xy"]
    return np.stack(columns, axis=-1).astype(float).reshape(-1, 4, 2)


def _clip_of(folder: Path, run: dict[str, Any], clips: Path | None) -> Path:
    """Where a result's recording is, checked to be the same; ClipError when it is not there."""
    name = str(run["clip"].get("file", ""))
    path = clips / name if clips is not None and name else clip_place(folder, run)
    if path is None or not path.exists():
        where = "where it lies is not known" if path is None else f"it is not at {path}"
        raise ClipError(f"{folder.name}: its recording {name} is needed and {where}; give --clips DIR.")
    if sha256_of(path) != run["clip"].get("sha256"):
        raise ClipError(f"{folder.name}: {path} is not the recording that was scored, or was changed since.")
    return path


def _photos(given: Sequence[str]) -> dict[str, bytes]:
    """Photos by the name of their target."""
    photos = {}
    for text in given:
        name, sign, file = text.partition("=")
        if not (sign and name.strip() and file.strip()):
            raise MarksError(f'--photo must be "NAME=FILE", such as "olive=olive.jpg", got {text!r}.')
        photos[name.strip()] = photo_jpeg(Path(file.strip()))
    return photos


def _tell(path: Path, tries: Sequence[dict[str, Any]], hidden: Hidden) -> None:
    """Say what was written, and which photos are of nothing shown; a visitor's try may be of it yet."""
    typer.echo(f"{path}: {len(tries)} {'try' if len(tries) == 1 else 'tries'} to show.")
    shown = {one["photo"] for one in tries}
    for index, name in enumerate(hidden.photos):
        if index not in shown:
            say_error(f"--photo: no try shown has a target named {name!r}; its name is in the marks.")


def _day_marks(path: Path) -> Marks:
    """Marks of the day's setup, without what they say of a person."""
    marks = read_marks(path)
    if marks.target is None:
        raise MarksError(f"--marks {path}: no target is marked in it; mark one recording of this setup.")
    if marks.task == "core" and marks.core is None:
        raise MarksError(f"--marks {path}: a core needle needs its dead space and notch; put them in.")
    return replace(marks, learner=None, notes="", date=None)


def _go_on(folder: WatchedFolder, marks: Marks, more: MoreTries, language: Language, hidden: Hidden) -> None:
    """Add every recording that is saved, for ever; what can't be scored is told and skipped."""
    score = _scorer()
    while True:
        for path in folder.saved():
            began_s = time.monotonic()
            try:
                n_added = 0
                for data in score(path, marks, language, hidden):
                    more.add(data)
                    n_added += 1
                if n_added:
                    took_s = time.monotonic() - began_s
                    typer.echo(f"{path.name}: added, {took_s:.1f} s after it was noticed.")
            except KeyboardInterrupt:
                say_error(f"{path.name}: not added; it was being scored when Ctrl-C came.")
                raise
            except OutputError as problem:
                complain(problem)
            except NeedlecoachError as problem:
                say_error(f"Skipped: {path.name}: {' '.join(str(problem).split())}")
            except Exception:  # a defect of ours: its traceback is kept, and the day goes on
                traceback.print_exc()
                say_error(f"Skipped: {path.name}: an error of this program, see above; please tell of it.")
        time.sleep(POLL_S)


Score = Callable[[Path, Marks, Language, Hidden], Iterator[dict[str, Any]]]


def _scorer() -> Score:
    """Give what scores and films a recording, everything it needs loaded."""
    from needlecoach.analyse import score_clip
    from needlecoach.reporting.pagedata import page_data
    from needlecoach.reporting.tables import attempts_table

    def score(path: Path, marks: Marks, language: Language, hidden: Hidden) -> Iterator[dict[str, Any]]:
        card = score_clip(path, marks)
        corners = None if card.screen is None else card.screen.outlines_px()
        name, table = card.marks.target_name, attempts_table(card)
        filmed = _Filmed(page_data(card), table, name, corners, None, marks.invented)
        shown, left = tries_of(filmed.page, filmed.table, filmed.target_name)
        for reason in left:
            say_error(f"Skipped: {path.name}: {card.unscorable or reason}.")
        yield from _films(path, filmed, shown, language, hidden)

    return score


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text)
    except OSError as problem:
        raise OutputError(
            f"{path} can't be written ({problem.strerror or problem}); choose another --out."
        ) from problem
