"""The command line: parse, call, print."""

from __future__ import annotations

import contextlib
import math
import os
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from needlecoach import __version__, scored
from needlecoach.console import Progress, StoppedError, complain, progress_bar, say_error, stoppable
from needlecoach.errors import MarksError, NeedlecoachError, OutputError, StandardError, UnscorableError
from needlecoach.marks import (
    MarkOptions,
    checked_target_mm,
    checked_tick_mm,
    parse_learner,
    parse_medium,
    parse_region,
    parse_scale,
    parse_screen,
    parse_target,
)
from needlecoach.model import Scale, Scorecard, Target

if TYPE_CHECKING:
    from needlecoach.scoring.standard import Standard

# OpenCV is imported only when needed: --help stays fast, and a machine without libGL gets a sentence.

app = typer.Typer(
    add_completion=False,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Scores practice of ultrasound-guided needle sampling on gelatin phantoms. Never for patient care.",
)


@dataclass(frozen=True)
class _Wish:
    """What the user asked for, checked and parsed."""

    marks: MarkOptions
    out: Path
    fps: float | None
    no_target: bool
    pass_withdrawal_mm: float
    replay: bool
    keep_screen: bool
    standard: Standard | None
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


# Options that several commands have.
_ScaleOption = Annotated[
    str | None, typer.Option(metavar='"x1,y1,x2,y2=40mm"', help="Two points in px and the mm between them.")
]
_PixelOption = Annotated[float | None, typer.Option(metavar="V", help="Size of a pixel, instead of --scale.")]
_TickOption = Annotated[
    float | None,
    typer.Option(
        metavar="MM", help="Distance of neighbouring ticks, short ones too, of the ruler on the screen."
    ),
]
_RegionOption = Annotated[
    str | None,
    typer.Option(metavar='"x,y,w,h"', help="Where the ultrasound picture is; found when left out."),
]
_ScreenOption = Annotated[
    str | None,
    typer.Option(
        metavar='auto|"x,y x,y x,y x,y"',
        help="For a camera's video of the screen: find it, or its corners on the first frame.",
    ),
]
_RateOption = Annotated[
    float | None, typer.Option(metavar="F", help="Pictures a second, for what carries no times.")
]
_KeepScreenOption = Annotated[
    bool, typer.Option("--keep-screen", help="Show the whole screen, not the ultrasound picture only.")
]
_ClipArgument = Annotated[
    Path, typer.Argument(metavar="CLIP", help="A video, a DICOM file, or a folder of numbered images.")
]


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
        say_error("Stopped. Clips finished before are kept, the one at work left nothing behind.")
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


@app.command()
def score(
    clips: Annotated[
        list[Path], typer.Argument(metavar="CLIP...", help="Video files, DICOM files, or folders of images.")
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
    scale: _ScaleOption = None,
    mm_per_px: _PixelOption = None,
    tick_mm: _TickOption = None,
    target_mm: Annotated[
        float | None, typer.Option(metavar="D", help="Mean diameter of the target, to take the scale from.")
    ] = None,
    medium: Annotated[
        Literal["water", "gel", "custom"] | None,
        typer.Option(help="Correct depths for what the sound runs through; without it nothing is."),
    ] = None,
    temperature: Annotated[
        float | None, typer.Option(metavar="C", help="Temperature of the water or gel, in degrees Celsius.")
    ] = None,
    speed_of_sound: Annotated[
        float | None, typer.Option(metavar="M_S", help="Speed of sound in it, in m/s, for --medium custom.")
    ] = None,
    region: _RegionOption = None,
    screen: _ScreenOption = None,
    fps: _RateOption = None,
    learner: Annotated[
        str | None, typer.Option(metavar="CODE", help="Code of the learner, such as L01.")
    ] = None,
    needle_gauge: Annotated[
        int | None, typer.Option(min=1, max=40, metavar="G", help="Gauge of the needle, such as 21.")
    ] = None,
    task: Annotated[
        Literal["aspirate", "core"] | None,
        typer.Option(help="What is practised; core needs --dead-space-mm and --notch-mm."),
    ] = None,
    dead_space_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="From a core needle's point to where its notch begins.")
    ] = None,
    notch_mm: Annotated[float | None, typer.Option(metavar="MM", help="Length of its notch.")] = None,
    throw_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="How far it is thrown forward when it is fired.")
    ] = None,
    no_target: Annotated[bool, typer.Option("--no-target", help="Score only what needs no target.")] = False,
    pass_withdrawal_mm: Annotated[
        float, typer.Option(metavar="MM", help="Withdrawal after which a new pass begins.")
    ] = 5.0,
    with_replay: Annotated[bool, typer.Option("--replay/--no-replay", help="Write the replay video.")] = True,
    keep_screen: _KeepScreenOption = False,
    standard: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Criteria to hold each attempt against; see needlecoach standard."),
    ] = None,
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
            tick_mm=checked_tick_mm(tick_mm),
            target_mm=_target_size_option(target_mm, no_target=no_target),
            medium=parse_medium(medium, temperature, speed_of_sound),
            region_box_px=None if region is None else parse_region(region),
            screen=None if screen is None else parse_screen(screen),
            learner=None if learner is None else parse_learner(learner),
            task=task,
            needle_gauge=needle_gauge,
            throw_mm=throw_mm,
            notch_mm=notch_mm,
            dead_space_mm=dead_space_mm,
        ),
        out=out,
        fps=_checked_rate(fps),
        no_target=no_target,
        pass_withdrawal_mm=_checked_withdrawal(pass_withdrawal_mm),
        replay=with_replay,
        keep_screen=keep_screen,
        standard=_standard_option(standard),
        quiet=quiet,
    )
    with stoppable():
        tally = _score_all(clips, wish)
    raise typer.Exit(tally.exit_code)


