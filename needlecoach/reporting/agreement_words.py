"""How agreement is said: values with their units, one paragraph a quantity, what each statistic means."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from types import MappingProxyType

from needlecoach.cohort.agreement import THEIR_MEAN, AgreementReport, Comparison, QuantityReport
from needlecoach.cohort.averages import Averages
from needlecoach.cohort.coefficient import Coefficient
from needlecoach.cohort.icc import FORMS
from needlecoach.cohort.ratings import TOOL
from needlecoach.reporting.rounding import in_words

MEANINGS: Mapping[str, str] = MappingProxyType(
    {
        "same answer": "share of the attempts rated by both that got the same answer; some of it is chance "
        "(interval by Wilson)",
        "kappa": "agreement beyond chance (Cohen): 0 is what chance gives, 1 complete; low in spite of many "
        "same answers when "
        "nearly all ratings are of one kind",
        "kappa, linear weights": "agreement beyond chance in ordered answers: two steps apart count twice "
        "as bad as one",
        "kappa, quadratic weights": "agreement beyond chance in ordered answers: two steps apart count four "
        "times as "
        "bad as one",
        "AC1": "agreement beyond chance (Gwet), which stays steady when nearly all ratings are of one kind",
        "Fleiss' kappa": "agreement beyond chance of three or more raters together",
        **FORMS,
        "mean absolute difference": "how far apart two raters are on average, whoever is higher",
        "mean difference": "first rater less second on average",
        "lower limit": "limit of agreement: about 2.5 % of differences are expected below (Bland and Altman)",
        "upper limit": "limit of agreement: about 2.5 % of differences are expected above",
        "slope on the mean": "how the difference changes per unit of the mean of both; 0 is steady, also "
        "read as 0 when the interval "
        "holds 0",
    }
)
INTERVALS: Mapping[str, str] = MappingProxyType(
    {
        "same answer": "Wilson",
        "kappa": "large-sample formula with t",
        "kappa, linear weights": "large-sample formula with t",
        "kappa, quadratic weights": "large-sample formula with t",
        "AC1": "Gwet's formula with t",
        "Fleiss' kappa": "Gwet's formula with t",
        **dict.fromkeys(FORMS, "F distribution"),
        "mean difference": "t distribution",
        "lower limit": "exact, noncentral t",
        "upper limit": "exact, noncentral t",
        "slope on the mean": "t distribution",
    }
)
JACKKNIFE = "recordings left out in turn (jackknife), with t"

NO_BANDS = (
    "No words such as good or fair stand beside the coefficients: the usual bands for kappa (Landis and "
    "Koch, "
    "Biometrics 1977;33:159) are arbitrary, as their authors say themselves, and an interval often spans "
    "several of them."
)
# The coefficient that the comparison goes by, first that there is.
_LEADING = ("ICC(2,1)", "kappa, quadratic weights", "kappa")
_UNITLESS = {
    *FORMS,
    "kappa",
    "kappa, linear weights",
    "kappa, quadratic weights",
    "AC1",
    "Fleiss' kappa",
    "slope on the mean",
}


def rater_words(rater: str) -> str:
    return {TOOL: "the tool", THEIR_MEAN: f"the {THEIR_MEAN}"}.get(rater, rater)


def raters_words(raters: tuple[str, ...]) -> str:
    """Raters in words: "the tool and S1"."""
    named = [rater_words(one) for one in raters]
    return named[0] if len(named) == 1 else f"{', '.join(named[:-1])} and {named[-1]}"


def number(statistic: str, value: float, unit: str) -> str:
    """A value without its unit, per cent for shares; two decimals for what has no unit, else one."""
    if not math.isfinite(value):
        return ""
    if statistic == "same answer":
        return in_words(value, "", decimals=0, factor=100).replace("-", "−")
    decimals = 2 if statistic in _UNITLESS or unit in {"", "bits"} else 1
    return in_words(value, "", decimals=decimals).replace("-", "−")


def unit_words(statistic: str, unit: str) -> str:
    if statistic == "same answer":
        return " %"
    return "" if statistic in _UNITLESS or not unit else {"deg": "°"}.get(unit, f" {unit}")


def valued(one: Coefficient, unit: str) -> str:
    """A value with its unit."""
    return f"{number(one.statistic, one.value, unit)}{unit_words(one.statistic, unit)}"


def interval(one: Coefficient, unit: str) -> str:
    """An interval such as "0.41 to 0.78", empty where there is none."""
    if not (math.isfinite(one.low) and math.isfinite(one.high)):
        return ""
    low, high = (number(one.statistic, bound, unit) for bound in (one.low, one.high))
    return f"{low} to {high}{unit_words(one.statistic, unit)}"


def said(one: Coefficient, unit: str) -> str:
    """A value with its interval, or the reason why there is no value."""
    if not math.isfinite(one.value):
        return f"not known ({one.reason})"
    return f"{valued(one, unit)} ({interval(one, unit) or 'no interval'})"


def leading(report: QuantityReport) -> Averages:
    """The chance-corrected coefficient that tool and supervisors are compared by."""
    by_name = {one.statistic: one for one in report.averages}
    return next(by_name[name] for name in _LEADING if name in by_name)


def sentences(report: QuantityReport) -> Iterator[str]:
    """What is found in one quantity, in whole sentences: plainly first, by a coefficient then."""
    plain, main = report.averages[0], leading(report)
    if not plain.tool_pairs and not plain.supervisor_pairs:
        yield "Too few attempts were rated by any two to compare them."
        return
    yield _plainly(report, plain)
    rest = _coefficient(main), _difference(report, plain, main)
    yield from (
        reversed(rest) if report.quantity.kind == "numbers" else rest
    )  # beside what the difference is of
    if (bias := bias_of(report)) is not None and bias.numbers is not None and not bias.numbers.reason:
        yield _bias(report, bias)


def _plainly(report: QuantityReport, plain: Averages) -> str:
    how = "differ by" if report.quantity.kind == "numbers" else "gave the same answer in"
    sides = (
        ("the tool and a supervisor", plain.tool, plain.tool_pairs),
        ("two supervisors", plain.supervisors, plain.supervisor_pairs),
    )
    told = [
        f"{who} {how} {said(one, report.quantity.unit)} on average ({one.n} comparisons)"
        for who, one, pairs in sides
        if pairs
    ]
    return f"{told[0][0].upper()}{'; '.join(told)[1:]}."


def _coefficient(main: Averages) -> str:
    """The coefficient of each side; nothing where it can't be had."""
    told = [
        f"{said(one, '')} for {who}"
        for who, one, pairs in (
            ("the tool with supervisors", main.tool, main.tool_pairs),
            ("supervisors with each other", main.supervisors, main.supervisor_pairs),
        )
        if pairs
    ]
    name = {"ICC(2,1)": "ICC(2,1), absolute agreement of single raters"}.get(main.statistic, main.statistic)
    name = name[0].upper() + name[1:]
    if not told:
        return f"{name} can’t be told: the ratings compared do not differ."
    return f"{name} (1 is complete agreement): {', '.join(told)}."


