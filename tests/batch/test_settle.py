"""Results are settled in the order of clips, learner by learner, each once."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import pytest

from needlecoach.batch.settle import Queue, settled
from needlecoach.batch.values import Before, Job
from needlecoach.model import Marks
from needlecoach.scored import Wish

LEARNERS = ("L01", "L02", "L01", None, "L01")


def job(learner: str | None) -> Job:
    return Job(Path("x.mp4"), "x", Path("reports"), Marks(learner=learner), Wish())


@pytest.mark.parametrize("order", list(permutations(range(5))))
def test_one_learner_s_clips_stay_in_order(order: tuple[int, ...]) -> None:
    queue = Queue([job(learner) for learner in LEARNERS])
    came = [place for place, _ in settled(queue, ((place, Before()) for place in order))]
    assert sorted(came) == [0, 1, 2, 3, 4]
    assert [place for place in came if LEARNERS[place] == "L01"] == [0, 2, 4]


def test_those_without_a_code_and_of_others_do_not_wait() -> None:
    queue = Queue([job(learner) for learner in LEARNERS])
    assert [place for place, _ in settled(queue, iter([(3, Before()), (4, Before()), (1, Before())]))] == [
        3,
        1,
    ]
    assert list(queue.waiting) == [4]


def test_a_clip_that_could_not_become_a_job_holds_up_nobody() -> None:
    queue = Queue([None, job("L01")])
    assert [place for place, _ in settled(queue, iter([(1, Before())]))] == [1]


def test_what_comes_twice_counts_once() -> None:
    queue = Queue([job("L01"), job("L01")])
    came = settled(queue, iter([(0, Before()), (0, Before("again")), (1, Before()), (1, Before())]))
    assert list(came) == [(0, Before()), (1, Before())]
