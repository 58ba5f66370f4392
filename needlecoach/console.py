"""What the commands share on the terminal: errors in one line, the bar of progress, a stop by Ctrl-C."""

from __future__ import annotations

import contextlib
import math
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

import typer

from needlecoach.errors import NeedlecoachError

Progress = Callable[[float, int], None]


class MakeBar(Protocol):
    """Makes a bar of progress with a title; `per_minute` tells the rate of what takes long."""

    def __call__(self, title: str, *, unit: str = "frames", per_minute: bool = False) -> Progress: ...


_REDRAW_S = 0.1


class StoppedError(Exception):
    """Ctrl-C while a command was at work."""


@contextlib.contextmanager
def progress_bar(*, quiet: bool) -> Iterator[MakeBar]:
    """Give a maker of progress callbacks; they draw a bar with rate and time left on stderr if a terminal."""
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
    )
    with Bars(*columns, console=console, transient=True, disable=quiet or not console.is_terminal) as bar:

        def start(title: str, *, unit: str = "frames", per_minute: bool = False) -> Progress:
            task = bar.add_task(escape(title), total=None, rate="", visible=False)
            drawn_s = -math.inf

            def update(done: float, total: int) -> None:
                nonlocal drawn_s
                finished = total > 0 and done >= total
                if time.monotonic() - drawn_s < _REDRAW_S and not finished:  # a rate takes long to work out
                    return
                drawn_s = time.monotonic()
                speed = bar.tasks[bar.task_ids.index(task)].speed
                rate = _rate(speed, unit, per_minute=per_minute)
                bar.update(task, completed=done, total=total or None, rate=rate, visible=not finished)

            return update

        yield start


def _rate(speed: float | None, unit: str, *, per_minute: bool) -> str:
    if not speed:
        return ""
    return f"{60 * speed:.1f} {unit}/min" if per_minute else f"{speed:.0f} {unit}/s"


def say_error(text: str) -> None:
    typer.echo(text, err=True)


def complain(problem: NeedlecoachError, *, about: Path | None = None) -> None:
    """Print an error as one line, with the clip's name where it does not say it itself."""
    say_error(f"Error: {worded(problem, about=about)}")


def worded(problem: NeedlecoachError, *, about: Path | None = None) -> str:
    """An error in one line, with the clip's name where it does not say it itself."""
    text = _one_line(problem)
    if about is not None and _one_line(about.stem) not in text:
        text = f"{_one_line(about.name)}: {text}"
    return text


def _one_line(value: object) -> str:
    return " ".join(str(value).split())


@contextlib.contextmanager
def stoppable() -> Iterator[None]:
    """Turn Ctrl-C into an error of ours; typer would end the program by itself, without a word.

    A closed terminal and a polite request to end are taken as Ctrl-C, so that they clean up too.
    """
    try:
        with _ended_as_by_ctrl_c():
            yield
    except KeyboardInterrupt:
        raise StoppedError from None


@contextlib.contextmanager
def _ended_as_by_ctrl_c() -> Iterator[None]:
    asked = False
    before: dict[signal.Signals, Any] = {}

    def end(*_: object) -> None:
        nonlocal asked
        asked = True
        for number in before:  # a terminal that closes says so twice; what is being cleaned up goes on
            signal.signal(number, signal.SIG_IGN)
        raise KeyboardInterrupt

    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:  # nohup is heeded
                before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, former in () if asked else before.items():  # asked to end: it is about to
            signal.signal(number, former)
