"""What is known of a cohort in words: beside every drawing stands a sentence that says the same."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from needlecoach.cohort.values import (
    Calibration,
    Crossing,
    Curve,
    Cusum,
    Estimate,
    LcCusum,
    Measure,
    Rates,
    RiskAdjusted,
    Share,
)
from needlecoach.reporting.rounding import in_words

NO_BREAK = "\u00a0"
UNKNOWN = "–"
_DECIMALS = {"mm": 1, "s": 0, "": 1, "bits": 1}
CROSSINGS: dict[Crossing, str] = {
    "stop": "The first line crossed decides: what comes after it is drawn, not judged.",
    "restart": "After a line is crossed the count starts again from zero with the next trial.",
    "go-on": "The count goes on after a crossing, and a line counts each time it is crossed anew; the errors "
    "stated hold for the first crossing only.",
}
# Words for a probability of at least so much: those of the IPCC's guidance note on uncertainty (Mastrandrea
# and others 2010; from memory), its finer steps left out.
_LIKELY = ((0.9, "very likely"), (0.66, "likely"), (0.33, "as likely as not"), (0.0, "unlikely"))
# How many crossings are listed one by one.
_MOST_LISTED = 6


def percent(share: float, *, decimals: int = 0) -> str:
    """A share as per cent."""
    return f"{in_words(share, '', decimals=decimals, factor=100)}{NO_BREAK}%"


def exact_percent(share: float) -> str:
    """A share that a person chose, with every digit of it."""
    return f"{100 * share:.4g}{NO_BREAK}%"


def certainty_words(probability: float) -> str:
    """A probability in words and figures, such as "likely (80 %)"."""
    words = next(words for least, words in _LIKELY if probability >= least)
    share = f"over 99{NO_BREAK}%" if 0.99 < probability < 1 else percent(probability)
    return f"{words} ({share})"


def better_words(measures: Sequence[Measure]) -> str:
    """Which way is better, for all measures in one or two sentences."""
    said = []
    for lower, word in ((True, "Lower"), (False, "Higher")):
        titles = [one.title.lower() for one in measures if one.lower_is_better is lower]
        if titles:
            said.append(f"{word} is better for {listed(titles)}.")
    return " ".join(said)


def listed(parts: Sequence[str]) -> str:
    """Parts as a list in words, such as "a, b and c"."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def share_words(share: Share) -> str:
    """Such as "15 of 25: 60 % (41 to 77 %)"."""
    if not share.trials:
        return "none that could be scored"
    ends = f"{percent(share.low).removesuffix('%').strip()} to {percent(share.high)}"
    return f"{share.successes} of {share.trials}: {percent(share.successes / share.trials)} ({ends})"


def estimate_words(estimate: Estimate | None, *, decimals: int = 1, unit: str = "") -> str:
    """A value with its standard uncertainty, a dash without one."""
    if estimate is None or not math.isfinite(estimate.value):
        return UNKNOWN
    value, sd = (in_words(one, "", decimals=decimals) for one in (estimate.value, estimate.sd))
    return f"{value} ± {sd}{NO_BREAK}{unit}".rstrip().replace("-", "−")


def number_words(value: float, measure: Measure) -> str:
    """A value of a measure with its unit."""
    if measure.share:
        return percent(value)
    decimals = 0 if value == round(value) else _DECIMALS.get(measure.unit, 1)
    number = in_words(value, measure.unit, decimals=decimals).replace("-", "−")
    return f"{number}{NO_BREAK}{measure.unit}".strip()


def curve_words(curve: Curve | None, measure: Measure, beyond: Sequence[float]) -> list[str]:
    """What a learning curve shows, in clauses; `beyond` are the values that lie off the axis."""
    if curve is None or not np.isfinite(curve.value).any():
        return ["not known"]
    said = [_end_words(curve, measure)]
    if unknown := int(np.isnan(curve.value).sum()):
        said.append(f"{unknown} not known")
    if len(beyond):
        furthest = number_words(max(beyond, key=abs), measure)
        said.append(f"{len(beyond)} beyond the axis, furthest {furthest}")
    return said


def _end_words(curve: Curve, measure: Measure) -> str:
    smooth = curve.smooth
    if smooth is None or not len(smooth.at):
        return "points only: too few for a line"
    middle, low, high = (
        number_words(float(one[-1]), measure) for one in (smooth.middle, smooth.low, smooth.high)
    )
    unit = f"{NO_BREAK}{'%' if measure.share else measure.unit}"
    return f"now about {middle} ({low.removesuffix(unit)} to {high})"


def cusum_words(cusum: Cusum, rates: Rates) -> list[str]:
    """Which line was crossed when, and what that says."""
    said = []
    for side, line in (("unacceptable", "upper"), ("acceptable", "lower")):
        trials = [one.trial for one in cusum.signals if one.side == side]
        if trials:
            fits, other = rates.unacceptable, rates.acceptable
            if side == "acceptable":
                fits, other = other, fits
            said.append(
                f"Crosses the {line} line at {_trials(trials)}: fits a failure rate of "
                f"{exact_percent(fits)} rather than {exact_percent(other)}."
            )
    return said or ["Crosses neither line: not decided yet."]


def lc_words(lc_cusum: LcCusum, rates: Rates, calibration: Calibration) -> list[str]:
    """When competence was declared, and beside it how often that would be false."""
    length, trials = calibration.length, len(lc_cusum.value)
    if lc_cusum.competent_at is None:
        said = [
            f"Not declared competent within {count(trials, 'trial')}. Of simulated learners who fail "
            f"{exact_percent(rates.acceptable)} of the time "
            f"{percent(calibration.true_competence, decimals=1)} are, within {length} trials."
        ]
        return said
    said = [
        f"Declared competent at trial {lc_cusum.competent_at}. {false_competence_words(rates, calibration)}"
    ]
    if lc_cusum.competent_at > length:
        said.append(f"It came after those {length} trials: by then false declarations are more frequent.")
    return said


def false_competence_words(rates: Rates, calibration: Calibration) -> str:
    """The false-competence rate as it stands beside every signal."""
    return (
        f"Of simulated learners who fail {exact_percent(rates.unacceptable)} of the time "
        f"{percent(calibration.false_competence, decimals=1)} are declared so within "
        f"{calibration.length} trials."
    )


def risk_words(adjusted: RiskAdjusted | None, reason: str) -> list[str]:
    """Where results were worse than the targets explain; `reason` is why no difficulties are known."""
    if adjusted is None:
        return [f"Not shown. {reason}" if reason else "Not shown: the targets’ difficulty is not known."]
    alarm = (
        f"Of simulated learners with results as expected {percent(adjusted.false_alarm, decimals=1)} give "
        f"such a signal within {count(len(adjusted.value), 'trial')}."
    )
    if not adjusted.signals:
        return ["No signal: results no worse than the targets explain.", alarm]
    return [f"Signal at {_trials(adjusted.signals)}: worse than the targets explain.", alarm]


def _trials(trials: Sequence[int]) -> str:
    shown = [str(one) for one in trials[:_MOST_LISTED]]
    rest = [f"{len(trials) - len(shown)} more"] if len(trials) > len(shown) else []
    return f"trial{'s' if len(trials) > 1 else ''} {listed([*shown, *rest])}"


def count(number: int, thing: str) -> str:
    """A number of things, such as "1 attempt" or "3 attempts"."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
