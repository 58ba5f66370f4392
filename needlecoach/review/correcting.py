"""Corrections of the open result: saved at once, worked in within seconds, then written to its folder."""

from __future__ import annotations

import hashlib
import json
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from needlecoach.clips import sha256_of
from needlecoach.corrections import (
    SCHEMA,
    CorrectionsFile,
    as_json,
    corrections_path,
    fault_in,
    read_corrections,
    write_corrections,
)
from needlecoach.errors import MarksError, OutputError
from needlecoach.marks import first_fault
from needlecoach.model import Correction, Scorecard
from needlecoach.review.bench import SCORED_ANEW, Bench
from needlecoach.review.jobs import Jobs, Report
from needlecoach.review.refusal import RefusalError
from needlecoach.review.results import Results

# How long an end waits for corrections that are being worked in and written.
WAIT_S = 60.0
FINISHING = (
    "Working the last corrections in and writing them to {folder}; Ctrl-C again leaves that for the next "
    "review."
)
BEHIND = "{folder} is behind: {why}. The corrections are saved; the next review of it works them in."


class Correcting:
    """The corrections file beside the clip, and the workbench that takes it in.

    The workbench is opened, which reads the clip through, when the page first asks for the corrections, and
    anew when the clip was scored again.
    """

    def __init__(self, clip: Path, results: Results, jobs: Jobs) -> None:
        self._clip, self._results, self._jobs = clip, results, jobs
        self._path = corrections_path(clip)
        self._lock = threading.Lock()
        self._bench = Bench(clip, results)
        self._sha256 = ""
        self._opening = self._working = self._writing = ""

    def record(self) -> dict[str, Any]:
        """Corrections as the file has them, its version, what is wrong with them, and how far the work is."""
        corrections = self._read()
        foreign = self._foreign()
        if not foreign:
            self._start()
        job = self._jobs.record(self._opening) or {}
        return {
            "corrections": [as_json(one) for one in corrections],
            "version": _version(self._path),
            "problem": self._fault(corrections),
            "ready": self._bench.ready,
            "share": 1.0 if self._bench.ready else job.get("share", 0.0),
            "error": foreign or job.get("error", ""),
            "job": self._jobs.running("result") or self._jobs.running("open"),
            "folder": self.folder(),
        }

    def folder(self) -> dict[str, str]:
        """Whether the results folder holds what is shown: written, writing, or behind and why."""
        if self._jobs.running("write") or (self._results.is_held() and self._jobs.running("result")):
            return {"state": "writing", "why": ""}
        if not self._results.is_held():
            return {"state": "written", "why": ""}
        job = self._jobs.record(self._writing) or {}
        return {"state": "behind", "why": job.get("error", "")}

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
            found = self._read()
            if _version(self._path) != version:
                raise RefusalError(
                    409,
                    f"Not saved: {self._path.name} was changed meanwhile by another page or program; look at "
                    "what is there now, then correct again.",
                    corrections=[as_json(one) for one in found],
                    version=_version(self._path),
                )
            if fault := self._foreign() or self._fault(given):
                raise RefusalError(422, f"Not saved: {fault}")
            self._write_file(given)
            return {"job": self._work_in(given), "version": _version(self._path)}

    def forget(self) -> None:
        """The clip was scored anew: what the workbench holds is of yesterday."""
        self._opening = self._working = ""
        self._bench.close()

    def finish(self, say: Callable[[str], None], wait_s: float = WAIT_S) -> None:
        """Wait until the last corrections are in the folder, so long at most; say when they are not."""
        until = time.monotonic() + wait_s
        try:
            if self._busy():
                say(FINISHING.format(folder=self._results.folder.name))
            while (kind := self._busy()) and time.monotonic() < until:
                self._jobs.finish(kind, wait_s=until - time.monotonic())
        finally:
            if why := self._left_undone():
                say(BEHIND.format(folder=self._results.folder.name, why=why.rstrip(".")))

    def close(self) -> None:
        """Let go of the workbench."""
        self.forget()

    def _busy(self) -> str:
        """Kind of work under way at the end of which the folder holds the last corrections."""
        working = self._jobs.record(self._working)
        if working is not None and working["state"] == "running":
            return "result"
        return "write" if self._jobs.running("write") else ""

    def _left_undone(self) -> str:
        """Why the folder does not hold the last corrections."""
        if self._busy():
            return "that was not waited for"
        folder = self.folder()
        working = self._jobs.record(self._working) or {}
        if folder["state"] == "behind":
            return folder["why"] or "it could not be written"
        return str(working.get("error", ""))

    def _read(self) -> tuple[Correction, ...]:
        try:
            return read_corrections(self._path, self._own_sha256())
        except MarksError as problem:
            raise RefusalError(422, str(problem), version=_version(self._path)) from problem

    def _write_file(self, given: Sequence[Correction]) -> None:
        try:
            write_corrections(self._path, given, self._own_sha256())
        except OutputError as problem:
            raise RefusalError(
                507, f"Not saved: {problem} What was saved before is still there; make room, then again."
            ) from problem

    def _own_sha256(self) -> str:
        self._sha256 = self._sha256 or sha256_of(self._clip)
        return self._sha256

    def _foreign(self) -> str:
        """Words when the folder holds the result of another recording of this name."""
        if self._results.clip_sha256() in ("", self._own_sha256()):
            return ""
        return (
            f"{self._results.folder.name} holds the result of another recording of this name, or the clip "
            "was changed since; score this clip first."
        )

    def _fault(self, corrections: Sequence[Correction]) -> str:
        limits = self._results.limits()
        return "" if limits is None else fault_in(corrections, *limits)

    def _start(self) -> None:
        """Begin to read the clip through, once; then bring the result up to the file of corrections."""
        with self._lock:
            if not self._opening and self._results.are_there():
                self._opening = self._jobs.start("open", "Reading the clip for corrections", self._open)

    def _open(self, report: Report) -> None:
        self._bench.open(report)
        found = self._read()
        running = self._jobs.running("result") is not None
        if not running and _plain(map(as_json, found)) != _plain(self._results.corrections()):
            self._work_in(found)

    def _work_in(self, corrections: Sequence[Correction]) -> str:
        self._working = self._jobs.start(
            "result", "Working the corrections in", lambda report: self._corrected(corrections, report)
        )
        return self._working

    def _corrected(self, corrections: Sequence[Correction], report: Report) -> dict[str, Any]:
        card, note = self._bench.score(corrections, report)
        basis, replay = self._bench.basis, self._bench.wish.replay
        report(1, 1)
        number = self._results.hold(card)
        self._writing = self._jobs.start(
            "write", "Writing the results", lambda told: self._write(card, number, basis, replay, told)
        )
        return {"version": _version(self._path), "note": note}

    def _write(
        self, card: Scorecard, number: int, basis: str, replay: bool, report: Report
    ) -> dict[str, Any]:
        """Write the folder, unless another program has put a result of other marks there meanwhile."""
        from needlecoach.reporting.results import write_results

        def told(done: int, total: int) -> None:
            report(done, total)
            if done >= total and self._results.changed_since(basis):
                raise _OvertakenError

        folder = self._results.folder
        try:
            told(0, 0)
            write_results(card, folder.parent, replay=replay, progress=told, name=folder.name)
        except _OvertakenError:
            self._work_in(self._read())
            return {"folder": folder.name, "note": SCORED_ANEW}
        self._results.written(number)
        return {"folder": folder.name, "note": ""}


class _OvertakenError(Exception):
    """Another program has scored the clip anew."""


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
