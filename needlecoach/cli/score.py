"""The command that scores recordings."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from needlecoach import scored
from needlecoach.cli.options import (
    BlockOption,
    DeadSpaceOption,
    GaugeOption,
    KeepScreenOption,
    LearnerOption,
    MediumOption,
    NoTargetOption,
    NotchOption,
    OutOption,
    PixelOption,
    RateOption,
    RegionOption,
    ReplayOption,
    ScaleOption,
    ScreenOption,
    SpeedOfSoundOption,
    StandardOption,
    TargetNameOption,
    TargetOption,
    TargetSizeOption,
    TaskOption,
    TemperatureOption,
    ThrowOption,
    TickOption,
    WithdrawalOption,
    block_option,
    checked_rate,
    checked_withdrawal,
    scale_option,
    standard_option,
    target_name_option,
    target_option,
    target_size_option,
)
from needlecoach.cli.root import app
from needlecoach.console import complain, progress_bar, say_error, stoppable
from needlecoach.errors import NeedlecoachError, OutputError, UnscorableError
from needlecoach.marks import (
    MarkOptions,
    checked_tick_mm,
    parse_learner,
    parse_medium,
    parse_region,
    parse_screen,
)


@dataclass(frozen=True)
class _Wish:
    """What the user asked for, checked and parsed."""

    marks: MarkOptions
    out: Path
    how: scored.Wish
    jobs: int | None
    again: bool
    dask: str | None
    quiet: bool


@app.command()
def score(
    clips: Annotated[
        list[Path], typer.Argument(metavar="CLIP...", help="Video files, DICOM files, or folders of images.")
    ],
    out: OutOption = Path("reports"),
    target: TargetOption = None,
    target_frame: Annotated[
        int | None, typer.Option(min=0, metavar="N", help="Frame on which --target was marked (first: 0).")
    ] = None,
    target_name: TargetNameOption = None,
    block: BlockOption = None,
    scale: ScaleOption = None,
    mm_per_px: PixelOption = None,
    tick_mm: TickOption = None,
    target_mm: TargetSizeOption = None,
    medium: MediumOption = None,
    temperature: TemperatureOption = None,
    speed_of_sound: SpeedOfSoundOption = None,
    region: RegionOption = None,
    screen: ScreenOption = None,
    fps: RateOption = None,
    learner: LearnerOption = None,
    needle_gauge: GaugeOption = None,
    task: TaskOption = None,
    dead_space_mm: DeadSpaceOption = None,
    notch_mm: NotchOption = None,
    throw_mm: ThrowOption = None,
    no_target: NoTargetOption = False,
    pass_withdrawal_mm: WithdrawalOption = 5.0,
    with_replay: ReplayOption = True,
    keep_screen: KeepScreenOption = False,
    standard: StandardOption = None,
    jobs: Annotated[
        int | None,
        typer.Option(
            min=1, metavar="N", help="Clips scored at once, of several; as many as there are cores."
        ),
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Of several clips score those too whose results are there.")
    ] = False,
    dask: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Scheduler of a Dask cluster whose workers score instead."),
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
            target_name=target_name_option(target_name),
            block=block_option(block),
        ),
        out=out,
        how=scored.Wish(
            fps=checked_rate(fps),
            no_target=no_target,
            pass_withdrawal_mm=checked_withdrawal(pass_withdrawal_mm),
            replay=with_replay,
            keep_screen=keep_screen,
            standard=standard_option(standard),
        ),
        jobs=jobs,
        again=again,
        dask=dask,
        quiet=quiet,
    )
    clips = _each_once(clips)
    with stoppable(), _writable(out):
        code = _score_one(clips[0], wish) if _is_one(clips, wish) else _score_several(clips, wish)
    raise typer.Exit(code)


def _each_once(clips: Sequence[Path]) -> list[Path]:
    """The clips without those named again, as patterns that overlap do."""
    once: dict[str, Path] = {}
    for clip in clips:
        once.setdefault(os.path.abspath(clip), clip)
    return list(once.values())


def _is_one(clips: Sequence[Path], wish: _Wish) -> bool:
    return len(clips) == 1 and wish.dask is None


def _score_several(clips: Sequence[Path], wish: _Wish) -> int:
    # Imported here, as one clip needs none of it.
    from needlecoach.batch.processes import cores
    from needlecoach.batch.run import Order
    from needlecoach.cli.several import score_several

    again = wish.again or len(clips) == 1
    order = Order(clips, _result_names(clips), wish.out, wish.marks, wish.how, again)
    return score_several(order, n_processes=wish.jobs or cores(), dask=wish.dask, quiet=wish.quiet)


def _score_one(clip: Path, wish: _Wish) -> int:
    """Score the only clip, also when it was scored before; return the exit code."""
    name = _result_names([clip])[0]
    try:
        with progress_bar(quiet=wish.quiet) as bar:
            marks = scored.scorable_marks(clip, wish.marks, no_target=wish.how.no_target)
            bars = {"scoring": bar(f"{name}: scoring"), "writing": bar(f"{name}: replay")}
            card, folder = scored.score_into(clip, marks, wish.out, name, wish.how, **bars)
    except NeedlecoachError as problem:
        complain(problem, about=clip)
        return 3 if isinstance(problem, UnscorableError) else 2
    _say(f"{name}: {folder / 'summary.html'}", wish)
    if card.unscorable:
        say_error(f"{name}: can't be scored: {card.unscorable}")
        return 3
    from needlecoach.reporting.wording import lines_of

    for line in lines_of(card):
        _say(f"  {line}", wish)
    return 0


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
