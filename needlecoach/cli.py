"""The command line: parse, call, print."""

from __future__ import annotations

import contextlib
import math
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Literal

import typer

from needlecoach import __version__
from needlecoach.errors import ClipError, MarksError, NeedlecoachError, OutputError, UnscorableError
from needlecoach.marks import (
    MarkOptions,
    marks_path,
    merge_marks,
    parse_region,
    parse_scale,
    parse_screen,
    parse_target,
    read_marks,
)
from needlecoach.model import Marks, Scale, Scorecard, Target

# OpenCV is imported only when needed: --help stays fast, and a machine without libGL gets a sentence.

app = typer.Typer(
    add_completion=False,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Scores practice of ultrasound-guided needle sampling on gelatin phantoms. Never for patient care.",
)

_Progress = Callable[[int, int], None]

_HOW_TO_MARK = (
    'write {file} beside it: {{"schema": 1, "target": {{"ellipse": {{"centre_px": [x, y], "semi_axes_px": '
    '[rx, ry]}}}}}}; or give --target "cx,cy,rx,ry" (or --no-target)'
)

_REDRAW_S = 0.1

_PROCESS_ENDED = (
    "the process that follows the needle was ended from outside, perhaps for want of memory; close other "
    "programs and score the clip again."
)


class _StoppedError(Exception):
    """Ctrl-C while clips were being scored."""


@dataclass(frozen=True)
class _Wish:
    """What the user asked for, checked and parsed."""

    marks: MarkOptions
    out: Path
    fps: float | None
    no_target: bool
    pass_withdrawal_mm: float
    replay: bool
    quiet: bool


@dataclass
class _Tally:
    """What came of the clips so far."""

    cards: dict[str, Scorecard] = field(default_factory=dict)
    faulty: bool = False
    unscorable: bool = False

    @property
    def exit_code(self) -> int:
        return 2 if self.faulty else 3 if self.unscorable else 0


