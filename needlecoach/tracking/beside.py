"""Another process, so that following the needle and reading the clip share no interpreter."""

from __future__ import annotations

import multiprocessing
import signal
from concurrent.futures import ProcessPoolExecutor

import cv2


def another_process() -> ProcessPoolExecutor:
    """Give a process that starts with the first work it is given; use as a context manager.

    Python runs the program's main module again in it: keep what that does behind `if __name__ ==
    "__main__"`.
    """
    # Threads that decode may be running already: a forked process could inherit their locks.
    spawned = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(max_workers=1, mp_context=spawned, initializer=_settle_in)


def _settle_in() -> None:
    """Leave at Ctrl-C without a word, and leave the other cores to the reading."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    cv2.setNumThreads(1)
