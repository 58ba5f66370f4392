"""The commands about a block itself: phantom plan, phantom targets, phantom example."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from needlecoach.cli.root import app
from needlecoach.console import say_error, stoppable

phantom = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The block itself: plan it and cast by the sheet, look at how it came out.",
)
app.add_typer(phantom, name="phantom")


class Standing(StrEnum):
    """How far a learner is."""

    new = "new"
    practised = "practised"
    sure = "sure"


@phantom.command()
def plan(
    file: Annotated[
        Path, typer.Argument(metavar="PLAN", help="The plan: a JSON file (phantom example writes one).")
    ],
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for both files; beside the plan if not given.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print errors only.")] = False,
) -> None:
    """Plan a block: a bench sheet to print (CODE.sheet.html) and the block's file (CODE.block.json).

    The sheet has the block drawn to scale, amounts, order of work, where each thing ends, and cautions. A
    plan that can't be cast gets a sheet that says why, and no block's file.

    Example: needlecoach phantom plan plan.json --out blocks

    Exit code: 0 written, 2 something to mend, 130 stopped.
    """
    with stoppable():
        from needlecoach.casting import plan_block

        written = plan_block(file, out)
        for fault in written.casting.faults:
            if fault.stops:
                say_error(fault.words)
            elif not quiet:
                typer.echo(f"To mind: {fault.words}")
        if not quiet and written.aside is not None:
            typer.echo(f"{written.aside}: the block's file that was there, put aside.")
        if written.block is None:
            say_error(f"{file}: can't be cast so; {written.sheet} shows it. No block's file was written.")
            raise typer.Exit(2)
        if not quiet:
            typer.echo(f"{written.sheet}: print it at 100 %.")
            typer.echo(
                f"{written.block}: give it to score with --block; put right in it what came out otherwise."
            )


@phantom.command()
def targets(
    probe_depth: Annotated[
        float, typer.Option("--probe-depth", metavar="MM", help="How deep the picture reaches.")
    ],
    standing: Annotated[Standing | None, typer.Option(help="How far the learner is.")] = None,
    masters: Annotated[
        float | None,
        typer.Option(metavar="BITS", help="Instead: the index of difficulty that the learner masters."),
    ] = None,
    count: Annotated[int, typer.Option(help="How many.")] = 5,
    needle: Annotated[float, typer.Option(metavar="MM", help="Length of the needle.")] = 90.0,
) -> None:
    """Suggest targets from easy to hard: size, depth and angle of the needle, by index of difficulty.

    Index: log2(way of the needle / width of the target + 1), in bits.

    Example: needlecoach phantom targets --probe-depth 60 --standing new

    Exit code: 0 printed, 2 something to mend.
    """
    from needlecoach.block.targets import graded_targets, range_bits

    wanted = range_bits(None if standing is None else standing.value, masters)
    found = graded_targets(probe_depth, wanted, count=count, needle_mm=needle)
    typer.echo("bits  width mm  depth mm  angle  way mm  such as")
    for one in found:
        things = ", ".join(one.things) or "cut to size"
        typer.echo(
            f"{one.bits:4.1f}  {one.width_mm:8.1f}  {one.depth_mm:8.1f}  {one.angle_deg:4.0f}°  "
            f"{one.path_mm:6.1f}  {things}"
        )
    short = [one for one in found if abs(one.bits - one.wanted_bits) > 0.15]
    if short:
        typer.echo(
            f"{len(short)} of {len(found)} are not as hard as asked for ({short[-1].wanted_bits:.1f} bits "
            "at most): "
            "smaller things are lost in gel, and picture and needle let no longer way."
            if short[-1].bits < short[-1].wanted_bits
            else f"{len(short)} of {len(found)} are harder than asked for: larger things fill the picture."
        )


@phantom.command()
def example(
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write it to a new file instead of printing it.")
    ] = None,
) -> None:
    """Print an example of a plan, invented, to be changed to one's own container, layers and things.

    Example: needlecoach phantom example --out plan.json

    Exit code: 0 printed or written, 2 something to mend.
    """
    from needlecoach.block.plan_file import EXAMPLE, write_example

    if out is None:
        typer.echo(EXAMPLE.read_text(encoding="utf-8"), nl=False)
    else:
        write_example(out)
        typer.echo(f"{out}: change it to your own, then give it to phantom plan.")