def main() -> None:
    """Run the command line; what a user can mend becomes one line on stderr and exit code 2."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a file name may hold what the terminal can't show
    try:
        app()
    except NeedlecoachError as problem:
        _complain(problem)
        sys.exit(2)
    except (KeyboardInterrupt, _StoppedError):
        _say_error("Stopped. Clips finished before are kept, the one at work left nothing behind.")
        sys.exit(130)
    except ImportError as problem:
        if ".so" not in str(problem):
            raise
        _say_error(
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


@app.command()
def score(
    clips: Annotated[
        list[Path], typer.Argument(metavar="CLIP...", help="Video files, or folders of numbered images.")
    ],
    out: Annotated[Path, typer.Option(help="Folder for the results, one folder per clip in it.")] = Path(
        "reports"
    ),
    target: Annotated[
        str | None, typer.Option(metavar='"cx,cy,rx,ry[,tilt_deg]"', help="The target as an ellipse, in px.")
    ] = None,
    target_frame: Annotated[
        int | None, typer.Option(min=0, metavar="N", help="Frame on which --target was marked (first: 0).")
    ] = None,
    scale: Annotated[
        str | None,
        typer.Option(metavar='"x1,y1,x2,y2=40mm"', help="Two points in px and the mm between them."),
    ] = None,
    mm_per_px: Annotated[
        float | None, typer.Option(metavar="V", help="Size of a pixel, instead of --scale.")
    ] = None,
    region: Annotated[
        str | None,
        typer.Option(metavar='"x,y,w,h"', help="Where the ultrasound picture is; found when left out."),
    ] = None,
    screen: Annotated[
        str | None,
        typer.Option(
            metavar='auto|"x,y x,y x,y x,y"',
            help="For a camera's video of the screen: find it, or its corners on the first frame.",
        ),
    ] = None,
    fps: Annotated[
        float | None, typer.Option(metavar="F", help="Pictures a second, for folders of images.")
    ] = None,
    learner: Annotated[
        str | None, typer.Option(metavar="CODE", help="Code of the learner, such as L01.")
    ] = None,
    needle_gauge: Annotated[
        int | None, typer.Option(min=1, max=40, metavar="G", help="Gauge of the needle, such as 21.")
    ] = None,
    task: Annotated[
        Literal["aspirate", "core"] | None,
        typer.Option(help="What is practised; core biopsies can't be scored yet."),
    ] = None,
    no_target: Annotated[bool, typer.Option("--no-target", help="Score only what needs no target.")] = False,
    pass_withdrawal_mm: Annotated[
        float, typer.Option(metavar="MM", help="Withdrawal after which a new pass begins.")
    ] = 5.0,
    with_replay: Annotated[bool, typer.Option("--replay/--no-replay", help="Write the replay video.")] = True,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print errors only.")] = False,
) -> None:
    """Score recordings: attempts, passes, hits and distances, with a page to look at.

    Marks (target, scale, learner...) come from NAME.marks.json beside each clip; options here go before them
    and hold for every clip given.

    Example: needlecoach score L01.mp4 --target "361,261,46,46" --scale "530,44,530,457=40mm"

    Exit code: 0 scored, 2 something to mend, 3 scored but a clip could not be scored, 130 stopped.
    """
    wish = _Wish(
        marks=MarkOptions(
            target=_target_option(target, target_frame, no_target=no_target),
            scale=_scale_option(scale, mm_per_px),
            region_box_px=None if region is None else parse_region(region),
            screen=None if screen is None else parse_screen(screen),
            learner=learner,
            task=task,
            needle_gauge=needle_gauge,
        ),
        out=out,
        fps=_checked_rate(fps),
        no_target=no_target,
        pass_withdrawal_mm=_checked_withdrawal(pass_withdrawal_mm),
        replay=with_replay,
        quiet=quiet,
    )
    try:
        tally = _score_all(clips, wish)
    except KeyboardInterrupt:
        raise _StoppedError from None  # typer would end the program by itself, without a word
    raise typer.Exit(tally.exit_code)


def _target_option(target: str | None, frame: int | None, *, no_target: bool) -> Target | None:
    if target is not None and no_target:
        raise MarksError("--target and --no-target contradict each other; give one of them.")
    if target is None and frame is not None:
        raise MarksError("--target-frame says on which frame --target was marked; give --target too.")
    return None if target is None else parse_target(target, frame=frame or 0)


def _scale_option(scale: str | None, mm_per_px: float | None) -> Scale | None:
    if scale is not None and mm_per_px is not None:
        raise MarksError("--scale and --mm-per-px say the same thing; give one of them.")
    if mm_per_px is not None:
        return Scale.from_mm_per_px(mm_per_px)
    return None if scale is None else parse_scale(scale)


def _checked_rate(fps: float | None) -> float | None:
    """Refuse an impossible rate for every clip, also for a video, which has no use for one."""
    if fps is not None and not (math.isfinite(fps) and fps > 0):
        raise MarksError(f"--fps must be above 0 pictures a second, got {fps:g}; give it again.")
    return fps


def _checked_withdrawal(value_mm: float) -> float:
    if not (math.isfinite(value_mm) and value_mm > 0):
        raise MarksError(f"--pass-withdrawal-mm must be above 0 mm, got {value_mm:g}; 5 is usual.")
    return value_mm


def _score_all(clips: Sequence[Path], wish: _Wish) -> _Tally:
    """Score clip after clip; a fault in one is printed and the others go on."""
    tally = _Tally()
    with _writable(wish.out), _progress_bar(quiet=wish.quiet) as bar:
        for clip, name in zip(clips, _result_names(clips), strict=True):
            try:
                _score_one(clip, name, wish=wish, tally=tally, bar=bar)
            except UnscorableError as problem:
                tally.unscorable = True
                _complain(problem, about=clip)
            except NeedlecoachError as problem:
                tally.faulty = True
                _complain(problem, about=clip)
        if len(clips) > 1 and tally.cards:
            from needlecoach.reporting.results import write_combined

            try:
                _say(f"All attempts: {write_combined(tally.cards, wish.out)}", wish)
            except OutputError as problem:
                tally.faulty = True
                _complain(problem)
    return tally


def _score_one(clip: Path, name: str, *, wish: _Wish, tally: _Tally, bar: Callable[[str], _Progress]) -> None:
    marks = _marks_of(clip, wish)
    from concurrent.futures import BrokenExecutor

    from needlecoach.analyse import score_clip
    from needlecoach.reporting.results import write_results
    from needlecoach.tracking.beside import another_process

    try:
        with another_process() as beside:
            card = score_clip(
                clip,
                marks,
                no_target=wish.no_target,
                fps=wish.fps,
                pass_withdrawal_mm=wish.pass_withdrawal_mm,
                progress=_loading_charts(bar(f"{name}: scoring")),
                beside=beside,
            )
    except BrokenExecutor:
        raise NeedlecoachError(f"{clip.name}: {_PROCESS_ENDED}") from None
    folder = write_results(card, wish.out, replay=wish.replay, progress=bar(f"{name}: replay"), name=name)
    tally.cards[name] = card
    _say(f"{name}: {folder / 'summary.html'}", wish)
    if card.unscorable:
        tally.unscorable = True
        _say_error(f"{name}: can't be scored: {card.unscorable}")
    else:
        _say_attempts(card, wish)


def _loading_charts(update: _Progress) -> _Progress:
    """Have the charts' library loaded while the needle of the last frames is followed."""

    def reached(done: int, total: int) -> None:
        update(done, total)
        if done == total:
            from needlecoach.reporting.sheet import load

            threading.Thread(target=load, name="needlecoach-load", daemon=True).start()

    return reached


