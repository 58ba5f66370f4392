"""What `needlecoach score` prints of several clips: lines in the order of the clips, a summary at the end."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import typer

from needlecoach.batch.run import Order, score_many
from needlecoach.batch.values import Before, Failed, Outcome
from needlecoach.console import complain, progress_bar, say_error, worded
from needlecoach.errors import NeedlecoachError, OutputError


@dataclass
class Tally:
    """What came of the clips so far: folders with results, and why the others have none."""

    names: list[str] = field(default_factory=list)
    n_told: int = 0
    n_scored: int = 0
    n_before: int = 0
    reasons: list[str] = field(default_factory=list)
    defects: list[str] = field(default_factory=list)
    n_faulty: int = 0
    n_unscorable: int = 0

    @property
    def exit_code(self) -> int:
        return 1 if self.defects else 2 if self.n_faulty else 3 if self.n_unscorable else 0


def score_several(order: Order, *, n_processes: int, dask: str | None, quiet: bool) -> int:
    """Score clips, print what came of each and a summary, put attempts together; return the exit code."""
    tally = Tally()
    try:
        with progress_bar(quiet=quiet) as bar:
            shown, n = bar("clips", unit="clips", per_minute=True), len(order.clips)
            outcomes = score_many(
                order, n_processes=n_processes, dask=dask, report=lambda done: shown(done, n)
            )
            for place, outcome in _in_order(outcomes):
                _tell(order.clips[place], order.names[place], outcome, tally, quiet=quiet)
    except NeedlecoachError as problem:  # the cluster is lost; what is there is put together all the same
        tally.n_faulty += 1
        complain(problem)
    if tally.n_told:
        _put_together(order, tally, quiet=quiet)
    for defect in tally.defects:
        say_error(defect)
    return tally.exit_code


def _in_order(outcomes: Iterable[tuple[int, Outcome]]) -> Iterator[tuple[int, Outcome]]:
    """Give what comes in any order in the order of places, each as soon as all before it are there."""
    held: dict[int, Outcome] = {}
    place = 0
    try:
        for came, outcome in outcomes:
            held[came] = outcome
            while place in held:
                yield place, held.pop(place)
                place += 1
    except NeedlecoachError:
        yield from sorted(held.items(), key=lambda one: one[0])
        raise


def _tell(clip: Path, name: str, outcome: Outcome, tally: Tally, *, quiet: bool) -> None:
    tally.n_told += 1
    if isinstance(outcome, Failed):
        _tell_failed(clip, outcome, tally)
        return
    tally.names.append(name)
    if isinstance(outcome, Before):
        tally.n_before += 1
    else:
        tally.n_scored += not outcome.unscorable
        _say(f"{name}: {outcome.folder / 'summary.html'}", quiet=quiet)
        for line in outcome.lines:
            _say(f"  {line}", quiet=quiet)
        for note in outcome.notes:
            say_error(f"{name}: {note}")
    if outcome.unscorable:
        tally.n_unscorable += 1
        tally.reasons.append(f"{name}: {outcome.unscorable}")
        say_error(f"{name}: can't be scored: {outcome.unscorable}")


def _tell_failed(clip: Path, failed: Failed, tally: Tally) -> None:
    if failed.unscorable:
        tally.n_unscorable += 1
    else:
        tally.n_faulty += 1
    if failed.defect:
        tally.defects.append(failed.defect)
    problem = NeedlecoachError(failed.reason)
    tally.reasons.append(worded(problem, about=clip))
    complain(problem, about=clip)


def _put_together(order: Order, tally: Tally, *, quiet: bool) -> None:
    """Write the table of all attempts, and say how many clips came to what and why some did not."""
    from needlecoach.reporting.results import write_combined

    if tally.n_before:
        _say(_were_before(tally.n_before), quiet=quiet)
    _say(_summary(len(order.clips), tally), quiet=quiet)
    for reason in tally.reasons:
        _say(f"  {reason}", quiet=quiet)
    if not tally.names:
        return
    try:
        _say(f"All attempts: {write_combined(tally.names, order.out)}", quiet=quiet)
    except OutputError as problem:
        tally.n_faulty += 1
        complain(problem)


def _summary(n: int, tally: Tally) -> str:
    left = n - tally.n_told
    counts = {
        "scored": tally.n_scored,
        "scored before": tally.n_told - tally.n_scored - len(tally.reasons),
        "not reached": left,
        "without a score" + (":" if tally.reasons else ""): len(tally.reasons),
    }
    told = ", ".join(f"{count} {what}" for what, count in counts.items() if count)
    return f"{n} clip{'' if n == 1 else 's'}: {told}"


def _were_before(n: int) -> str:
    clips = "1 clip was" if n == 1 else f"{n} clips were"
    return f"{clips} scored before, with the same marks, options and version; --again scores them anew."


def _say(text: str, *, quiet: bool) -> None:
    if not quiet:
        typer.echo(text)
