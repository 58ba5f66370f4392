"""Clips scored by the workers of a running Dask cluster; everything is written here, not there."""

from __future__ import annotations

import logging
import os
import queue
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

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
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        client = Client(  # type: ignore[no-untyped-call]
            address, timeout=PATIENCE_S, set_as_default=False, name="needlecoach"
        )
    except (OSError, ValueError, TypeError) as problem:
        reason = " ".join(str(problem).split())[:120] or type(problem).__name__
        raise NeedlecoachError(
            f"--dask {address}: no Dask scheduler answers there within {PATIENCE_S:g} s ({reason}); check "
            "the address, such as tcp://127.0.0.1:8786, and that it runs."
        ) from None
    try:
        if not _n_workers(client):
            raise NeedlecoachError(
                f"--dask {address}: the scheduler has no worker; start some: "
                f"dask worker {address} --nthreads 1"
            )
        yield client
    finally:
        client.close(timeout=2)  # type: ignore[no-untyped-call]
