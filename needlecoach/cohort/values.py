"""What is known of a cohort: the values that the steps of this room hand on, and that its page shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from needlecoach.errors import CohortError
from needlecoach.model import FloatArray

if TYPE_CHECKING:
    import pandas as pd

Crossing = Literal["stop", "restart", "go-on"]
Side = Literal["acceptable", "unacceptable"]


@dataclass(frozen=True)
class Rates:
    """Failure rates and errors that a CUSUM is drawn for, each above 0 and below 1.

    `alpha` is the risk of calling an acceptable rate unacceptable, `beta` that of the reverse.
    """

    acceptable: float = 0.2
    unacceptable: float = 0.4
    alpha: float = 0.1
    beta: float = 0.1

    def __post_init__(self) -> None:
        for name in ("acceptable", "unacceptable", "alpha", "beta"):
            if not 0 < getattr(self, name) < 1:
                raise CohortError(f"{name} must lie between 0 and 1, got {getattr(self, name):g}.")
        if self.acceptable >= self.unacceptable:
            raise CohortError(
                f"The acceptable failure rate ({self.acceptable:g}) must be below the unacceptable one "
                f"({self.unacceptable:g})."
            )
        if self.alpha + self.beta >= 1:
            raise CohortError(
                f"alpha and beta must add up to less than 1, got {self.alpha:g} and {self.beta:g}; "
                "0.1 each is usual."
            )


@dataclass(frozen=True)
class Share:
    """Successes of trials with a 95 % interval; `method` is "Wilson" or "Jeffreys"."""

    successes: int
    trials: int
    low: float
    high: float
    method: str


@dataclass(frozen=True, eq=False)
class Smooth:
    """A smooth through points with its 95 % band, all (m,)."""

    at: FloatArray
    middle: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, eq=False)
class Curve:
    """One measure of one learner over attempts.

    `order` (n,) counts the learner's attempts from 1, `value` (n,) has NaN where the figure is not known.
    `smooth` is None where there are too few points for one.
    """

    measure: str
    order: FloatArray
    value: FloatArray
    smooth: Smooth | None


@dataclass(frozen=True)
class Signal:
    """A line crossed: at which trial (from 1), and what that says."""

    trial: int
    side: Side


@dataclass(frozen=True, eq=False)
class Cusum:
    """A two-boundary CUSUM: `value` (n,) after each trial, upwards with failures.

    `up` is the line of the unacceptable rate, above 0; `down` that of the acceptable one, below 0.
    """

    value: FloatArray
    up: float
    down: float
    signals: tuple[Signal, ...]


@dataclass(frozen=True)
class Calibration:
    """The limit of an LC-CUSUM, from simulated learners: what it declares within `length` trials.

    `false_competence` is the share of learners at the unacceptable rate that it declares competent,
    `true_competence` that of learners at the acceptable rate; `runs` were simulated each.
    """

    limit: float
    length: int
    false_competence: float
    true_competence: float
    runs: int


@dataclass(frozen=True, eq=False)
class LcCusum:
    """A learning-curve CUSUM: `value` (n,) after each trial, upwards with successes; its first signal."""

    value: FloatArray
    competent_at: int | None


@dataclass(frozen=True, eq=False)
class RiskAdjusted:
    """A risk-adjusted CUSUM for worse results than the targets explain: `value` (n,), its limit, signals.

    `false_alarm` is the share of simulated learners with results as expected that signal within n trials.
    """

    value: FloatArray
    limit: float
    false_alarm: float
    signals: tuple[int, ...]


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty."""

    value: float
    sd: float


@dataclass(frozen=True)
class Need:
    """What a learner is furthest from, of a programme's criteria.

    `share_met` is the interval of the share of the last attempts that meet it, `certainty` (0-1) the
    probability that the learner, as the last attempts show them, does not meet it most of the time. `words`
    says it all in one sentence.
    """

    column: str
    criterion: str
    share_met: Share
    certainty: float
    words: str


@dataclass(frozen=True, eq=False)
class LearnerReport:
    """All that is shown of one learner; hits and CUSUMs are over the scorable attempts, in order."""

    code: str
    attempts: int
    first_date: str
    last_date: str
    hits: Share
    last_hits: Share
    curves: tuple[Curve, ...]
    cusum: Cusum
    lc_cusum: LcCusum
    risk_adjusted: RiskAdjusted | None
    ability: Estimate | None
    throughput_bits_s: Estimate | None
    need: Need | None
    quiet_days: int | None


@dataclass(frozen=True)
class TargetReport:
    """One target over all learners; `difficulty` in logits, above 0 is harder than the mean target.

    `teaches` is how much one more attempt at it tells and trains, as a share of the best (see
    `needs.py`); None where that can't be said.
    """

    name: str
    kind: str
    attempts: int
    learners: int
    hits: Share
    width_mm: float
    depth_mm: float
    index_of_difficulty: float
    difficulty: Estimate | None
    teaches: float | None


@dataclass(frozen=True, eq=False)
class Difficulty:
    """Learners and targets apart, in logits: chance of success = 1 / (1 + exp(-(ability - difficulty))).

    `growth` is what ten more attempts add to ability. `expected_failure` (n,) is the chance of failure of an
    average learner at each attempt's target, in the order of the table given. `reason` says why there is
    none of it, the others are then empty; `note` what was left out of it.
    """

    abilities: dict[str, Estimate]
    targets: dict[str, Estimate]
    growth: Estimate | None
    expected_failure: FloatArray
    reason: str = ""
    note: str = ""


@dataclass(frozen=True)
class Measure:
    """A column of attempts.csv that is drawn as learning curves; `share` for success, drawn as 0 and 1."""

    name: str
    title: str
    unit: str
    share: bool = False
    lower_is_better: bool = True


@dataclass(frozen=True, eq=False)
class CohortReport:
    """All that the cohort's page shows. `notes` are warnings and what was left out, in whole sentences."""

    table: pd.DataFrame
    measures: tuple[Measure, ...]
    learners: tuple[LearnerReport, ...]
    targets: tuple[TargetReport, ...]
    difficulty: Difficulty
    rates: Rates
    crossing: Crossing
    calibration: Calibration
    standard: str
    notes: tuple[str, ...]
