"""What a person put right in a result: read, check, write `NAME.corrections.json` beside the clip."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, ValidationError, model_validator

from needlecoach.errors import MarksError
from needlecoach.marks import PointPx, StrictEntry, first_fault, marks_path, parse_learner, write_json
from needlecoach.model import Correction, CorrectionKind, Point

SCHEMA = 1
MOST_CORRECTIONS = 10_000
# A tip that is inferred may lie a little beyond the frame's edge, by so much of its side.
OUTSIDE_SHARE = 0.1


class CorrectionEntry(StrictEntry):
    """One correction, as in `model.Correction`; `by` is a code, never a name."""

    kind: CorrectionKind
    frame: Annotated[int, Field(ge=0, le=10**9)]
    tip_px: PointPx | None = None
    visible: bool = True
    by: Annotated[str, Field(max_length=16)] = ""
    at: Annotated[AwareDatetime, Field(strict=False)] | None = None

    @model_validator(mode="after")
    def _place(self) -> CorrectionEntry:
        if (self.kind == "tip") != (self.tip_px is not None):
            raise ValueError('give "tip_px" with kind "tip", and with no other')
        return self

    def to_correction(self) -> Correction:
        """Correction for scoring; MarksError when `by` could be a name."""
        return Correction(
            self.kind,
            self.frame,
            tip_px=self.tip_px,
            visible=self.visible,
            by=parse_learner(self.by) if self.by else "",
            at="" if self.at is None else self.at.isoformat().replace("+00:00", "Z"),
        )


class CorrectionsFile(StrictEntry):
    """The file `NAME.corrections.json` beside a clip."""

    version: Literal[1] = Field(alias="schema")
    clip_sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")] | None = None
    corrections: Annotated[list[CorrectionEntry], Field(max_length=MOST_CORRECTIONS, default_factory=list)]

    def to_corrections(self) -> tuple[Correction, ...]:
        """Corrections for scoring, in the order in which they were made."""
        return tuple(entry.to_correction() for entry in self.corrections)

    @classmethod
    def of(cls, corrections: Sequence[Correction], clip_sha256: str = "") -> CorrectionsFile:
        """The file that holds these corrections of the recording with that SHA-256."""
        entries = [as_json(one) for one in corrections]
        return cls.model_validate(
            {"schema": SCHEMA, "clip_sha256": clip_sha256 or None, "corrections": entries}
        )


def as_json(one: Correction) -> dict[str, object]:
    """A correction as values that JSON can hold, without what does not apply."""
    entry: dict[str, object] = {"kind": one.kind, "frame": one.frame}
    if one.tip_px is not None:
        entry |= {"tip_px": one.tip_px, "visible": one.visible}
    return entry | {key: value for key, value in (("by", one.by), ("at", one.at)) if value}


def corrections_path(clip: Path) -> Path:
    """Where a clip's corrections lie: `NAME.corrections.json`, as the marks do."""
    marks = marks_path(clip)
    return marks.with_name(marks.name.removesuffix(".marks.json") + ".corrections.json")


def fault_in(corrections: Sequence[Correction], n_frames: int, size_px: tuple[int, int]) -> str:
    """What in them can't be of a clip of so many frames of that size, in words; "" when all of it can."""
    for one in corrections:
        if one.frame >= n_frames:
            return (
                f"a correction is about frame {one.frame}, the clip has {n_frames} frames counted from 0; "
                "take it out."
            )
        if one.tip_px is not None and not _is_near(one.tip_px, size_px):
            x, y = one.tip_px
            return (
                f"a correction puts the tip of frame {one.frame} at {x:g},{y:g} px, far outside the frame of "
                f"{size_px[0]} x {size_px[1]} px; take it out."
            )
    return ""


def _is_near(point_px: Point, size_px: tuple[int, int]) -> bool:
    """Tell whether a tip can be there: on the frame, or inferred a little beyond its edge."""
    return all(
        -OUTSIDE_SHARE * size <= value <= (1 + OUTSIDE_SHARE) * size
        for value, size in zip(point_px, size_px, strict=True)
    )


def read_corrections(path: Path, clip_sha256: str = "") -> tuple[Correction, ...]:
    """Read a corrections file; none where there is no file.

    Parameters
    ----------
    clip_sha256 : of the recording that they are to be of; "" asks nothing. A file that does not tell is taken

    Raises
    ------
    MarksError
        When the file can't be read, holds something else, or is of another recording: one line with the file,
        the key and what to do.
    """
    path = Path(path)
    if not os.path.lexists(path):
        return ()
    try:
        file = CorrectionsFile.model_validate_json(path.read_bytes())
        found = file.to_corrections()
    except OSError as problem:
        raise MarksError(f"{path}: can't be read ({problem.strerror or problem}).") from problem
    except ValidationError as problem:
        raise MarksError(f"{path}: {first_fault(problem)}") from problem
    except MarksError as problem:
        raise MarksError(f"{path}: {problem}") from problem
    if clip_sha256 and file.clip_sha256 not in (None, clip_sha256):
        raise MarksError(
            f"{path}: holds corrections of another recording of this name (the clip's SHA-256 is another); "
            "move this file away, or put that recording back."
        )
    return found


def write_corrections(path: Path, corrections: Sequence[Correction], clip_sha256: str = "") -> None:
    """Write a corrections file; the old one stays until the new one is whole.

    `clip_sha256` says of which recording they are.

    Raises
    ------
    OutputError
        When the file can't be written.
    """
    write_json(Path(path), CorrectionsFile.of(corrections, clip_sha256))
