"""How the tool agrees with supervisors beside how they agree with each other: averages over pairs of raters.

Both are averages of the same statistic of two raters, so one can be held against the other. Their intervals,
and that of their difference, come from recordings drawn anew (bootstrap), all pairs at once: pairs share
raters and attempts, and attempts of one recording go together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from needlecoach.cohort.coefficient import CONFIDENCE, LEAST, Coefficient
from needlecoach.cohort.kappa import disagreement
from needlecoach.cohort.matching import Panel
from needlecoach.cohort.ratings import TOOL
from needlecoach.model import FloatArray

RESAMPLES = 2000
SEED = 20261126
# With fewer recordings to draw from the interval is too narrow to be told (common practice, no source).
LEAST_RECORDINGS = 10
# Resamples in which a statistic can't be had may be at most this share.
_MOST_UNKNOWN = 0.1
_CHUNK = 250

Pair = tuple[int, int]
# From sums over attempts, (..., sums), to a statistic of two raters, (...).
Statistic = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class Averages:
    """One statistic: mean over pairs of tool and supervisor, over pairs of supervisors, and their difference.

    `n` of each counts ratings compared, pair by pair. A side without pairs has a reason instead.
    """

    statistic: str
    tool: Coefficient
    supervisors: Coefficient
    difference: Coefficient
    tool_pairs: int
    supervisor_pairs: int


def averages(panel: Panel) -> tuple[Averages, ...]:
    """Return the averages of each statistic that fits the panel's kind of quantity."""
    sums, statistics = _sums(panel), statistics_of(panel)
    pairs = [pair for pair in sums if sums[pair][:, 0 if _numeric(panel) else slice(None)].sum() >= LEAST]
    with_tool = [panel.raters[pair[0]] == TOOL for pair in pairs]
    whole = {
        name: _each(sums, pairs, np.ones((1, _recordings(panel))), one)[0] for name, one in statistics.items()
    }
    drawn = _resampled(panel, sums, pairs, statistics)
    counted = [float(sums[pair][:, 0 if _numeric(panel) else slice(None)].sum()) for pair in pairs]
    return tuple(
        _averages(name, whole[name], drawn.get(name), np.array(with_tool, dtype=bool), np.array(counted))
        for name in statistics
    )


def _recordings(panel: Panel) -> int:
    return int(panel.recording.max(initial=-1)) + 1


def _numeric(panel: Panel) -> bool:
    return panel.quantity.kind == "numbers"


def statistics_of(panel: Panel) -> dict[str, Statistic]:
    """Statistics of two raters by name, as functions of the sums that `_sums` makes."""
    if _numeric(panel):
        return {"mean absolute difference": lambda s: _over(s[..., 6], s[..., 0]), "ICC(2,1)": _icc}
    q = len(panel.quantity.categories)
    found: dict[str, Statistic] = {"same answer": lambda s: _agreed(s, q, np.eye(q))}
    if panel.quantity.kind == "words":
        found["kappa"] = lambda s: _kappa(s, q, np.eye(q))
    else:
        squares = disagreement(q, "quadratic")
        found["kappa, quadratic weights"] = lambda s: _kappa(s, q, 1 - squares / squares.max())
    found["AC1"] = lambda s: _ac1(s, q)
    return found


def _sums(panel: Panel) -> dict[Pair, FloatArray]:
    """What each recording adds to each pair's statistics, (recordings, sums): cells of the cross table, or "
    "moments."""
    found = {}
    for first, second in combinations(range(len(panel.raters)), 2):
        rows = _moments(panel, first, second) if _numeric(panel) else _cells(panel, first, second)
        sums = np.zeros((_recordings(panel), rows.shape[1]))
        np.add.at(sums, panel.recording, rows)
        found[first, second] = sums
    return found


def _cells(panel: Panel, first: int, second: int) -> FloatArray:
    q = len(panel.quantity.categories)
    a, b = panel.said[:, first], panel.said[:, second]
    rows = np.zeros((len(a), q * q))
    both = np.flatnonzero((a >= 0) & (b >= 0))
    rows[both, a[both] * q + b[both]] = 1
    return rows


def _moments(panel: Panel, first: int, second: int) -> FloatArray:
    values = panel.values - np.nanmean(panel.values)
    a, b = values[:, first], values[:, second]
    both = np.isfinite(a) & np.isfinite(b)
    a, b = np.where(both, a, 0.0), np.where(both, b, 0.0)
    return np.stack([both.astype(float), a, b, a * a, b * b, a * b, np.abs(a - b)], axis=1)


def _each(sums: dict[Pair, FloatArray], pairs: list[Pair], weights: FloatArray, of: Statistic) -> FloatArray:
    """Statistic of each pair under each row of weights of the recordings, (weights, pairs)."""
    return (
        np.stack([of(weights @ sums[pair]) for pair in pairs], axis=-1)
        if pairs
        else np.empty((len(weights), 0))
    )


def _resampled(
    panel: Panel, sums: dict[Pair, FloatArray], pairs: list[Pair], statistics: dict[str, Statistic]
) -> dict[str, FloatArray]:
    """Each pair's statistics in each resample, (resamples, pairs); empty with too few recordings."""
    if _recordings(panel) < LEAST_RECORDINGS:
        return {}
    found: dict[str, list[FloatArray]] = {name: [] for name in statistics}
    for weights in _weights(_recordings(panel)):
        for name, one in statistics.items():
            found[name].append(_each(sums, pairs, weights, one))
    return {name: np.concatenate(parts) for name, parts in found.items()}


