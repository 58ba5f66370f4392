"""Another process, so that following the needle and reading the clip share no interpreter."""

from __future__ import annotations

import importlib
import os
from concurrent.futures import Executor

import cv2

from needlecoach import apart
from needlecoach.apart import Apart
from needlecoach.model import Clip

# What the process is given at a time, a window, is long enough to hold an attempt and the looks of its places
# before and after.
WINDOW_S = 24.0
MOST_FRAMES = 900


def another_process(politeness: int = 0) -> Apart:
    """Give a process that starts with the first work it is given; use as a context manager.

    `politeness` is how far it stands back behind other processes, from 0 to 19 as Unix counts it.
    """
    return Apart(settle_in, politeness)


def get_ready(beside: Executor, clip: Clip) -> None:
    """Have the process started, and what it needs loaded, where a clip is so long that it will be asked."""
    duration_s = clip.n_frames / clip.nominal_fps if clip.nominal_fps else 0.0
    if duration_s > WINDOW_S or clip.n_frames > MOST_FRAMES:
        beside.submit(_load)


def _load() -> None:
    importlib.import_module("needlecoach.tracking.track")


def settle_in(politeness: int = 0) -> None:
    """Settle as any other process of this program; leave the other cores to the reading."""
    if hasattr(os, "setpriority") and politeness:
        os.setpriority(os.PRIO_PROCESS, 0, politeness)
    apart.settle_in()
    cv2.setNumThreads(1)
