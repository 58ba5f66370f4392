"""Corrections of the open result: saved at once, worked in within seconds, then written to its folder."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from needlecoach.corrections import (
    SCHEMA,
    CorrectionsFile,
    as_json,
    corrections_path,
    read_corrections,
    write_corrections,
)
from needlecoach.errors import MarksError, NeedlecoachError, OutputError
from needlecoach.marks import first_fault
from needlecoach.model import Correction, Scorecard
from needlecoach.review.jobs import Jobs, Report
from needlecoach.review.refusal import RefusalError
from needlecoach.review.results import Results
from needlecoach.scored import Wish

if TYPE_CHECKING:
    from needlecoach.workbench import Workbench


class Correcting:
    """The corrections file beside the clip, and the workbench that takes it in.

    The workbench is opened, which reads the clip through, when the page first asks for the corrections, and
    anew when the clip was scored again.
    """

    def __init__(self, clip: Path, results: Results, jobs: Jobs) -> None:
        self._clip, self._results, self._jobs = clip, results, jobs
        self._path = corrections_path(clip)
        self._lock, self._bench_lock = threading.Lock(), threading.Lock()
        self._bench: Workbench | None = None
        self._wish = Wish()
        self._opening = ""

    def record(self) -> dict[str, Any]:
        """Corrections as the file has them, its version, and how far the workbench is."""
        corrections = self._read()
        self._start()
        job = self._jobs.record(self._opening) or {}
        return {
            "corrections": [as_json(one) for one in corrections],
            "version": _version(self._path),
            "ready": self._bench is not None,
            "share": 1.0 if self._bench is not None else job.get("share", 0.0),
            "error": job.get("error", ""),
        }

    def save(self, corrections: list[Any], version: str) -> dict[str, Any]:
        """Write the whole list, then have it worked in; return the job.

        Raises
        ------
        RefusalError
            409 when the file has changed since `version`, 422 when a correction is impossible, 507 when the
            file can't be written: it is then as it was.
        """
        given = _checked(corrections)
        self._results.page()  # without a result there is nothing to correct
        with self._lock:
            if _version(self._path) != version:
                raise RefusalError(
                    409,
                    f"Not saved: {self._path.name} was changed meanwhile by another page or program; look at "
                    "what is there now, then correct again.",
                    corrections=[as_json(one) for one in self._read()],
                    version=_version(self._path),
                )
            try:
                write_corrections(self._path, given)
            except OutputError as problem:
                raise RefusalError(
                    507, f"Not saved: {problem} What was saved before is still there; make room, then again."
                ) from problem
            return {"job": self._work_in(given), "version": _version(self._path)}

    def forget(self) -> None:
        """The clip was scored anew: what the workbench holds is of yesterday."""
        with self._bench_lock:
            bench, self._bench, self._opening = self._bench, None, ""
        if bench is not None:
            bench.close()

    def close(self) -> None:
        """Let go of the workbench."""
        self.forget()

    def _read(self) -> tuple[Correction, ...]:
        try:
            return read_corrections(self._path)
        except MarksError as problem:
            raise RefusalError(422, str(problem), version=_version(self._path)) from problem

    def _start(self) -> None:
        """Begin to read the clip through, once; then bring the result up to the file of corrections."""
        with self._lock:
            if not self._opening and self._results.are_there():
                self._opening = self._jobs.start("open", "Reading the clip for corrections", self._open)

    def _open(self, report: Report) -> None:
        # Imported here: all that follows needles would hold up the first frame.
        from needlecoach.workbench import Workbench

        with self._bench_lock:
            if self._bench is not None:
                return
            marks, self._wish = self._results.marks(self._clip), self._results.wish()
            bench = Workbench(
                self._clip,
                marks,
                no_target=self._wish.no_target,
                fps=self._wish.fps,
                pass_withdrawal_mm=self._wish.pass_withdrawal_mm,
            )
            try:
                bench.open(report)
                report(1, 1)
            except BaseException:
                bench.close()
                raise
            self._bench = bench
        found = self._read()
        running = self._jobs.running("result") is not None
        if not running and _plain(map(as_json, found)) != _plain(self._results.corrections()):
            self._work_in(found)

    def _work_in(self, corrections: Sequence[Correction]) -> str:
        return self._jobs.start(
            "result", "Working the corrections in", lambda report: self._corrected(corrections, report)
        )

    def _corrected(self, corrections: Sequence[Correction], report: Report) -> dict[str, Any]:
        self._open(report)
        with self._bench_lock:
            if self._bench is None:
                raise NeedlecoachError("The clip was scored again meanwhile; correct once more.")
            card = self._bench.score(corrections)
        report(1, 1)
        if self._wish.keep_screen:
            card = replace(card, options={**card.options, "keep_screen": True})
        number = self._results.hold(card)
        self._jobs.start("write", "Writing the results", lambda told: self._write(card, number, told))
        return {"version": _version(self._path)}

    def _write(self, card: Scorecard, number: int, report: Report) -> dict[str, Any]:
        from needlecoach.reporting.results import write_results

        folder, replay = self._results.folder, self._wish.replay
        write_results(card, folder.parent, replay=replay, progress=report, name=folder.name)
        self._results.written(number)
        return {"folder": folder.name}


def _checked(corrections: list[Any]) -> tuple[Correction, ...]:
    text = json.dumps({"schema": SCHEMA, "corrections": corrections})
    try:
        return CorrectionsFile.model_validate_json(text).to_corrections()
    except ValidationError as problem:
        raise RefusalError(422, f"Not saved: {first_fault(problem)}") from problem
    except MarksError as problem:
        raise RefusalError(422, f"Not saved: {problem}") from problem


def _plain(corrections: Iterable[Mapping[str, Any]]) -> list[tuple[Any, ...]]:
    """What makes corrections the same, from the file or from a result."""
    return [
        (one["kind"], one["frame"], _rounded(one.get("tip_px")), one["kind"] != "tip" or one["visible"])
        for one in corrections
    ]


def _rounded(tip_px: Sequence[float] | None) -> tuple[int, ...] | None:
    """A tenth of a px is more than anyone can point at."""
    return None if tip_px is None else tuple(round(10 * value) for value in tip_px)


def _version(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()[:20]
    except OSError:
        return "none"
