"""The day's setup: marks made once on a still of the live picture, and kept for all attempts."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from pathlib import Path

from needlecoach.blockuse import block_beside, with_block
from needlecoach.errors import MarksError
from needlecoach.marks import (
    MarkOptions,
    MarksFile,
    marks_from_json,
    marks_path,
    merge_marks,
    read_marks,
)
from needlecoach.model import Block, Marks

SUFFIX = ".marks.json"
# What can be the recording that marks were made on, the likeliest first.
_RECORDINGS = (".mkv", ".mp4", ".avi", ".mov", ".webm", ".wmv", ".m4v", ".dcm", "")


@dataclass(frozen=True)
class Setup:
    """Where the day's marks are, and the options of the command line that go over them.

    `clip` is the recording they were made on, None where it is not known or gone: the marks' frame is then
    not to be had, and the live picture stands for it. `file` is None while there are no marks but options.
    """

    options: MarkOptions = field(default_factory=MarkOptions)
    file: Path | None = None
    clip: Path | None = None

    @classmethod
    def of_file(cls, file: Path, options: MarkOptions) -> Setup:
        """Setup of a marks file, with the recording beside it if that is there.

        Raises
        ------
        MarksError
            When the file is not called NAME.marks.json, can't be read or understood.
        """
        if not file.name.endswith(SUFFIX):
            raise MarksError(f"--setup {file}: expected is a file called NAME{SUFFIX}; mark makes one.")
        read_marks(file)
        stem = file.name.removesuffix(SUFFIX)
        there = (file.with_name(stem + ending) for ending in _RECORDINGS)
        return cls(options, file, next((path for path in there if path.exists()), None))

    @classmethod
    def of_clip(cls, clip: Path, options: MarkOptions) -> Setup:
        """Setup of a still of the live picture: its marks lie beside it, or will."""
        return cls(options, marks_path(clip), clip)

    def is_marked(self) -> bool:
        """Tell whether there is anything to go by: a marks file, or a target on the command line."""
        return self.has_file() or self.options.target is not None

    def has_file(self) -> bool:
        """Tell whether the marks file is there."""
        return self.file is not None and self.file.is_file()

    def marks(self) -> Marks:
        """Marks with the options over them, and with what the block's file tells.

        Raises
        ------
        NeedlecoachError
            When they can't be read or contradict each other, or the block's file can't be read.
        """
        marks = self._own_marks()
        block = self._block_of(marks)
        return marks if block is None else with_block(marks, block)

    def block(self) -> Block | None:
        """The block that is pricked: of the command line, else the marked one, its file beside the marks."""
        return self._block_of(self._own_marks())

    def marks_file(self) -> MarksFile | None:
        """Content of the marks file itself, None where there is none; MarksError when it can't be read."""
        if not self.has_file():
            return None
        assert self.file is not None
        try:
            return marks_from_json(self.file.read_bytes().decode("utf-8-sig"))
        except (OSError, UnicodeDecodeError) as problem:
            raise MarksError(f"{self.file}: can't be read; save the marks again.") from problem

    def _own_marks(self) -> Marks:
        if not self.has_file():
            return merge_marks(Marks(), self.options)
        assert self.file is not None
        return merge_marks(read_marks(self.file), self.options)

    def _block_of(self, marks: Marks) -> Block | None:
        if self.options.block is not None or self.file is None or marks.block is None:
            return self.options.block
        return block_beside(self.file, marks.block)

    def version(self) -> str:
        """What tells one content of the marks file from another; "" while there is none."""
        try:
            return "" if self.file is None else hashlib.sha256(self.file.read_bytes()).hexdigest()[:20]
        except OSError:
            return ""

    def for_clip(self, clip: Path) -> Setup:
        """The same marks, with another recording to know the target from."""
        return replace(self, clip=clip)
