"""The command that scores recordings."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from needlecoach import scored
from needlecoach.cli.options import (
    KeepScreenOption,
    PixelOption,
    RateOption,
    RegionOption,
    ScaleOption,
    ScreenOption,
    TickOption,
    checked_rate,
    checked_withdrawal,
    scale_option,
    standard_option,
    target_option,
    target_size_option,
)
from needlecoach.cli.root import app
from needlecoach.console import Progress, complain, progress_bar, say_error, stoppable
from needlecoach.errors import NeedlecoachError, OutputError, UnscorableError
from needlecoach.marks import (
    MarkOptions,
    checked_tick_mm,
    parse_learner,
    parse_medium,
    parse_region,
    parse_screen,
)
from needlecoach.model import Scorecard

if TYPE_CHECKING:
    from needlecoach.scoring.standard import Standard


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
    scale: ScaleOption = None,
    mm_per_px: PixelOption = None,
    tick_mm: TickOption = None,
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
    region: RegionOption = None,
    screen: ScreenOption = None,
    fps: RateOption = None,
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
    keep_screen: KeepScreenOption = False,
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
            target=target_option(target, target_frame, no_target=no_target),
            scale=scale_option(scale, mm_per_px),
            tick_mm=checked_tick_mm(tick_mm),
            target_mm=target_size_option(target_mm, no_target=no_target),
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
        fps=checked_rate(fps),
        no_target=no_target,
        pass_withdrawal_mm=checked_withdrawal(pass_withdrawal_mm),
        replay=with_replay,
        keep_screen=keep_screen,
        standard=standard_option(standard),
        quiet=quiet,
    )
    with stoppable():
        tally = _score_all(clips, wish)
    raise typer.Exit(tally.exit_code)


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
