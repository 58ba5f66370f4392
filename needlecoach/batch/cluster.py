"""Clips scored by the workers of a running Dask cluster; everything is written here, not there."""

from __future__ import annotations

import logging
import os
import queue
import secrets
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from needlecoach.batch.values import Failed, Job, Result, Results, Scored
from needlecoach.batch.work import work_there
from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.record import versions

PATIENCE_S = 8.0
ALONE_S, _LOOK_S = 60.0, 2.0
MISSING = "--dask needs Dask, which is not installed: pip install 'needlecoach[dask]' (or leave --dask out)."


def on_cluster(jobs: Mapping[int, Job], address: str) -> Results:
    """Have clips scored by a Dask cluster.

    A task writes nothing but hands its result back, so that one that is done twice, as Dask does when a
    worker is lost, leaves one result.

    Parameters
    ----------
    jobs : by their places
    address : of the scheduler, such as tcp://127.0.0.1:8786

    Yields
    ------
    tuple of int and Result
        In the order in which they end.

    Raises
    ------
    NeedlecoachError
        When Dask is not installed, the scheduler can't be reached or is lost, or no worker is left.
    """
    with _client(address) as client:
        ended: queue.Queue[tuple[int, Any]] = queue.Queue()
        run, here = secrets.token_hex(4), versions()
        futures = {}
        for place, job in jobs.items():
            there = replace(job, clip=_absolute(job.clip), out=_absolute(job.out), versions=here)
            # Never by content: two commands that score the same are two pieces of work.
            name = f"needlecoach-{run}-{place}"
            futures[place] = client.submit(work_there, there, key=name, pure=False, priority=-place)
            futures[place].add_done_callback(lambda future, place=place: ended.put((place, future)))
        while futures:
            place, future = _next(ended, client, address)
            if futures.pop(place, None) is not None:
                yield place, _result(future, jobs[place], address)
                future.release()


def _next(ended: queue.Queue[tuple[int, Any]], client: Any, address: str) -> tuple[int, Any]:
    """Wait for a task to end; NeedlecoachError when nobody is left to do it."""
    alone_s = 0.0
    while True:
        try:
            return ended.get(timeout=_LOOK_S)
        except queue.Empty:
            if client.status not in ("running", "connecting"):
                raise NeedlecoachError(_lost(address)) from None
        alone_s = 0.0 if _n_workers(client) else alone_s + _LOOK_S
        if alone_s >= ALONE_S:
            raise NeedlecoachError(
                f"The Dask cluster at {address} has had no worker for a minute; start some and give the "
                "command again: what was scored is kept."
            )


def _result(future: Any, job: Job, address: str) -> Result:
    """What a task gave, or how it failed; paths in words are those that the user gave."""
    if future.status == "cancelled":
        raise NeedlecoachError(_lost(address))
    try:
        result: Result = future.result()
    except Exception as problem:  # of Dask: work_there lets none through
        return Failed(_of_dask(problem))
    if isinstance(result, Failed):
        reason = result.reason.replace(str(_absolute(job.clip)), str(job.clip))
        return replace(result, reason=reason)
    if not isinstance(result, Scored):
        return result
    # Where the clip lies is told by its place seen from the results, so its path goes as the user gave it.
    clip = replace(result.card.clip, path=job.clip)
    return replace(result, card=replace(result.card, clip=clip))


def _of_dask(problem: Exception) -> str:
    kind = type(problem).__name__
    if kind == "KilledWorker":
        return (
            "the workers that had it died one after another, perhaps for want of memory; start them with "
            "more memory each, or score this clip by itself."
        )
    if isinstance(problem, ImportError) or "needlecoach" in str(problem):
        return f"the worker can't load needlecoach ({problem}); install the same version there."
    return f"Dask could not do it ({kind}: {' '.join(str(problem).split())[:200]}); give the command again."


def _lost(address: str) -> str:
    return (
        f"The Dask scheduler at {address} was lost; start it and give the command again: what was scored is "
        "kept."
    )


def _absolute(path: Path) -> Path:
    return Path(os.path.abspath(path))


def _n_workers(client: Any) -> int:
    return len(client.scheduler_info(n_workers=-1).get("workers", ()))


@contextmanager
def _client(address: str) -> Iterator[Any]:
    """Give a client of a scheduler that answers and has workers; its tasks end with it."""
    try:
        from distributed import Client
    except ImportError:
        raise NeedlecoachError(MISSING) from None

    # Dask tells of lost workers and connections in many lines; what matters of them is said once, by us.
    for name in [name for name in logging.root.manager.loggerDict if name.partition(".")[0] == "distributed"]:
        logging.getLogger(name).setLevel(logging.CRITICAL)  # each may have a level of its own
    _knock(address)
    client = _answer(lambda: Client(address, timeout=PATIENCE_S, set_as_default=False), address)  # type: ignore[no-untyped-call]
    try:
        if not _n_workers(client):
            raise NeedlecoachError(
                f"--dask {address}: the scheduler has no worker; start some: "
                f"dask worker {address} --nthreads 1"
            )
        yield client
    finally:
        client.close(timeout=2)


def _answer(connect: Callable[[], Any], address: str) -> Any:
    """Connect in a thread that need not be waited for: what listens may be no scheduler, and never answer."""
    answers: queue.Queue[Any] = queue.Queue()

    def ask() -> None:
        try:
            answers.put(connect())
        except Exception as problem:  # told below
            answers.put(problem)

    threading.Thread(target=ask, daemon=True).start()
    try:
        answer = answers.get(timeout=PATIENCE_S)
    except queue.Empty:
        answer = TimeoutError("what listens there says nothing")
    if isinstance(answer, Exception):
        raise _no_answer(address, answer) from None
    return answer


def _knock(address: str) -> None:
    """See whether anyone listens there, as Dask's own client would be tried for longer than is asked."""
    try:
        found = urlsplit(address)
        if not (found.scheme and found.hostname and found.port):
            raise ValueError("it is not of the form tcp://HOST:PORT")
        socket.create_connection((found.hostname, found.port), PATIENCE_S / 2).close()
    except (OSError, ValueError) as problem:
        raise _no_answer(address, problem) from None


def _no_answer(address: str, problem: Exception) -> NeedlecoachError:
    reason = " ".join(str(problem).split())[:120] or type(problem).__name__
    return NeedlecoachError(
        f"--dask {address}: no Dask scheduler answers there ({reason}); check the address, such as "
        "tcp://127.0.0.1:8786, and that it runs."
    )
