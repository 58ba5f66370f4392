"""Other processes of this program: Ctrl-C does not reach them as they start, and then ends them quietly."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.process import BaseProcess
from typing import Any


class Apart(ProcessPoolExecutor):
    """At most `n` processes that start with the first work they are given, each with `settle`.

    Python runs the program's main module again in them: keep what that does behind `if __name__ ==
    "__main__"`.
    """

    def __init__(self, n: int, settle: Callable[..., None] | None = None, *given: Any) -> None:
        # Threads may be running already: a forked process could inherit their locks.
        spawned = multiprocessing.get_context("spawn")
        super().__init__(n, mp_context=spawned, initializer=settle or settle_in, initargs=given)

    def submit(self, *work: Any, **more: Any) -> Future[Any]:
        """Hand work on, sheltered: a process may start with it.

        Raises
        ------
        BrokenProcessPool
            When a process was ended from outside, now or before.
        """
        with sheltered():
            given = super().submit(*work, **more)
        if self._broken:
            # Python 3.11 waits for ever for a process that started while another was found to be gone.
            for process in self.processes:
                process.terminate()
            raise BrokenProcessPool("another process of needlecoach was ended")
        return given

    @property
    def processes(self) -> list[BaseProcess]:
        """Those that run; none once the pool is shut down."""
        return list((self._processes or {}).values())


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


def settle_in() -> None:
    """Leave at Ctrl-C without a word, and with the parent."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End when the parent does, however it does: a process that was killed cannot say so."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
