"""Options that several commands have, and what is checked of options before any work."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from needlecoach.errors import BlockError, MarksError, StandardError
from needlecoach.marks import checked_target_mm, parse_scale, parse_target
from needlecoach.model import Block, Scale, Target

if TYPE_CHECKING:
    from needlecoach.scoring.standard import Standard

ScaleOption = Annotated[
    str | None, typer.Option(metavar='"x1,y1,x2,y2=40mm"', help="Two points in px and the mm between them.")
]
PixelOption = Annotated[float | None, typer.Option(metavar="V", help="Size of a pixel, instead of --scale.")]
TickOption = Annotated[
    float | None,
    typer.Option(
        metavar="MM", help="Distance of neighbouring ticks, short ones too, of the ruler on the screen."
    ),
]
RegionOption = Annotated[
    str | None,
    typer.Option(metavar='"x,y,w,h"', help="Where the ultrasound picture is; found when left out."),
]
ScreenOption = Annotated[
    str | None,
    typer.Option(
        metavar='auto|"x,y x,y x,y x,y"',
        help="For a camera's video of the screen: find it, or its corners on the first frame.",
    ),
]
RateOption = Annotated[
    float | None, typer.Option(metavar="F", help="Pictures a second, for what carries no times.")
]
KeepScreenOption = Annotated[
    bool, typer.Option("--keep-screen", help="Show the whole screen, not the ultrasound picture only.")
]
TargetNameOption = Annotated[
    str | None, typer.Option(metavar="NAME", help="The target's name, such as one of its block.")
]
BlockOption = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE", help="NAME.block.json of the block: its targets, their sizes, its speed of sound."
    ),
]
ClipArgument = Annotated[
    Path, typer.Argument(metavar="CLIP", help="A video, a DICOM file, or a folder of numbered images.")
]
PortOption = Annotated[
    int | None,
    typer.Option(min=1, max=65535, metavar="N", help="Port of the page on this machine; free when left out."),
]
BrowserOption = Annotated[
    bool, typer.Option("--no-browser", help="Only print the page's address; open no browser.")
]
TargetOption = Annotated[
    str | None, typer.Option(metavar='"cx,cy,rx,ry[,tilt_deg]"', help="The target as an ellipse, in px.")
]
TargetSizeOption = Annotated[
    float | None, typer.Option(metavar="D", help="Mean diameter of the target, to take the scale from.")
]
MediumOption = Annotated[
    Literal["water", "gel", "custom"] | None,
    typer.Option(help="Correct depths for what the sound runs through; without it nothing is."),
]
TemperatureOption = Annotated[
    float | None, typer.Option(metavar="C", help="Temperature of the water or gel, in degrees Celsius.")
]
SpeedOfSoundOption = Annotated[
    float | None, typer.Option(metavar="M_S", help="Speed of sound in it, in m/s, for --medium custom.")
]
LearnerOption = Annotated[str | None, typer.Option(metavar="CODE", help="Code of the learner, such as L01.")]
GaugeOption = Annotated[
    int | None, typer.Option(min=1, max=40, metavar="G", help="Gauge of the needle, such as 21.")
]
TaskOption = Annotated[
    Literal["aspirate", "core"] | None,
    typer.Option(help="What is practised; core needs --dead-space-mm and --notch-mm."),
]
DeadSpaceOption = Annotated[
    float | None, typer.Option(metavar="MM", help="From a core needle's point to where its notch begins.")
]
NotchOption = Annotated[float | None, typer.Option(metavar="MM", help="Length of its notch.")]
ThrowOption = Annotated[
    float | None, typer.Option(metavar="MM", help="How far it is thrown forward when it is fired.")
]
NoTargetOption = Annotated[bool, typer.Option("--no-target", help="Score only what needs no target.")]
WithdrawalOption = Annotated[
    float, typer.Option(metavar="MM", help="Withdrawal after which a new pass begins.")
]
ReplayOption = Annotated[bool, typer.Option("--replay/--no-replay", help="Write the replay video.")]
StandardOption = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Criteria to hold each attempt against; see needlecoach standard."),
]
OutOption = Annotated[Path, typer.Option(help="Folder for the results, one folder per clip in it.")]


def target_option(target: str | None, frame: int | None, *, no_target: bool) -> Target | None:
    if target is not None and no_target:
        raise MarksError("--target and --no-target contradict each other; give one of them.")
    if target is None and frame is not None:
        raise MarksError("--target-frame says on which frame --target was marked; give --target too.")
    return None if target is None else parse_target(target, frame=frame or 0)


def target_name_option(name: str | None) -> str | None:
    if name is None:
        return None
    if not (name.strip() and name.isprintable() and len(name) <= 60):
        raise MarksError("--target-name must be one line of 1 to 60 letters; give it again.")
    return name.strip()


def scale_option(scale: str | None, mm_per_px: float | None) -> Scale | None:
    if scale is not None and mm_per_px is not None:
        raise MarksError("--scale and --mm-per-px say the same thing; give one of them.")
    if mm_per_px is not None:
        return Scale.from_mm_per_px(mm_per_px)
    return None if scale is None else parse_scale(scale)


def target_size_option(target_mm: float | None, *, no_target: bool) -> float | None:
    if target_mm is not None and no_target:
        raise MarksError("--target-mm takes the scale from the target; leave out --no-target.")
    return checked_target_mm(target_mm)


def standard_option(path: Path | None) -> Standard | None:
    """Read the standard before any clip, so that a fault in it costs no time."""
    if path is None:
        return None
    if path == Path():
        raise StandardError("--standard: no file was named; give the TOML file with the criteria.")
    from needlecoach.standards import read_standard

    return read_standard(path)


def block_option(path: Path | None) -> Block | None:
    """Read the block's file before any clip, so that a fault in it costs no time."""
    if path is None:
        return None
    if path == Path():
        raise BlockError("--block: no file was named; give the block's NAME.block.json.")
    from needlecoach.block.file import read_block

    return read_block(path)


def checked_rate(fps: float | None) -> float | None:
    """Refuse an impossible rate for every clip, also for a video, which has no use for one."""
    if fps is not None and not (math.isfinite(fps) and fps > 0):
        raise MarksError(f"--fps must be above 0 pictures a second, got {fps:g}; give it again.")
    return fps


def checked_withdrawal(value_mm: float) -> float:
    if not (math.isfinite(value_mm) and value_mm > 0):
        raise MarksError(f"--pass-withdrawal-mm must be above 0 mm, got {value_mm:g}; 5 is usual.")
    return value_mm