def _difference(report: QuantityReport, plain: Averages, main: Averages) -> str:
    """What the difference of both sides tells, as far as its interval bears; of numbers that in their own
    unit."""
    if not plain.tool_pairs:
        return "The tool has no value of this: supervisors are compared with each other only."
    if not plain.supervisor_pairs:
        return (
            "How well supervisors agree with each other is not known here, so there is nothing to hold the "
            "tool’s agreement against."
        )
    numeric = report.quantity.kind == "numbers"
    one = plain.difference if numeric else main.difference
    if not math.isfinite(one.value):
        return ""
    unit = report.quantity.unit
    value = f"{_signed(one, one.value, unit)}{unit_words(one.statistic, unit)}"
    if not interval(one, unit):
        return f"The difference of the two is {value}, without an interval: nothing can be concluded from it."
    low, high = (_signed(one, bound, unit) for bound in (one.low, one.high))
    return _compared(f"{value} ({low} to {high})", one, numeric)


def _compared(span: str, one: Coefficient, numeric: bool) -> str:
    if numeric:
        who, more, less, than = (
            "the tool and a supervisor lie",
            "further apart",
            "closer together",
            "two supervisors",
        )
    else:
        who, more, less = "the tool agrees with a supervisor", "more", "less"
        than = "two supervisors agree with each other"
    if one.low <= 0 <= one.high:
        return (
            f"The difference of the two is {span}: these ratings do not tell whether {who} {more} or {less} "
            f"than {than}."
        )
    return f"{who[0].upper()}{who[1:]} {more if one.low > 0 else less} than {than}: the difference is {span}."


def _signed(one: Coefficient, value: float, unit: str) -> str:
    text = number(one.statistic, value, unit)
    return text if text.startswith("−") or float(text) == 0 else f"+{text}"


def bias_of(report: QuantityReport) -> Comparison | None:
    """The tool beside all supervisors in numbers: their mean, or the only one."""
    if report.against_mean is not None:
        return report.against_mean
    return next((one for one in report.pairs if one.with_tool and one.numbers is not None), None)


def _bias(report: QuantityReport, one: Comparison) -> str:
    unit, found = report.quantity.unit, one.numbers
    assert found is not None
    other = rater_words(one.raters[1])
    by = {part.statistic: part for part in one.coefficients}
    mean, lower, upper = (by[name] for name in ("mean difference", "lower limit", "upper limit"))
    return (
        f"The tool less {other}: {said(mean, unit)} on average over {mean.n} attempts; 95 % of such "
        "differences "
        f"are expected between {said(lower, unit)} and {said(upper, unit)}."
    )


def counted(report: AgreementReport) -> str:
    """How much was rated, by whom."""
    codes = report.supervisors
    who = (
        f"{len(codes)} supervisors ({', '.join(codes)})" if len(codes) > 1 else f"one supervisor ({codes[0]})"
    )
    tool = ", beside the tool’s own values." if report.with_tool else "; no values of the tool."
    attempts = "1 attempt" if report.attempts == 1 else f"{report.attempts} attempts"
    recordings = "1 recording" if report.recordings == 1 else f"{report.recordings} recordings"
    return f"{attempts} of {recordings} rated by {who}{tool}"


def in_short(report: AgreementReport) -> Iterator[str]:
    """Lines for the terminal: how much was rated, a paragraph a quantity, notes."""
    yield counted(report)
    for one in report.quantities:
        yield f"{one.quantity.title}: {' '.join(filter(None, sentences(one)))}"
    yield from (f"Note: {note}" for note in report.notes)