def _weights(recordings: int) -> Iterator[FloatArray]:
    random = np.random.default_rng(SEED)
    even = np.full(recordings, 1 / recordings)
    for _ in range(0, RESAMPLES, _CHUNK):
        yield random.multinomial(recordings, even, size=_CHUNK).astype(float)


def _averages(
    name: str, whole: FloatArray, drawn: FloatArray | None, with_tool: np.ndarray, counted: FloatArray
) -> Averages:
    known = np.isfinite(whole)
    sides = []
    for side in (with_tool & known, ~with_tool & known):
        value = float(whole[side].mean()) if side.any() else math.nan
        sides.append(
            (
                value,
                None if drawn is None or not side.any() else _mean(drawn[:, side]),
                int(counted[side].sum()),
            )
        )
    (tool, tool_drawn, tool_n), (others, others_drawn, others_n) = sides
    apart = None if tool_drawn is None or others_drawn is None else tool_drawn - others_drawn
    return Averages(
        name,
        _with_interval(name, tool, tool_drawn, tool_n, "tool and supervisor"),
        _with_interval(name, others, others_drawn, others_n, "two supervisors"),
        _with_interval(name, tool - others, apart, tool_n + others_n, "both kinds"),
        int((with_tool & known).sum()),
        int((~with_tool & known).sum()),
    )


def _mean(drawn: FloatArray) -> FloatArray:
    """Mean over the pairs that are known in a resample, NaN where none is."""
    known = np.isfinite(drawn)
    return _over(np.where(known, drawn, 0.0).sum(axis=1), known.sum(axis=1).astype(float))


def _with_interval(name: str, value: float, drawn: FloatArray | None, n: int, who: str) -> Coefficient:
    if not math.isfinite(value):
        return Coefficient(name, math.nan, math.nan, math.nan, n, f"no pair of {who} to compare it in")
    if drawn is None:
        why = f"no interval: it takes {LEAST_RECORDINGS} recordings or more"
    elif np.isnan(drawn).mean() > _MOST_UNKNOWN:
        why = "no interval: too often all ratings are the same when recordings are drawn anew"
    elif np.ptp(drawn[np.isfinite(drawn)]) < 1e-12:
        why = "no interval: drawing recordings anew gives none where all agree alike"
    else:
        tail = 100 * (1 - CONFIDENCE) / 2
        low, high = np.percentile(drawn[np.isfinite(drawn)], [tail, 100 - tail])
        return Coefficient(name, value, float(low), float(high), n)
    return Coefficient(name, value, math.nan, math.nan, n, why)


def _over(above: FloatArray, below: FloatArray) -> FloatArray:
    """Quotient, NaN where below is 0."""
    found: FloatArray = np.where(below == 0, np.nan, above / np.where(below == 0, 1.0, below))
    return found


def _table(sums: FloatArray, q: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shares (..., q, q) and both raters' own (..., q)."""
    shares = _over(sums, np.broadcast_to(sums.sum(axis=-1, keepdims=True), sums.shape)).reshape(
        *sums.shape[:-1], q, q
    )
    return shares, shares.sum(axis=-1), shares.sum(axis=-2)


def _agreed(sums: FloatArray, q: int, agreed: FloatArray) -> FloatArray:
    return (_table(sums, q)[0] * agreed).sum(axis=(-1, -2))


def _kappa(sums: FloatArray, q: int, agreed: FloatArray) -> FloatArray:
    shares, rows, columns = _table(sums, q)
    chance = ((rows @ agreed) * columns).sum(axis=-1)
    seen = (shares * agreed).sum(axis=(-1, -2))
    return np.where(chance > 1 - 1e-12, np.nan, _over(seen - chance, 1 - chance))


def _ac1(sums: FloatArray, q: int) -> FloatArray:
    shares, rows, columns = _table(sums, q)
    mean = (rows + columns) / 2
    chance = (mean * (1 - mean)).sum(axis=-1) / (q - 1)
    return _over((shares * np.eye(q)).sum(axis=(-1, -2)) - chance, 1 - chance)


def _icc(s: FloatArray) -> FloatArray:
    """ICC(2,1) of two raters from sums of 1, a, b, a², b², ab: as in `icc.py`, written out for k = 2."""
    n = s[..., 0]
    mean_a, mean_b = _over(s[..., 1], n), _over(s[..., 2], n)
    aa, bb = s[..., 3] - n * mean_a**2, s[..., 4] - n * mean_b**2
    ab = s[..., 5] - n * mean_a * mean_b
    freedom = np.where(n > 1, n - 1, np.nan)
    attempts = (aa + bb + 2 * ab) / 2 / freedom
    error = (aa + bb - 2 * ab) / 2 / freedom
    raters = n * (mean_a - mean_b) ** 2 / 2
    below = attempts + error + 2 * (raters - error) / np.where(n > 0, n, np.nan)
    return np.where(attempts + error + raters < 1e-18, np.nan, _over(attempts - error, below))
