"""A cohort to draw with. All of it is invented: smooths, limits and rates are plausible, not calculated."""

import numpy as np
import pandas as pd

from needlecoach.cohort.values import (
    Calibration,
    CohortReport,
    Curve,
    Cusum,
    Difficulty,
    Estimate,
    LcCusum,
    LearnerReport,
    Measure,
    Need,
    Rates,
    RiskAdjusted,
    Share,
    Signal,
    Smooth,
    TargetReport,
)

MEASURES = (
    Measure("success", "Success", "", share=True, lower_is_better=False),
    Measure("closest_centre_mm", "Distance from the middle", "mm"),
    Measure("blind_advance_mm", "Blind advance", "mm"),
    Measure("time_to_target_s", "Time to target", "s"),
    Measure("passes", "Passes", ""),
)
RATES = Rates()
# Made up, but near the real ones for these rates.
UP, DOWN, LIMIT = 2.24, -2.24, 1.8
NAMES = ("A1", "A2", "B1", "B2", "C1", "C2")


def share(successes, trials):
    """A share with an invented interval."""
    rate, half = successes / max(trials, 1), 1 / np.sqrt(max(trials, 1))
    return Share(successes, trials, max(rate - half, 0.0), min(rate + half, 1.0), "Wilson")


def smooth(order, value):
    """A straight fall or rise with a band, for six points or more."""
    known = np.isfinite(value)
    if known.sum() < 6:
        return None
    order, value = order[known], value[known]
    at = np.linspace(order[0], order[-1], 40)
    middle = np.polyval(np.polyfit(order, value, 2), at)
    half = value.std() * (0.3 + 0.4 * np.abs(np.linspace(-1, 1, 40)))
    most = 1.0 if set(value.tolist()) <= {0.0, 1.0} else np.inf
    return Smooth(at, *(np.clip(one, 0, most) for one in (middle, middle - half, middle + half)))


def _curves(draw, order, success):
    n = len(order)
    gain = np.exp(-order / 15)
    values = (
        success,
        1.5 + 6 * gain + draw.gamma(1.5, 1.2, n),
        np.maximum(12 * gain + draw.normal(0, 4, n), 0),
        20 + 80 * gain * draw.lognormal(0, 0.4, n),
        1.0 + draw.poisson(0.4 + 3 * gain),
    )
    curves = []
    for measure, value in zip(MEASURES, values, strict=True):
        value = np.array(value, dtype=float)
        if measure.name == "time_to_target_s":
            value[success == 0] = np.nan
        curves.append(Curve(measure.name, order, value, smooth(order, value)))
    return tuple(curves)


def _cusums(success):
    steps = np.where(success == 1, -0.293, 0.707)
    value = np.cumsum(steps)
    signals = []
    for now, before, trial in zip(value, np.append(0, value[:-1]), range(1, len(value) + 1), strict=True):
        if before > DOWN >= now:
            signals.append(Signal(trial, "acceptable"))
        if before < UP <= now:
            signals.append(Signal(trial, "unacceptable"))
    course, level = [], 0.0
    for one in success:
        level = max(level + (0.288 if one else -0.693), 0.0)
        course.append(level)
    reached = np.flatnonzero(np.array(course) >= LIMIT)
    learning = LcCusum(np.array(course), int(reached[0]) + 1 if len(reached) else None)
    risk, level = [], 0.0
    for one in success:
        level = max(level + (-0.182 if one else 0.511), 0.0)
        risk.append(level)
    over = np.flatnonzero((np.array(risk) >= 2.6) & (np.append(0, risk[:-1]) < 2.6))
    adjusted = RiskAdjusted(np.array(risk), 2.6, 0.1, tuple(int(one) + 1 for one in over))
    return Cusum(value, UP, DOWN, tuple(signals)), learning, adjusted


def _learner(draw, code, attempts, number):
    order = np.arange(1.0, attempts + 1)
    skill = draw.normal(0, 0.6)
    chance = 1 / (1 + np.exp(-(skill - 0.8 + order / 9)))
    success = (draw.random(attempts) < chance).astype(float)
    hits, last = int(success.sum()), success[-10:]
    cusum, learning, adjusted = _cusums(success)
    met = int(draw.integers(2, 8))
    need = Need(
        "blind_advance_mm",
        "blind_advance_mm <= 5",
        share(met, 10),
        0.5 + 0.05 * (10 - met),
        f"Blind advance stayed at 5 mm or less in {met} of the last 10 attempts.",
    )
    return LearnerReport(
        code=code,
        attempts=attempts,
        first_date="2026-09-07",
        last_date="2026-10-12" if number == 3 else "2026-10-30",
        hits=share(hits, attempts),
        last_hits=share(int(last.sum()), len(last)),
        curves=_curves(draw, order, success),
        cusum=cusum,
        lc_cusum=learning,
        risk_adjusted=adjusted,
        ability=Estimate(skill, 0.4),
        throughput_bits_s=Estimate(0.12, 0.02),
        need=None if number == 5 else need,
        quiet_days=19 if number == 3 else None,
    )


def _targets(names, draw):
    return tuple(
        TargetReport(
            name=name,
            kind="solid" if number % 2 else "fluid",
            attempts=50,
            learners=12,
            hits=share(40 - 4 * number, 50),
            width_mm=14.0 - 1.5 * number,
            depth_mm=15.0 + 4 * number,
            index_of_difficulty=float(np.log2((15.0 + 4 * number) / (14.0 - 1.5 * number) + 1)),
            difficulty=Estimate(-1.2 + 0.5 * number, 0.25 + 0.02 * number),
            teaches=0.5 + 0.1 * number,
        )
        for number, name in enumerate(names)
    )


def _table(learners):
    """Of the table only what the page reads of it."""
    rows = [(one.code, n) for one in learners for n in range(1, one.attempts + 1)]
    table = pd.DataFrame(rows, columns=["learner", "order"])
    table = table.assign(version="0.6.0", invented=True, attempt=1, date="2026-09-07")
    return table.assign(clip=[f"{code}-{n}.mp4" for code, n in rows])


def invented_cohort(learners=12, attempts=25, *, seed=7, codes=None, names=NAMES):
    """A report of so many learners; `attempts` each, more or less."""
    draw = np.random.default_rng(seed)
    codes = codes or [f"L{n:02d}" for n in range(1, learners + 1)]
    each = np.clip(attempts + draw.integers(-4, 5, len(codes)), 1, None)
    each[-1] = attempts * len(codes) - each[:-1].sum()
    people = tuple(
        _learner(draw, code, int(n), number)
        for number, (code, n) in enumerate(zip(codes, each, strict=True), 1)
    )
    targets = _targets(names, draw)
    difficulty = Difficulty(
        abilities={one.code: one.ability for one in people},
        targets={one.name: one.difficulty for one in targets},
        growth=Estimate(0.9, 0.2),
        expected_failure=np.full(sum(each), 0.35),
    )
    return CohortReport(
        table=_table(people),
        measures=MEASURES,
        learners=people,
        targets=targets,
        difficulty=difficulty,
        rates=RATES,
        crossing="go-on",
        calibration=Calibration(LIMIT, 50, 0.048, 0.83, 20_000),
        standard="Invented programme",
        notes=("Two results of the same recording were found; one is kept.",),
    )
