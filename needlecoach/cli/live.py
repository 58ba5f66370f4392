"""The command that follows a needle while it moves: live."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from needlecoach import scored
from needlecoach.cli.options import (
    BlockOption,
    BrowserOption,
    DeadSpaceOption,
    GaugeOption,
    LearnerOption,
    MediumOption,
    NoTargetOption,
    NotchOption,
    OutOption,
    PixelOption,
    PortOption,
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
from needlecoach.console import stoppable
from needlecoach.errors import MarksError
from needlecoach.marks import (
    MarkOptions,
    checked_tick_mm,
    parse_learner,
    parse_medium,
    parse_region,
    parse_screen,
)


@app.command()
def live(
    source: Annotated[
        str,
        typer.Argument(metavar="SOURCE", help="A camera's number, a device's path, or a stream's address."),
    ],
    setup: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Marks of the day (NAME.marks.json); can be made on the page."),
    ] = None,
    out: OutOption = Path("reports"),
    size: Annotated[
        str | None, typer.Option(metavar="WxH", help="Size to ask a camera for; 1280x720 when left out.")
    ] = None,
    fps: Annotated[
        float | None, typer.Option(metavar="N", help="Pictures a second to ask for; 30 when left out.")
    ] = None,
    target: TargetOption = None,
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
    learner: LearnerOption = None,
    needle_gauge: GaugeOption = None,
    task: TaskOption = None,
    dead_space_mm: DeadSpaceOption = None,
    notch_mm: NotchOption = None,
    throw_mm: ThrowOption = None,
    no_target: NoTargetOption = False,
    pass_withdrawal_mm: WithdrawalOption = 5.0,
    with_replay: ReplayOption = True,
    standard: StandardOption = None,
    visitor: Annotated[
        bool, typer.Option("--visitor", help="For visitors: no code, big words, cautions between tries.")
    ] = False,
    replay_page: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Show each try on a big screen's page there; see replay."),
    ] = None,
    port: PortOption = None,
    no_browser: BrowserOption = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print the page's address only.")] = False,
) -> None:
    """Follow the needle while it moves, from a camera or a network stream, and score each attempt at once.

    A page in the browser shows the picture with shaft, tip and target drawn on, and the score when the needle
    has left. Each attempt is recorded, scored again with hindsight and left in the results folder as score
    would leave it. The page is served on this machine alone, until Ctrl-C; nothing is sent anywhere.

    Example: needlecoach live 0 --learner L01

    Exit code: 0 ended, 2 something to mend.
    """
    if visitor and learner is not None:
        raise MarksError("--visitor and --learner contradict each other: a visitor has no code.")
    marks = MarkOptions(
        target=target_option(target, None, no_target=no_target),
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
    )
    wish = scored.Wish(
        no_target=no_target,
        pass_withdrawal_mm=checked_withdrawal(pass_withdrawal_mm),
        replay=with_replay,
        standard=standard_option(standard),
    )
    asked_rate = checked_rate(fps)
    with stoppable():
        from needlecoach.clips.device import parse_size
        from needlecoach.live.launch import LiveOrder, run_live

        order = LiveOrder(
            source,
            out,
            wish,
            marks,
            setup,
            size=parse_size(size),
            fps=asked_rate,
            visitor=visitor,
            replay_page=replay_page,
        )
        run_live(order, port=port, browser=not no_browser, quiet=quiet)
