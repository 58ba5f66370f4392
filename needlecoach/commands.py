"""What the commands `inspect` and `clean` do, once the command line is read: call, write, print."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path

import cv2
import typer

from needlecoach.clips import open_clip
from needlecoach.clips.cleaning import write_clean
from needlecoach.console import progress_bar
from needlecoach.errors import MarksError, OutputError
from needlecoach.inspection import inspect_clip, region_of
from needlecoach.marks import MarkOptions, check_marks, marks_beside
from needlecoach.model import Clip, Marks, Region
from needlecoach.reporting.inspected import picture, record, table_rows

# Times matter to no copy of a folder of images; any rate opens it.
_ANY_FPS = 10.0

# A picture with anything round it leaves more of the frame than this.
MOST_FILLED = 0.97

LOOK_AT_IT = (
    "A person must still look at it before it is passed on: writing inside the ultrasound picture stays, and "
    "a region found too wide keeps what lies in it."
)


def run_inspect(
    clip: Path, options: MarkOptions, out: Path, *, fps: float | None, as_json: bool, keep_screen: bool
) -> None:
    """Look at a clip, write the picture to `out/NAME.inspect.png` and print the table.

    Raises
    ------
    NeedlecoachError
        When something is to be mended, in one line.
    """
    found, frame, marks = inspect_clip(clip, marks_beside(clip, options), fps=fps)
    drawn = picture(frame, found, target=marks.target, keep_screen=keep_screen)
    path = out / f"{found.clip.name}.inspect.png"
    _write_whole(path, cv2.imencode(".png", drawn)[1].tobytes())
    if as_json:
        typer.echo(json.dumps({**record(found), "picture": path.name}, indent=1, ensure_ascii=False))
        return
    rows = [*table_rows(found), ("Drawn", str(path))]
    width = max(len(label) for label, _ in rows)
    for label, words in rows:
        typer.echo(f"{label:<{width}}  {' '.join(words.split())}")


def run_clean(clip: Path, out: Path, options: MarkOptions) -> None:
    """Write a copy of a clip with the ultrasound picture only, and say that a person must look at it.

    Raises
    ------
    NeedlecoachError
        When something is to be mended, in one line; nothing is left then.
    """
    marks = marks_beside(clip, options)
    with open_clip(clip, fps=_ANY_FPS if clip.is_dir() else None) as reader, progress_bar(quiet=False) as bar:
        check_marks(Marks(region_box_px=marks.region_box_px), reader.clip)
        region = region_of(reader, marks.region_box_px)
        if region.source == "found" and _fills(region, reader.clip):
            raise MarksError(
                f"{clip}: no picture stands out from what is round it, so nothing would be blackened; give "
                "--region, also where a camera filmed the screen."
            )
        write_clean(reader, out, region, bar(f"{clip.name}: cleaning"))
    kept = ",".join(map(str, region.box_px))
    typer.echo(f"{out}: only the {region.kind} at {kept} (x,y,w,h, {region.source}) is kept.")
    typer.echo(LOOK_AT_IT)


def _fills(region: Region, clip: Clip) -> bool:
    """Tell whether a region is about the whole frame."""
    return bool(region.mask(clip.height_px, clip.width_px).mean() > MOST_FILLED)


def _write_whole(path: Path, content: bytes) -> None:
    """Write a file under another name and move it into place."""
    waiting = path.with_name(f".{path.name}.partial")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        waiting.write_bytes(content)
        os.replace(waiting, path)
    except OSError as problem:
        with contextlib.suppress(OSError):  # what stands in the way may be no folder
            waiting.unlink()
        raise OutputError(
            f"{path} can't be written ({problem.strerror or problem}); choose another --out."
        ) from problem
