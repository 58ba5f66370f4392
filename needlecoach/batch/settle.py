"""Results written: by one process alone, those of one learner in the order of their clips."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from needlecoach.batch.values import Failed, Job, Outcome, Result, Results, Scored, Written
from needlecoach.errors import NeedlecoachError
from needlecoach.reporting.results import write_results
from needlecoach.reporting.wording import lines_of
from needlecoach.scored import completed


@dataclass
class Queue:
    """Results that wait until the clips before them of the same learner are settled.

    A result holds the learner's earlier attempts, and when it was first scored: were it written as soon as it
    is there, both would hang on which process is the faster.
    """

    jobs: Sequence[Job | None]
    waiting: dict[int, Result] = field(default_factory=dict)
    settled: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._former = _former(self.jobs)

    def add(self, place: int, result: Result) -> None:
        """Take in what came of a job; what comes a second time counts once."""
        if place not in self.settled:
            self.waiting.setdefault(place, result)

    def ready(self) -> Iterator[tuple[int, Result]]:
        """Give what may be settled, in order; each counts as settled once the next is asked for."""
        for place in sorted(self.waiting):
            former = self._former.get(place)
            if former is None or former in self.settled:
                yield place, self.waiting.pop(place)
                self.settled.add(place)


def _former(jobs: Sequence[Job | None]) -> dict[int, int]:
    """Place of each job -> that of the last one before it of the same learner."""
    last: dict[str, int] = {}
    former: dict[int, int] = {}
    for place, job in enumerate(jobs):
        if job is not None and job.marks.learner is not None:
            if job.marks.learner in last:
                former[place] = last[job.marks.learner]
            last[job.marks.learner] = place
    return former


def settled(queue: Queue, results: Results) -> Iterator[tuple[int, Outcome]]:
    """Write what comes, as soon as its turn is there; give each place and what came of it."""
    for place, result in results:
        queue.add(place, result)
        for ready, one in queue.ready():
            job = queue.jobs[ready]
            assert job is not None
            yield ready, _settle(job, one)


def _settle(job: Job, result: Result) -> Outcome:
    if not isinstance(result, Scored):
        return result
    try:
        card = completed(result.card, job.wish, job.out)
        folder = write_results(card, job.out, replay=job.wish.replay, name=job.name, media=result.media)
    except NeedlecoachError as problem:
        return Failed(" ".join(str(problem).split()))
    return Written(folder, () if card.unscorable else tuple(lines_of(card)), card.unscorable, result.notes)
