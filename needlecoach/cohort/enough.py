"""Which attempts tell learners from targets, and whether they are enough for it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from needlecoach.model import BoolArray

# A target tried by fewer learners, or less often, is left out. With fewer learners, targets, attempts, hits
# or misses than these, nothing is told. See DEVELOPERS.md for the simulations behind them.
LEAST_LEARNERS, LEAST_TARGETS, LEAST_ATTEMPTS = 3, 2, 40
LEAST_LEARNERS_AT_TARGET, LEAST_ATTEMPTS_AT_TARGET = 2, 10
LEAST_HITS = LEAST_MISSES = 5


def comparable(table: pd.DataFrame) -> tuple[BoolArray, str]:
    """Tell which attempts can be compared, and why there are too few.

    Parameters
    ----------
    table : one row per attempt, with the columns learner, target and success

    Returns
    -------
    used : (n,) whether an attempt is to be fitted; all False with a reason
    reason : one sentence, empty when there are enough
    """
    nothing = np.zeros(len(table), dtype=bool)
    named = _named(table)
    if not named.any():
        return nothing, (
            "Targets are not told from learners: no scorable attempt has both a learner's code and a named "
            "target."
        )
    used = named.copy()
    used[named] = _linked(table[named])
    reason = _too_few(table[used], table[named])
    return (nothing, reason) if reason else (used, "")


def left_out(table: pd.DataFrame, used: BoolArray) -> str:
    """Say which scorable attempts take no part, in one sentence; "" when all do."""
    scorable = np.isfinite(table["success"].to_numpy(dtype=float))
    unnamed, named = scorable & ~_named(table), _named(table) & ~used
    parts = []
    if unnamed.any():
        parts.append(f"{_counted(int(unnamed.sum()), 'attempt')} without a learner's code or a named target")
    if named.any():
        targets = _counted(table["target"][named].nunique(), "target")
        parts.append(
            f"{_counted(int(named.sum()), 'attempt')} at {targets} that too few tried, or that no learner "
            "links with the others"
        )
    return f"Left out of telling targets from learners: {', and '.join(parts)}." if parts else ""


def _named(table: pd.DataFrame) -> BoolArray:
    """Which attempts can be scored and tell learner and target."""
    told: BoolArray = ((table["learner"] != "") & (table["target"] != "")).to_numpy(dtype=bool)
    told = told & np.isfinite(table["success"].to_numpy(dtype=float))
    return told


def _linked(table: pd.DataFrame) -> BoolArray:
    """Which attempts are at targets that enough learners tried, in the largest part that hangs together."""
    by_target = table.groupby("target")["learner"].agg(["nunique", "size"])
    kept = (by_target["nunique"] >= LEAST_LEARNERS_AT_TARGET) & (
        by_target["size"] >= LEAST_ATTEMPTS_AT_TARGET
    )
    used: BoolArray = kept.loc[table["target"]].to_numpy(dtype=bool, copy=True)
    if used.any():
        used[used] = _largest_part(table[used])
    return used


def _largest_part(table: pd.DataFrame) -> BoolArray:
    """Which attempts are in the part of the graph of learners and targets that has the most attempts."""
    learners, codes = pd.factorize(table["learner"])
    targets, names = pd.factorize(table["target"])
    size = len(codes) + len(names)
    edges = coo_array((np.ones(len(table)), (learners, len(codes) + targets)), shape=(size, size))
    part = connected_components(edges, directed=False)[1][learners]
    return np.asarray(part == np.bincount(part).argmax(), dtype=bool)


def _too_few(used: pd.DataFrame, named: pd.DataFrame) -> str:
    """Say what there is too little of, "" when of nothing."""
    hits = int(used["success"].sum())
    counts = (
        (used["target"].nunique(), LEAST_TARGETS, "targets"),
        (used["learner"].nunique(), LEAST_LEARNERS, "learners"),
        (len(used), LEAST_ATTEMPTS, "attempts"),
        (hits, LEAST_HITS, "hits"),
        (len(used) - hits, LEAST_MISSES, "misses"),
    )
    for count, least, what in counts:
        if count < least:
            tried, shared = LEAST_ATTEMPTS_AT_TARGET, LEAST_LEARNERS_AT_TARGET
            return (
                f"Targets are not told from learners: that takes {least} or more {what}, at named targets "
                f"that were each tried {tried} times or more, by {shared} learners or more, and have "
                f"learners in common; here there {_are(count)}, from {_counted(len(named), 'attempt')} at "
                f"{_counted(named['target'].nunique(), 'named target')}."
            )
    return ""


def _are(count: int) -> str:
    return "is none" if count == 0 else "is 1" if count == 1 else f"are {count}"


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
