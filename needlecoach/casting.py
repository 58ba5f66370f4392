"""What `phantom plan` does: a plan read, reckoned, drawn, and written as a bench sheet and the block's
file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from needlecoach.block.cast import cast
from needlecoach.block.file import block_text
from needlecoach.block.plan_file import read_plan
from needlecoach.block.reading import write_whole
from needlecoach.errors import OutputError
from needlecoach.model import Medium
from needlecoach.model.plan import Casting
from needlecoach.reporting.bench_sheet import render_bench_sheet
from needlecoach.screen.sound import sound_in


@dataclass(frozen=True)
class Written:
    """What came of a plan: the sheet, the block's file (None when it can't be cast), a former one put
    aside."""

    casting: Casting
    sheet: Path
    block: Path | None
    aside: Path | None


def plan_block(path: Path, out: Path | None = None) -> Written:
    """Read a plan, and write its bench sheet and the block's file into a folder (None: beside the plan).

    A plan that can't be cast gets a sheet that says why, and no block's file. A block's file that is there
    already and differs is put aside, as sizes and depths may have been put right in it.

    Raises
    ------
    BlockError
        When the plan can't be read.
    OutputError
        When a file can't be written.
    """
    plan = read_plan(path)
    found = cast(plan, sound_in(Medium("gel", plan.scan_c)))
    folder = Path(path).parent if out is None else Path(out)
    sheet, place = folder / f"{plan.code}.sheet.html", folder / f"{plan.code}.block.json"
    page = render_bench_sheet(found)
    aside = None
    if found.block is not None:
        text = block_text(found.block)
        aside = _put_aside(place, text)
        write_whole(place, text)
    write_whole(sheet, page)
    return Written(found, sheet, None if found.block is None else place, aside)


def _put_aside(place: Path, text: str) -> Path | None:
    """Rename a block's file that differs from the new one; where it lies then, None when there was none."""
    try:
        if not place.is_file() or place.read_bytes() == text.encode():
            return None
        stamp = datetime.fromtimestamp(place.stat().st_mtime).strftime("%Y%m%d-%H%M%S")
        aside = place.with_name(place.name.replace(".block.json", f".block.before-{stamp}.json"))
        aside.write_bytes(place.read_bytes())
        return aside
    except OSError as problem:
        raise OutputError(f"{place}: can't be put aside ({problem.strerror or problem}).") from problem
