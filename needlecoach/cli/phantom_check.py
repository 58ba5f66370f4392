"""The command phantom check: a look at whether a block came out well."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from needlecoach.cli.options import PixelOption, RegionOption, ScaleOption, TickOption, scale_option
from needlecoach.cli.phantom import phantom
from needlecoach.console import complain, progress_bar, stoppable
from needlecoach.errors import MarksError, UnscorableError
from needlecoach.marks import MarkOptions, checked_tick_mm, parse_region, parse_target


@phantom.command()
def check(
    clips: Annotated[
        list[Path],
        typer.Argument(metavar="CLIP...", help="A slow sweep without a needle, or stills, of one block."),
    ],
    block: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The block's file: names, speed of sound.")
    ] = None,
    target: Annotated[
        list[str] | None,
        typer.Option(
            metavar='"cx,cy,rx,ry[,tilt_deg]"', help="A target on the first CLIP, px; once for each target."
        ),
    ] = None,
    target_frame: Annotated[int, typer.Option(metavar="N", help="Frame on which they are marked.")] = 0,
    frames: Annotated[
        str | None, typer.Option(metavar='"N-M"', help="Look at this stretch of frames only.")
    ] = None,
    dynamic_range_db: Annotated[
        float, typer.Option(metavar="DB", help="What the scanner spreads over its greys (DR).")
    ] = 60.0,
    scale: ScaleOption = None,
    mm_per_px: PixelOption = None,
    tick_mm: TickOption = None,
    region: RegionOption = None,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the page.")] = Path("reports"),
    quiet: Annotated[bool, typer.Option("--quiet", help="Print errors only.")] = False,
) -> None:
    """Look at a block on a sweep or on stills: fine, usable with care, or cast again, and why.

    Gas, texture, brightness over depth, layer lines, and clear ways for a needle to each marked target, on a
    page with pictures (NAME.check.html). Marks come from NAME.marks.json beside each CLIP too. Pictures that
    show no gel are declined.

    Example: needlecoach phantom check sweep.mp4 --tick-mm 5 --target "361,261,46,46"

    Exit code: 0 looked at, 2 something to mend, 3 no block that could be checked, 130 stopped.
    """
    options = MarkOptions(
        scale=scale_option(scale, mm_per_px),
        tick_mm=checked_tick_mm(tick_mm),
        region_box_px=None if region is None else parse_region(region),
    )
    targets = tuple(parse_target(one, frame=target_frame) for one in target or ())
    with stoppable():
        from needlecoach.blockcheck.look import Wish
        from needlecoach.checking import check_into
        from needlecoach.reporting.block_page import verdict_lines

        wish = Wish(targets, dynamic_range_db, _stretch(frames))
        try:
            with progress_bar(quiet=quiet) as bar:
                found, page = check_into(clips, options, wish, out, block=block, progress=bar("looking"))
        except UnscorableError as problem:
            complain(problem)
            raise typer.Exit(3) from None
        if not quiet:
            for line in verdict_lines(found):
                typer.echo(line)
            typer.echo(f"{page}")


def _stretch(text: str | None) -> tuple[int, int] | None:
    """Read "N-M", the first and the last frame of a stretch."""
    if text is None:
        return None
    match = re.fullmatch(r"\s*(\d{1,9})\s*-\s*(\d{1,9})\s*", text)
    if match is None:
        raise MarksError(f'--frames "N-M" was expected, such as 0-200, got "{text[:40]}".')
    return int(match[1]), int(match[2])