@app.command()
def inspect(
    clip: _ClipArgument,
    out: Annotated[Path, typer.Option(help="Folder for the picture.")] = Path("reports"),
    scale: _ScaleOption = None,
    mm_per_px: _PixelOption = None,
    tick_mm: _TickOption = None,
    region: _RegionOption = None,
    screen: _ScreenOption = None,
    fps: _RateOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the table as JSON.")] = False,
    keep_screen: _KeepScreenOption = False,
) -> None:
    """Show what the tool sees of a recording before scoring: a table, a picture, and what to do better.

    Run it first when a result looks wrong. Marks come from NAME.marks.json beside the clip; options go before
    them. The picture is written to NAME.inspect.png in the folder --out.

    Example: needlecoach inspect L01.mp4 --scale "530,44,530,457=40mm"

    Exit code: 0 looked at, 2 something to mend, 130 stopped.
    """
    options = MarkOptions(
        scale=_scale_option(scale, mm_per_px),
        tick_mm=checked_tick_mm(tick_mm),
        region_box_px=None if region is None else parse_region(region),
        screen=None if screen is None else parse_screen(screen),
    )
    with stoppable():
        from needlecoach.commands import run_inspect

        run_inspect(clip, options, out, fps=_checked_rate(fps), as_json=as_json, keep_screen=keep_screen)


@app.command()
def clean(
    clip: _ClipArgument,
    out: Annotated[
        Path, typer.Argument(metavar="OUT", help="The copy: an mp4 or dcm file, or a new folder.")
    ],
    region: _RegionOption = None,
) -> None:
    """Write a copy of a recording with everything outside the ultrasound picture black, to pass on.

    No sound, no tags, no other streams; frames, times and places in px stay, so marks stay valid. Text inside
    the picture stays too: look at the copy before it is passed on.

    Example: needlecoach clean L01.mp4 L01-clean.mp4

    Exit code: 0 written, 2 something to mend, 130 stopped.
    """
    options = MarkOptions(region_box_px=None if region is None else parse_region(region))
    with stoppable():
        from needlecoach.commands import run_clean

        run_clean(clip, out, options)


@app.command()
def standard(
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write it to a new file instead of printing it.")
    ] = None,
) -> None:
    """Print an example of a standard: a file in which a training programme writes its own criteria.

    The example is an illustration, not a recommendation. Change it and give it to score with --standard.

    Example: needlecoach standard --out ours.toml

    Exit code: 0 printed or written, 2 something to mend.
    """
    from needlecoach.standards import EXAMPLE, write_example

    if out is None:
        typer.echo(EXAMPLE.read_text(encoding="utf-8"), nl=False)
    else:
        write_example(out)
        typer.echo(f"{out}: change it to your own criteria, then give it to score with --standard.")


