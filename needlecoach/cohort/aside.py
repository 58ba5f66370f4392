"""Another process that does some of the work on a long table meanwhile."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future
from contextlib import contextmanager, nullcontext
from functools import partial
from typing import Any

from needlecoach.apart import Apart

# Is given a function and what it takes; what comes back waits for its result.
Aside = Callable[..., Callable[[], Any]]

# The work on fewer attempts is done before another process has started.
_WORTH_A_PROCESS = 5000


def here(work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
    """Do the work in this process, when its result is asked for."""
    return partial(work, *given)


@contextmanager
def aside(n_attempts: int, *modules: str, process: Apart | None = None) -> Iterator[Aside]:
    """Have work done one after the other by another process, if it is worth one and there is a core for it.

    It starts at once, if it is not `process`, which does this after what it was given before, and loads
    modules. Should it end early, what it left is done here. Work must be a function of a module.
    """
    if n_attempts < _WORTH_A_PROCESS or (os.cpu_count() or 1) < 2:
        yield here
        return
    with nullcontext(process) if process is not None else Apart() as used:
        elsewhere = partial(_handed_on, used)
        elsewhere(_load, modules)
        yield elsewhere


def _load(modules: Sequence[str]) -> None:
    for name in modules:
        importlib.import_module(name)


def _handed_on(process: Apart, work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
    try:
        return partial(_waited_for, process.submit(work, *given), partial(work, *given))
    except BrokenExecutor:
        return partial(work, *given)


def _waited_for(result: Future[Any], again: Callable[[], Any]) -> Any:
    try:
        return result.result()
    except BrokenExecutor:
        return again()
