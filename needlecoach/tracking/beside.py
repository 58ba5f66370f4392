"""Another process, so that following the needle and reading the clip share no interpreter."""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from typing import Any

import cv2

from needlecoach.model import Clip

# What the process is given at a time, a window, is long enough to hold an attempt and the looks of its places
# before and after.
WINDOW_S = 24.0
MOST_FRAMES = 900


def another_process(politeness: int = 0) -> ProcessPoolExecutor:
    """Give a process that starts with the first work it is given; use as a context manager.

    `politeness` is how far it stands back behind other processes, from 0 to 19 as Unix counts it.

    Python runs the program's main module again in it: keep what that does behind `if __name__ ==
    "__main__"`.
    """
    # Threads that decode may be running already: a forked process could inherit their locks.
    spawned = multiprocessing.get_context("spawn")
    return _Beside(max_workers=1, mp_context=spawned, initializer=settle_in, initargs=(politeness,))


def get_ready(beside: Executor, clip: Clip) -> None:
    """Have the process started, and what it needs loaded, where a clip is so long that it will be asked."""
    duration_s = clip.n_frames / clip.nominal_fps if clip.nominal_fps else 0.0
    if duration_s > WINDOW_S or clip.n_frames > MOST_FRAMES:
        beside.submit(_load)


class _Beside(ProcessPoolExecutor):
    """Starts its process sheltered, which happens with the first work it is given."""

    def submit(self, *work: Any, **more: Any) -> Future[Any]:
        with sheltered():
            return super().submit(*work, **more)


@contextlib.contextmanager
def sheltered() -> Iterator[None]:
    """Keep Ctrl-C from a process until it can deal with it, and a user's files from being its modules."""
    before = os.environ.get("PYTHONSAFEPATH")
    os.environ["PYTHONSAFEPATH"] = "1"
    mask = getattr(signal, "pthread_sigmask", None)
    if mask is not None:
        # Python's own helper of spawned processes lets Ctrl-C through again when it starts, so it starts now.
        from multiprocessing import resource_tracker

        resource_tracker.ensure_running()
        mask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        if mask is not None:
            mask(signal.SIG_UNBLOCK, {signal.SIGINT})
        if before is None:
            del os.environ["PYTHONSAFEPATH"]
        else:
            os.environ["PYTHONSAFEPATH"] = before


def _load() -> None:
    importlib.import_module("needlecoach.tracking.track")


def settle_in(politeness: int = 0) -> None:
    """Leave at Ctrl-C without a word, and with the parent; leave the other cores to the reading."""
    if hasattr(os, "setpriority") and politeness:
        os.setpriority(os.PRIO_PROCESS, 0, politeness)
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_leave_with_parent, daemon=True).start()
    cv2.setNumThreads(1)


def _leave_with_parent() -> None:
    """End when the parent does, however it does: a process that was killed cannot say so."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
