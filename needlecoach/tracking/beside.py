"""Another process, so that following the needle and reading the clip share no interpreter."""

from __future__ import annotations

import importlib
import multiprocessing
import signal
from concurrent.futures import Executor, ProcessPoolExecutor

import cv2

from needlecoach.model import Clip
from needlecoach.tracking.windows import MOST_FRAMES, WINDOW_S


def another_process() -> ProcessPoolExecutor:
    """Give a process that starts with the first work it is given; use as a context manager.

    Python runs the program's main module again in it: keep what that does behind `if __name__ ==
    "__main__"`.
    """
    # Threads that decode may be running already: a forked process could inherit their locks.
    spawned = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(max_workers=1, mp_context=spawned, initializer=_settle_in)


def get_ready(beside: Executor, clip: Clip) -> None:
    """Have the process started, and what it needs loaded, where a clip is so long that it will be asked."""
    duration_s = clip.n_frames / clip.nominal_fps if clip.nominal_fps else 0.0
    if duration_s > WINDOW_S or clip.n_frames > MOST_FRAMES:
        beside.submit(_load)


def _load() -> None:
    importlib.import_module("needlecoach.tracking.track")


def _settle_in() -> None:
    """Leave at Ctrl-C without a word, and leave the other cores to the reading."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    cv2.setNumThreads(1)
