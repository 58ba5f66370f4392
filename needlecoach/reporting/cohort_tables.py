"""The tables of a cohort: cohort.csv with a row per attempt, learners.csv with a row per learner."""

from __future__ import annotations

from typing import Any

import pandas as pd

from needlecoach.cohort.table import WHOLE
from needlecoach.cohort.values import Calibration, CohortReport, Estimate, LearnerReport, Share
from needlecoach.reporting.cells import plain_text

# Columns of learners.csv in their order.
LEARNER_COLUMNS = (
    "learner",
    "attempts",
    "scorable",
    "first_date",
    "last_date",
    "quiet_days",
    "hits",
    "hit_share",
    "hit_low",
    "hit_high",
    "last_attempts",
    "last_hits",
    "last_low",
    "last_high",
    "interval",
    "cusum",
    "cusum_state",
    "cusum_signals",
    "lc_cusum",
    "lc_limit",
    "competent_at",
    "false_competence",
    "risk_adjusted",
    "risk_limit",
    "risk_signals",
    "risk_false_alarm",
    "ability",
    "ability_sd",
    "throughput_bits_s",
    "throughput_bits_s_sd",
    "need",
    "need_met",
    "need_of",
    "need_low",
    "need_high",
    "need_certainty",
    "need_words",
)
_DIGITS = 4


def attempts_of_cohort(table: pd.DataFrame) -> pd.DataFrame:
    """The table of attempts as it goes into cohort.csv: yes/no as 1 and 0, no cell that runs as a formula."""
    shown = table.copy()
    shown["at"] = [None if pd.isna(one) else one.isoformat() for one in table["at"]]
    shown["order"] = shown["order"].where(shown["learner"] != "", None)
    for name, kind in table.dtypes.items():
        if pd.api.types.is_bool_dtype(kind):
            shown[name] = shown[name].astype(int)
        elif not pd.api.types.is_numeric_dtype(kind) and name != "at":
            shown[name] = shown[name].map({text: plain_text(str(text)) for text in set(shown[name])})
    for name in ("success", "target_width_mm", "target_depth_mm"):
        shown[name] = shown[name].round(3)
    return shown.astype(dict.fromkeys(filter(lambda name: _is_whole(table[name]), WHOLE), "Int64"))


def learners_table(report: CohortReport) -> pd.DataFrame:
    """One row per learner, in the order of the report.

    Returns
    -------
    pd.DataFrame
        `LEARNER_COLUMNS`; unknown values are None (blank in the file).
    """
    rows = [_row(one, report.calibration) for one in report.learners]
    return pd.DataFrame(rows, columns=list(LEARNER_COLUMNS), dtype=object)


def _row(one: LearnerReport, calibration: Calibration) -> dict[str, Any]:
    return {
        "learner": plain_text(one.code),
        "attempts": one.attempts,
        "first_date": one.first_date or None,
        "last_date": one.last_date or None,
        "quiet_days": one.quiet_days,
        **_hits(one),
        **_cusums(one, calibration),
        **_estimates("ability", one.ability),
        **_estimates("throughput_bits_s", one.throughput_bits_s),
        **_need(one),
    }


def _hits(one: LearnerReport) -> dict[str, Any]:
    hits, last = one.hits, one.last_hits
    return {
        "scorable": hits.trials,
        "hits": hits.successes,
        "hit_share": round(hits.successes / hits.trials, _DIGITS) if hits.trials else None,
        **_ends("hit", hits),
        "last_attempts": last.trials,
        "last_hits": last.successes,
        **_ends("last", last),
        "interval": hits.method,
    }


def _ends(name: str, share: Share) -> dict[str, float | None]:
    """Both ends of an interval; nothing is known of a share without trials."""
    low, high = (share.low, share.high) if share.trials else (None, None)
    return {f"{name}_low": _round(low), f"{name}_high": _round(high)}


def _cusums(one: LearnerReport, calibration: Calibration) -> dict[str, Any]:
    cusum, risk = one.cusum, one.risk_adjusted
    told = {
        "cusum": _last(cusum.value),
        "cusum_state": cusum.signals[-1].side if cusum.signals else "undecided",
        "cusum_signals": "; ".join(f"{signal.side} at {signal.trial}" for signal in cusum.signals) or None,
        "lc_cusum": _last(one.lc_cusum.value),
        "lc_limit": _round(calibration.limit),
        "competent_at": one.lc_cusum.competent_at,
        "false_competence": _round(calibration.false_competence),
    }
    if risk is not None:
        told |= {
            "risk_adjusted": _last(risk.value),
            "risk_limit": _round(risk.limit),
            "risk_signals": " ".join(map(str, risk.signals)) or None,
            "risk_false_alarm": _round(risk.false_alarm),
        }
    return told


def _estimates(name: str, one: Estimate | None) -> dict[str, float | None]:
    return {} if one is None else {name: _round(one.value), f"{name}_sd": _round(one.sd)}


def _need(one: LearnerReport) -> dict[str, Any]:
    need = one.need
    if need is None:
        return {}
    return {
        "need": need.column,
        "need_met": need.share_met.successes,
        "need_of": need.share_met.trials,
        **_ends("need", need.share_met),
        "need_certainty": _round(need.certainty),
        "need_words": plain_text(need.words),
    }


def _last(values: Any) -> float | None:
    return _round(float(values[-1])) if len(values) else None


def _round(value: float | None) -> float | None:
    return None if value is None or value != value else round(float(value), _DIGITS)


def _is_whole(column: pd.Series) -> bool:
    """Whether all known counts are whole; a table that was changed by hand may hold others."""
    return bool((column.dropna() % 1 == 0).all())
