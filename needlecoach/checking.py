"""What `phantom check` does: marks and the block's file read, pictures looked at, the page written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from needlecoach.block.file import read_block
from needlecoach.block.reading import write_whole
from needlecoach.blockcheck.look import Progress, Wish, check_block
from needlecoach.marks import MarkOptions, marks_beside
from needlecoach.model import BlockCheck
from needlecoach.reporting.block_page import render_block_page


def check_into(
    paths: Sequence[Path],
    options: MarkOptions,
    wish: Wish,
    out: Path,
    *,
    block: Path | None = None,
    progress: Progress | None = None,
) -> tuple[BlockCheck, Path]:
    """Check a block on its pictures and write the page into a folder.

    Parameters
    ----------
    paths : videos, DICOM files, folders of numbered images or single stills of one block
    options : marks of the command line, put over those of the file beside each recording
    wish : how to look
    out : folder for the page, CODE.check.html, or NAME.check.html without the block's file
    block : the block's file
    progress : called with pictures done and pictures in all

    Returns
    -------
    BlockCheck, Path
        What was found, and where the page lies.

    Raises
    ------
    NeedlecoachError
        When something is to be mended, or the pictures show no gel block; nothing is written then.
    """
    if block is not None:
        wish = replace(wish, block=read_block(block))
    marks = [marks_beside(path, options) for path in paths]
    check = check_block(paths, marks, wish, progress=progress)
    name = check.block_code or (paths[0].name if paths[0].is_dir() else paths[0].stem)
    page = out / f"{name}.check.html"
    write_whole(page, render_block_page(check))
    return check, page
