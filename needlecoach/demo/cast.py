"""Who practises in the invented cohort, and on what: coded learners and targets in gel, all made up."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

WEEKS = 8


@dataclass(frozen=True)
class GelTarget:
    """A target in gel: a ball of `width_mm`, its middle `depth_mm` under the probe."""

    name: str
    kind: Literal["fluid", "solid"]
    width_mm: float
    depth_mm: float


TARGETS = (
    GelTarget("wide plum", "fluid", 12.0, 18.0),
    GelTarget("shallow grape", "fluid", 8.5, 13.0),
    GelTarget("deep grape", "fluid", 8.5, 29.0),
    GelTarget("firm olive", "solid", 7.0, 20.0),
    GelTarget("small pea", "solid", 5.0, 16.0),
    GelTarget("deep pea", "solid", 5.0, 30.0),
)


@dataclass(frozen=True)
class Hand:
    """How well a learner does at one moment.

    `spread_mm` is how far passes at a target 20 mm deep scatter (standard deviation), `slow_s` the usual time
    of a single pass, `blind` the chance that the tip is lost from sight on the way in.
    """

    spread_mm: float
    slow_s: float
    blind: float


@dataclass(frozen=True)
class Learner:
    """A coded learner: the hand at the first attempt, the one that practice leads to, and how soon.

    After `pace` attempts all but 1 / e of the way from `first` to `last` is made. They come for `weeks`.
    """

    code: str
    first: Hand
    last: Hand
    pace: float
    weeks: int = WEEKS

    def hand(self, attempts_before: int) -> Hand:
        """Return the hand after so many attempts."""
        left = float(np.exp(-attempts_before / self.pace))
        return Hand(
            *(
                getattr(self.last, name) + left * (getattr(self.first, name) - getattr(self.last, name))
                for name in ("spread_mm", "slow_s", "blind")
            )
        )


def learners(rng: np.random.Generator) -> tuple[Learner, ...]:
    """Draw twelve learners: eight of the usual kind, and four with a story to be found in their figures."""
    usual = [_usual(f"L{number:02d}", rng) for number in range(1, 13)]
    return tuple(STORIES.get(one.code, _as_drawn)(one) for one in usual)


def _usual(code: str, rng: np.random.Generator) -> Learner:
    first = Hand(rng.uniform(5.4, 7.0), rng.uniform(38, 62), rng.uniform(0.65, 0.9))
    last = Hand(rng.uniform(1.4, 1.9), rng.uniform(11, 19), rng.uniform(0.05, 0.2))
    return Learner(code, first, last, rng.uniform(8, 14))


def _as_drawn(one: Learner) -> Learner:
    return one


def _quick(one: Learner) -> Learner:
    return replace(one, last=replace(one.last, spread_mm=1.2), pace=3.5)


def _blind(one: Learner) -> Learner:
    """Aims well enough, and goes on pushing without seeing the tip."""
    return replace(one, first=replace(one.first, blind=0.95), last=replace(one.last, blind=0.85))


def _plateau(one: Learner) -> Learner:
    """Is better soon, and then no more."""
    return replace(one, last=Hand(5.0, 40.0, one.last.blind), pace=4.0)


def _leaves(one: Learner) -> Learner:
    return replace(one, weeks=4)


STORIES = {"L04": _quick, "L07": _blind, "L09": _plateau, "L11": _leaves}
