"""Many clips: jobs made of them, done here or elsewhere, written in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from needlecoach import scored
from needlecoach.batch.values import Before, Failed, Job, Outcome, Written
from needlecoach.errors import NeedlecoachError, UnscorableError
from needlecoach.marks import MarkOptions
from needlecoach.scored import Wish, scorable_marks

# Clips' worth of work done so far.
Report = Callable[[float], None]
# So many results may wait in memory, for each process, for a clip of the same learner before them.
_WAITING = 4


@dataclass(frozen=True)
class Order:
    """Clips to be scored into `out`, each into the folder of its name; options put over their marks."""

    clips: Sequence[Path]
    names: Sequence[str]
    out: Path
    options: MarkOptions
    wish: Wish
    again: bool = False


def score_many(
    order: Order, *, n_processes: int, dask: str | None = None, report: Report = lambda _: None
) -> Iterator[tuple[int, Outcome]]:
    """Score clips and write their results; a clip that gives none does not keep the others from theirs.

    Parameters
    ----------
    n_processes : clips at once; 1 scores them one after the other as `score_into` does
    dask : address of a Dask scheduler whose workers do it instead
    report : called with the clips' worth of work that is done

    Yields
    ------
    tuple of int and Outcome
        A clip's place and what came of it, each once, in the order in which they are settled.

    Raises
    ------
    NeedlecoachError
        When the cluster can't be reached or is lost.
    """
    done, most = 0, 0.0

    def told(under_way: float) -> None:
        nonlocal most
        most = max(most, done + under_way)  # what is under way is not told at each end of a clip
        report(most)

    outcomes = _outcomes(order, n_processes, dask, told)
    for place, outcome in outcomes:
        done += 1
        told(0.0)
        yield place, outcome


def _outcomes(
    order: Order, n_processes: int, dask: str | None, told: Report
) -> Iterator[tuple[int, Outcome]]:
    jobs: dict[int, Job] = {}
    for place in range(len(order.clips)):
        try:
            jobs[place] = _job(order, place)
        except NeedlecoachError as problem:
            yield place, failed(problem)
    if dask is None and n_processes == 1:
        yield from ((place, _one(job, told)) for place, job in jobs.items())
    elif jobs:
        yield from _side_by_side(jobs, len(order.clips), min(n_processes, len(jobs)), dask, told)


def _job(order: Order, place: int) -> Job:
    clip = order.clips[place]
    marks = scorable_marks(clip, order.options, no_target=order.wish.no_target)
    return Job(clip, order.names[place], order.out, marks, order.wish, order.again)


def failed(problem: NeedlecoachError) -> Failed:
    """What goes wrong with one clip, as its outcome."""
    return Failed(" ".join(str(problem).split()), unscorable=isinstance(problem, UnscorableError))


def _side_by_side(
    jobs: Mapping[int, Job], n: int, n_processes: int, dask: str | None, told: Report
) -> Iterator[tuple[int, Outcome]]:
    # Imported here: reading the command line needs none of it.
    from needlecoach.batch.processes import in_processes
    from needlecoach.batch.settle import Queue, settled

    queue = Queue([jobs.get(place) for place in range(n)])
    if dask is not None:
        from needlecoach.batch.cluster import on_cluster

        yield from settled(queue, on_cluster(jobs, dask))
        return

    def may_start() -> bool:
        return len(queue.waiting) < _WAITING * n_processes

    yield from settled(queue, in_processes(jobs, n_processes, may_start=may_start, report=told))


def _one(job: Job, told: Report) -> Outcome:
    """Score a clip as if it were the only one, unless its results are there."""
    from needlecoach.reporting.wording import lines_of

    try:
        if (before := _before(job)) is not None:
            return before
        part = 0.5 if job.wish.replay else 1.0
        card, folder = scored.score_into(
            job.clip,
            job.marks,
            job.out,
            job.name,
            job.wish,
            scoring=lambda done, n: told(part * done / n if n else 0.0),
            writing=lambda done, n: told(part + (1 - part) * done / n if n else part),
        )
    except NeedlecoachError as problem:
        return failed(problem)
    return Written(folder, tuple(lines_of(card)), card.unscorable)


def _before(job: Job) -> Before | None:
    if job.again or not (job.out / job.name / "run.json").is_file():
        return None
    from needlecoach.batch.before import scored_before

    return scored_before(job)
