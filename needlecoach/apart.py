"""Another process of this program: Ctrl-C does not reach it as it starts, and then ends it quietly."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import queue
import signal
import threading
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

# For an end that was ordered; no process needs so long.
_PATIENCE_S = 5.0
# A future, and what is to be done for it: a function, what it is given, and that by name.
_Order = tuple[Future[Any], tuple[Any, ...]]
# Held while a process starts: what shelters it is this whole process's.
_STARTING = threading.Lock()


class Apart(Executor):
    """A process that does one thing after the other; it starts with the first, with `settle`.

    As a context it ends the process, whatever that is at. Python runs the program's main module again in it:
    keep what that does behind `if __name__ == "__main__"`.
    """

    def __init__(self, settle: Callable[..., None] | None = None, *given: Any) -> None:
        self._settle, self._given = settle or settle_in, given
        self._orders: queue.SimpleQueue[_Order | None] = queue.SimpleQueue()
        self._guard = threading.Lock()
        self._thread: threading.Thread | None = None
        self._closed = self._ended = False
        self.process: BaseProcess | None = None

    def __exit__(self, *problem: object) -> None:
        self.end()

    def submit(self, work: Callable[..., Any], /, *given: Any, **more: Any) -> Future[Any]:
        """Hand work on; it and what comes of it are pickled.

        Raises
        ------
        BrokenProcessPool
            When the process was ended, here or from outside. Work that was handed on before has this for
            its exception.
        """
        with self._guard:
            if self._closed or (self.process is not None and not self.process.is_alive()):
                raise _broken()
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="needlecoach-apart", daemon=True)
                self._thread.start()
            future: Future[Any] = Future()
            self._orders.put((future, (work, given, more)))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take no more work; the process leaves when that is done which it has."""
        with self._guard:
            self._closed = True
            given_up = self._left() if cancel_futures else []
            self._orders.put(None)
        for future in given_up:
            future.cancel()
        if wait and self._thread is not None:
            self._thread.join()

    def end(self) -> None:
        """End the process at once, whatever it is at; safe to call twice."""
        with self._guard:
            self._closed = self._ended = True
            if self.process is not None:
                self.process.terminate()
            self._orders.put(None)
        if self._thread is not None:
            self._thread.join(_PATIENCE_S)

    def _run(self) -> None:
        """Start the process, where Ctrl-C interrupts nothing, and have one thing done after the other."""
        try:
            line = self._started()
        except OSError as problem:
            self._give_up(problem)
            return
        with line:
            while (order := self._orders.get()) is not None:
                try:
                    _have_done(line, *order)
                except (EOFError, OSError) as problem:
                    order[0].set_exception(_broken())
                    self._give_up(problem)
                    break
                del order  # and with it, perhaps, many pictures
        assert self.process is not None
        self.process.join()

    def _started(self) -> Connection:
        spawned = multiprocessing.get_context("spawn")  # a fork could inherit the locks of other threads
        line, there = spawned.Pipe()
        # A daemon: ended with this process, should nobody end it before.
        process = spawned.Process(target=_serve, args=(there, self._settle, self._given), daemon=True)
        with there, sheltered():
            process.start()
        with self._guard:
            self.process = process
            if self._ended:
                process.terminate()
        return line

    def _give_up(self, problem: Exception) -> None:
        with self._guard:
            self._closed = True
            given_up = self._left()
        for future in given_up:  # outside the guard: what is called then may hand on work again
            if future.set_running_or_notify_cancel():
                future.set_exception(_broken(problem))

    def _left(self) -> list[Future[Any]]:
        left = []
        with contextlib.suppress(queue.Empty):
            while True:
                if (order := self._orders.get_nowait()) is not None:
                    left.append(order[0])
        return left


def _broken(cause: Exception | None = None) -> BrokenProcessPool:
    broken = BrokenProcessPool("another process of needlecoach was ended")
    broken.__cause__ = cause
    return broken


def _have_done(line: Connection, future: Future[Any], work: tuple[Any, ...]) -> None:
    """Have one thing done; EOFError or OSError when the process is gone."""
    if not future.set_running_or_notify_cancel():
        return
    try:
        line.send(work)
        went_well, told = line.recv()
    except (EOFError, OSError):
        raise
    except Exception as problem:  # the work can't be pickled, or what came of it can't be read here
        future.set_exception(problem)
        return
    if went_well:
        future.set_result(told)
    else:
        future.set_exception(told)


def _serve(line: Connection, settle: Callable[..., None], given: tuple[Any, ...]) -> None:
    """In the process: do what comes along the line until it ends."""
    settle(*given)
    with contextlib.suppress(EOFError, OSError):
        while True:
            line.send_bytes(_done(line.recv_bytes()))


def _done(order: bytes) -> bytes:
    try:
        work, given, more = pickle.loads(order)
        return pickle.dumps((True, work(*given, **more)), pickle.HIGHEST_PROTOCOL)
    except Exception as problem:
        problem.add_note("".join(traceback.format_exception(problem)))
        try:
            return pickle.dumps((False, problem))
        except Exception:  # some can't be pickled
            return pickle.dumps((False, RuntimeError(repr(problem))))


@contextlib.contextmanager
def sheltered() -> Iterator[None]:
    """Keep Ctrl-C from a process until it can deal with it, and a user's files from being its modules."""
    mask = getattr(signal, "pthread_sigmask", None)
    with _STARTING:
        before = os.environ.get("PYTHONSAFEPATH")
        os.environ["PYTHONSAFEPATH"] = "1"
        if mask is not None:
            # Python's own helper of spawned processes lets Ctrl-C through when it starts, so it starts now.
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