def _say_attempts(card: Scorecard, wish: _Wish) -> None:
    from needlecoach.reporting.wording import NO_NEEDLE, headline, no_needle_hint

    for attempt in card.attempts:
        _say("  " + headline(attempt, with_target=card.marks.target is not None), wish)
    if not card.attempts:
        _say("  " + NO_NEEDLE, wish)
        _say("  " + no_needle_hint(card), wish)


def _marks_of(clip: Path, wish: _Wish) -> Marks:
    """Marks from the clip's file and the options; MarksError when something that scoring needs is missing."""
    if not clip.exists():
        raise ClipError(f"{clip}: there is no such file or folder; check the name.")
    file = marks_path(clip)
    marks = merge_marks(read_marks(file) if os.path.lexists(file) else Marks(), wish.marks)
    if wish.no_target:
        marks = replace(marks, target=None)
    if marks.task == "core":
        raise MarksError(f"{clip.name}: core biopsies can't be scored yet; only the task aspirate can.")
    if marks.target is None and not wish.no_target:
        raise MarksError(f"{clip.name}: no target is marked; {_HOW_TO_MARK.format(file=file.name)}.")
    return marks


def _result_names(clips: Sequence[Path]) -> list[str]:
    """Folder names of the results: the clips' names, the second of the same name with -2 and so on."""
    names: list[str] = []
    taken: set[str] = set()
    for clip in clips:
        path = Path(os.path.abspath(clip))
        stem = path.name if path.is_dir() else path.stem
        name, number = stem, 1
        while name.casefold() in taken:  # some disks take A and a for the same name
            number += 1
            name = f"{stem}-{number}"
        taken.add(name.casefold())
        names.append(name)
    return names


@contextlib.contextmanager
def _writable(out: Path) -> Iterator[None]:
    """Make sure, before minutes of work, that results can be written; an empty folder of ours goes again."""
    made = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=out):
            pass
    except OSError as problem:
        _remove_empty(made)
        raise OutputError(
            f"Results can't be written to {out} ({problem.strerror or problem}); choose another --out."
        ) from problem
    try:
        yield
    finally:
        _remove_empty(made)


def _remove_empty(folders: Sequence[Path]) -> None:
    for folder in folders:
        with contextlib.suppress(OSError):  # it holds results
            folder.rmdir()


@contextlib.contextmanager
def _progress_bar(*, quiet: bool) -> Iterator[Callable[[str], _Progress]]:
    """Give a maker of progress callbacks; they draw a bar with rate and time left on stderr if a terminal."""
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True, disable=quiet or not console.is_terminal) as bar:

        def start(title: str) -> _Progress:
            task = bar.add_task(escape(title), total=None, rate="", visible=False)
            drawn_s = -math.inf

            def update(done: int, total: int) -> None:
                nonlocal drawn_s
                finished = total > 0 and done >= total
                if time.monotonic() - drawn_s < _REDRAW_S and not finished:  # a rate takes long to work out
                    return
                drawn_s = time.monotonic()
                speed = bar.tasks[bar.task_ids.index(task)].speed
                rate = f"{speed:.0f} frames/s" if speed else ""
                bar.update(task, completed=done, total=total or None, rate=rate, visible=not finished)

            return update

        yield start


def _say(text: str, wish: _Wish) -> None:
    if not wish.quiet:
        typer.echo(text)


def _say_error(text: str) -> None:
    typer.echo(text, err=True)


def _complain(problem: NeedlecoachError, *, about: Path | None = None) -> None:
    """Print an error as one line, with the clip's name where it does not say it itself."""
    text = _one_line(problem)
    if about is not None and _one_line(about.stem) not in text:
        text = f"{_one_line(about.name)}: {text}"
    _say_error(f"Error: {text}")


def _one_line(value: object) -> str:
    return " ".join(str(value).split())