_PortOption = Annotated[
    int | None,
    typer.Option(min=1, max=65535, metavar="N", help="Port of the page on this machine; free when left out."),
]
_BrowserOption = Annotated[
    bool, typer.Option("--no-browser", help="Only print the page's address; open no browser.")
]


@app.command()
def mark(
    clip: _ClipArgument,
    out: Annotated[Path, typer.Option(help="Folder for the results, when the page scores.")] = Path(
        "reports"
    ),
    fps: _RateOption = None,
    port: _PortOption = None,
    no_browser: _BrowserOption = False,
) -> None:
    """Open a page in the browser on which a person marks a recording: target, scale, learner.

    Marks are saved to NAME.marks.json beside the clip as they are made. The page is served by this command on
    this machine alone, until Ctrl-C.

    Example: needlecoach mark L01.mp4

    Exit code: 0 ended, 2 something to mend.
    """
    with stoppable():
        from needlecoach.pages import run_mark

        run_mark(clip, out, fps=_checked_rate(fps), port=port, browser=not no_browser)


@app.command()
def review(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A clip's results folder, such as reports/L01.")
    ],
    clip: Annotated[
        Path | None, typer.Option(metavar="PATH", help="The clip, when it is not where it was when scored.")
    ] = None,
    port: _PortOption = None,
    no_browser: _BrowserOption = False,
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


def _target_size_option(target_mm: float | None, *, no_target: bool) -> float | None:
    if target_mm is not None and no_target:
        raise MarksError("--target-mm takes the scale from the target; leave out --no-target.")
    return checked_target_mm(target_mm)


def _standard_option(path: Path | None) -> Standard | None:
    """Read the standard before any clip, so that a fault in it costs no time."""
    if path is None:
        return None
    if path == Path():
        raise StandardError("--standard: no file was named; give the TOML file with the criteria.")
    from needlecoach.standards import read_standard

    return read_standard(path)


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
    with _writable(wish.out), progress_bar(quiet=wish.quiet) as bar:
        for clip, name in zip(clips, _result_names(clips), strict=True):
            try:
                _score_one(clip, name, wish=wish, tally=tally, bar=bar)
            except UnscorableError as problem:
                tally.unscorable = True
                complain(problem, about=clip)
            except NeedlecoachError as problem:
                tally.faulty = True
                complain(problem, about=clip)
        if len(clips) > 1 and tally.cards:
            from needlecoach.reporting.results import write_combined

            try:
                _say(f"All attempts: {write_combined(tally.cards, wish.out)}", wish)
            except OutputError as problem:
                tally.faulty = True
                complain(problem)
    return tally


def _score_one(clip: Path, name: str, *, wish: _Wish, tally: _Tally, bar: Callable[[str], Progress]) -> None:
    how = scored.Wish(
        fps=wish.fps,
        no_target=wish.no_target,
        pass_withdrawal_mm=wish.pass_withdrawal_mm,
        replay=wish.replay,
        keep_screen=wish.keep_screen,
        standard=wish.standard,
    )
    marks = scored.scorable_marks(clip, wish.marks, no_target=wish.no_target)
    card, folder = scored.score_into(
        clip,
        marks,
        wish.out,
        name,
        how,
        scoring=bar(f"{name}: scoring"),
        writing=bar(f"{name}: replay"),
    )
    tally.cards[name] = card
    _say(f"{name}: {folder / 'summary.html'}", wish)
    if card.unscorable:
        tally.unscorable = True
        say_error(f"{name}: can't be scored: {card.unscorable}")
    else:
        _say_attempts(card, wish)


def _say_attempts(card: Scorecard, wish: _Wish) -> None:
    from needlecoach.reporting.wording import NO_NEEDLE, headline, no_needle_hint

    for attempt in card.attempts:
        _say("  " + headline(attempt, with_target=card.marks.target is not None), wish)
    if not card.attempts:
        _say("  " + NO_NEEDLE, wish)
        _say("  " + no_needle_hint(card), wish)


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


def _say(text: str, wish: _Wish) -> None:
    if not wish.quiet:
        typer.echo(text)
