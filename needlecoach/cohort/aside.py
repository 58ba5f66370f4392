"""Another process that does some of the work on a long table meanwhile."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future
from contextlib import contextmanager
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
def aside(n_attempts: int, *modules: str) -> Iterator[Aside]:
    """Have work done one after the other by another process, if it is worth one and there is a core for it.

    It starts at once and loads modules. Should it end early, what it left is done here. Work must be a
    function of a module.
    """
    if n_attempts < _WORTH_A_PROCESS or (os.cpu_count() or 1) < 2:
        yield here
        return
    with Apart(1) as pool:
        pool.submit(_load, modules)
        yield partial(_handed_on, pool)


def _load(modules: Sequence[str]) -> None:
    for name in modules:
        importlib.import_module(name)


def _handed_on(pool: Apart, work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
    try:
        return partial(_waited_for, pool.submit(work, *given), partial(work, *given))
    except BrokenExecutor:
        return partial(work, *given)


def _waited_for(result: Future[Any], again: Callable[[], Any]) -> Any:
    try:
        return result.result()
    except BrokenExecutor:
        return again()
