"""Work that takes seconds, done beside the server, with its progress in words."""

from __future__ import annotations

import secrets
import sys
import threading
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from needlecoach.errors import NeedlecoachError

Report = Callable[[int, int], None]
Work = Callable[[Report], Any]
State = Literal["running", "done", "failed"]

# Finished jobs whose outcome can still be asked for.
_KEPT = 40
_DEFECT = "This is a fault of needlecoach, not yours ({}); the terminal shows more. Nothing saved was lost."


class StoppedJobError(NeedlecoachError):
    """A job that is no longer wanted."""


@dataclass
class Job:
    """One piece of work; `share` is how much of it is done, 0 to 1."""

    kind: str
    what: str
    key: str = field(default_factory=lambda: secrets.token_urlsafe(9))
    state: State = "running"
    share: float = 0.0
    result: Any = None
    error: str = ""
    stopped: threading.Event = field(default_factory=threading.Event)
    thread: threading.Thread = field(init=False)

    def report(self, done: int, total: int) -> None:
        """Take in progress; raises where the job is no longer wanted."""
        if self.stopped.is_set():
            raise StoppedJobError("A newer request has taken the place of this one.")
        self.share = min(done / total, 1.0) if total > 0 else self.share

    def record(self) -> dict[str, Any]:
        """State as values that JSON can hold."""
        return {
            "state": self.state,
            "share": round(self.share, 3),
            "what": self.what,
            "result": self.result,
            "error": self.error,
        }


class Jobs:
    """Runs work in threads, one at a time of each kind: a new one stops the one before."""

    def __init__(self) -> None:
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._closed = False

    def start(self, kind: str, what: str, work: Work) -> str:
        """Start a piece of work and return its key.

        Parameters
        ----------
        kind : of work; what runs of the same kind is stopped, and waited for before this begins
        what : what is done, in words
        work : called with a function that takes in progress (done, total); what it returns is the result
        """
        job = Job(kind, what)
        with self._lock:  # until its thread runs: whoever finds the job may wait for that thread
            before = [one for one in self._jobs.values() if one.kind == kind and one.state == "running"]
            for one in before:
                one.stopped.set()
            if self._closed:
                job.stopped.set()
            job.thread = threading.Thread(
                target=self._run, args=(job, work, before), name=f"needlecoach-{kind}", daemon=True
            )
            job.thread.start()
            self._forget()
            self._jobs[job.key] = job
        return job.key

    def record(self, key: str) -> dict[str, Any] | None:
        """What is known of a job, None of one that never was or is long done."""
        job = self._jobs.get(key)
        return None if job is None else job.record()

    def running(self, kind: str) -> str | None:
        """Key of the job of a kind that runs, if any."""
        with self._lock:
            alive = [one.key for one in self._jobs.values() if one.kind == kind and one.state == "running"]
        return alive[-1] if alive else None

    def stop(self, *kinds: str, wait_s: float = 60.0) -> None:
        """Stop what runs of some kinds and wait for its end, so long at most."""
        with self._lock:
            jobs = [one for one in self._jobs.values() if one.kind in kinds and one.state == "running"]
        for job in jobs:
            job.stopped.set()
        self._wait(jobs, wait_s)

    def finish(self, kind: str, wait_s: float = 60.0) -> None:
        """Wait for what runs of a kind, so long at most."""
        with self._lock:
            jobs = [one for one in self._jobs.values() if one.kind == kind]
        self._wait(jobs, wait_s)

    def close(self) -> None:
        """Stop everything; nothing can be started any more."""
        self._closed = True
        with self._lock:
            kinds = {one.kind for one in self._jobs.values()}
        self.stop(*kinds, wait_s=10.0)

    def _wait(self, jobs: Sequence[Job], wait_s: float) -> None:
        until = time.monotonic() + wait_s
        for job in jobs:
            if job.thread is not threading.current_thread():
                job.thread.join(max(until - time.monotonic(), 0))

    def _run(self, job: Job, work: Work, before: list[Job]) -> None:
        for one in before:
            one.thread.join()
        try:
            job.report(0, 1)
            job.result = work(job.report)
            job.share, job.state = 1.0, "done"
        except NeedlecoachError as problem:
            job.error, job.state = str(problem), "failed"
        except BaseException as problem:  # told on the page; a thread has no one else to tell
            traceback.print_exc(file=sys.stderr)
            job.error, job.state = _DEFECT.format(type(problem).__name__), "failed"

    def _forget(self) -> None:
        finished = [key for key, one in self._jobs.items() if one.state != "running"]
        for key in finished[: max(len(finished) - _KEPT, 0)]:
            del self._jobs[key]
