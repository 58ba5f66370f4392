"""The commands that look at a recording, copy it, or print an example: inspect, clean, standard."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from needlecoach.cli.options import (
    ClipArgument,
    KeepScreenOption,
    PixelOption,
    RateOption,
    RegionOption,
    ScaleOption,
    ScreenOption,
    TickOption,
    checked_rate,
    scale_option,
)
from needlecoach.cli.root import app
from needlecoach.console import stoppable
from needlecoach.marks import MarkOptions, checked_tick_mm, parse_region, parse_screen


@app.command()
def inspect(
    clip: ClipArgument,
    out: Annotated[Path, typer.Option(help="Folder for the picture.")] = Path("reports"),
    scale: ScaleOption = None,
    mm_per_px: PixelOption = None,
    tick_mm: TickOption = None,
    region: RegionOption = None,
    screen: ScreenOption = None,
    fps: RateOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the table as JSON.")] = False,
    keep_screen: KeepScreenOption = False,
) -> None:
    """Show what the tool sees of a recording before scoring: a table, a picture, and what to do better.

    Run it first when a result looks wrong. Marks come from NAME.marks.json beside the clip; options go before
    them. The picture is written to NAME.inspect.png in the folder --out.

    Example: needlecoach inspect L01.mp4 --scale "530,44,530,457=40mm"

    Exit code: 0 looked at, 2 something to mend, 130 stopped.
    """
    options = MarkOptions(
        scale=scale_option(scale, mm_per_px),
        tick_mm=checked_tick_mm(tick_mm),
        region_box_px=None if region is None else parse_region(region),
        screen=None if screen is None else parse_screen(screen),
    )
    with stoppable():
        from needlecoach.commands import run_inspect

        run_inspect(clip, options, out, fps=checked_rate(fps), as_json=as_json, keep_screen=keep_screen)


@app.command()
def clean(
    clip: ClipArgument,
    out: Annotated[
        Path, typer.Argument(metavar="OUT", help="The copy: an mp4 or dcm file, or a new folder.")
    ],
    region: RegionOption = None,
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
