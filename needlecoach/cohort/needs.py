"""Who needs what next: the criterion that a learner is furthest from, and the target that teaches most."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import betainc

from needlecoach.cohort.difficulty import chance
from needlecoach.cohort.intervals import jeffreys
from needlecoach.cohort.values import Difficulty, Need, Share
from needlecoach.errors import CohortError
from needlecoach.model import Attempt, Figure
from needlecoach.scoring.columns import COLUMNS
from needlecoach.scoring.standard import SHARES, Criterion, Standard, held_against, kind_of

# A criterion counts as needed when it is more likely than not that the learner misses it most of the time.
LEAST_ATTEMPTS, LEAST_CERTAINTY, MOST_OF_THE_TIME = 3, 0.5, 0.5

_OPERATORS: Mapping[str, str] = MappingProxyType(
    {"<": "under", "<=": "at most", ">": "over", ">=": "at least", "is": "exactly"}
)
# What a sign means where it tells a side.
_BELOW_0: Mapping[str, str] = MappingProxyType(
    {
        "closest_edge_mm": "inside",
        "trail_end_edge_mm": "inside",
        "offset_along_mm": "short of the centre",
        "offset_across_mm": "shallower",
        "fired_tip_beyond_far_wall_mm": "short of it",
        "fired_tip_to_edge_mm": "beyond the picture",
    }
)


def need_of(attempts: pd.DataFrame, standard: Standard, last: int = 10) -> Need | None:
    """Tell which criterion of a programme's standard a learner is furthest from.

    Parameters
    ----------
    attempts : one learner's, in order, with the columns success and those of attempts.csv
    standard : the programme's criteria
    last : how many of the latest scorable attempts are looked at

    Returns
    -------
    Need or None
        The criterion that is with the highest certainty met in less than half of the attempts, of equals the
        one met least; None where no certainty is over 0.5, or no criterion could be told in 3 attempts.

    Notes
    -----
    Each attempt is held against a criterion as in its own result. Its uncertainty counts where the table has
    it (a column NAME_sd); without, a figure near to the limit is taken as it stands. Attempts that can't tell
    count neither way. Certainty is that of a beta posterior with Jeffreys' prior (Brown, Cai and DasGupta,
    Stat Sci 2001;16:101, from memory): attempts are taken as alike and independent, so a learner who has just
    got better is told the need of a little earlier.
    """
    scorable = attempts[np.isfinite(attempts["success"].to_numpy(dtype=float))].tail(last)
    results = [
        [check.result for check in held_against(standard, _attempt(row))]
        for row in scorable.to_dict(orient="records")
    ]
    shares = [
        jeffreys(told.count("met"), told.count("met") + told.count("not met"))
        for told in zip(*results, strict=True)
    ]
    return _furthest(standard, shares, len(results))


def _furthest(standard: Standard, shares: list[Share], looked_at: int) -> Need | None:
    """Pick the criterion with the highest certainty, then the larger shortfall."""
    needs = [
        Need(
            one.column, criterion_words(one), share, certainty_below(share), _sentence(one, share, looked_at)
        )
        for one, share in zip(standard.criteria, shares, strict=False)
        if share.trials >= LEAST_ATTEMPTS
    ]
    below = [need for need in needs if need.certainty > LEAST_CERTAINTY]
    if not below:
        return None
    return max(below, key=lambda need: (need.certainty, -need.share_met.successes / need.share_met.trials))


def certainty_below(share: Share, of: float = MOST_OF_THE_TIME) -> float:
    """Probability that a share is below another, after what was seen (beta posterior, Jeffreys' prior)."""
    return float(betainc(share.successes + 0.5, share.trials - share.successes + 0.5, of))


def _attempt(row: Mapping[str, Any]) -> Attempt:
    """An attempt as a criterion wants it, from its row of the table."""
    figures = {name: _figure(name, row) for name in COLUMNS if name in row}
    return Attempt(1, 0, 0, False, (), None, "hit", figures)


def _figure(name: str, row: Mapping[str, Any]) -> Figure:
    value, sd = row[name], row.get(f"{name}_sd")
    if pd.isna(value):
        return COLUMNS[name].figure(None)
    if kind_of(name) == "yes or no":
        value = bool(value)
    return COLUMNS[name].figure(value, None if sd is None or pd.isna(sd) else float(sd))


def criterion_words(criterion: Criterion) -> str:
    """A criterion in the programme's words, or else such as "Blind advance: under 3 mm"."""
    return criterion.words or f"{COLUMNS[criterion.column].title}: {_asked(criterion)}"


def _asked(criterion: Criterion) -> str:
    """What is asked of a column, in words."""
    name, limit = criterion.column, criterion.limit
    if isinstance(limit, bool):
        return "yes" if limit else "no"
    if isinstance(limit, str):
        return limit
    side = f" (below 0 is {_BELOW_0[name]})" if name in _BELOW_0 else ""
    return f"{_OPERATORS[criterion.operator]} {_amount(name, limit)}{side}"


def _amount(name: str, limit: float) -> str:
    if name in SHARES:
        return f"{100 * limit:g} %"
    unit = COLUMNS[name].unit
    return f"{limit:g}°" if unit == "deg" else f"{limit:g} {unit}".rstrip()


def _sentence(criterion: Criterion, share: Share, looked_at: int) -> str:
    """What to work on, and how far it is, in one sentence."""
    words = criterion.words or f"{COLUMNS[criterion.column].title}, {_asked(criterion)}"
    met = str(share.successes) if share.successes else "none"
    told = f"the last {share.trials} attempts"
    if share.trials < looked_at:
        told = f"{share.trials} attempts that can tell, among the last {looked_at},"
    return f"Next: {words}; {met} of {told} met it{'' if share.successes else ' yet'}."


def quiet_days(last_date: str, today: date, longest: int = 14) -> int | None:
    """Days since a learner's last attempt when these are more than `longest`, else None.

    Parameters
    ----------
    last_date : such as "2026-11-26", or "" when it is not known, which gives None

    Raises
    ------
    CohortError
        When the date can't be read.
    """
    if not last_date:
        return None
    try:
        days = (today - date.fromisoformat(last_date)).days
    except ValueError as problem:
        raise CohortError(f'Date "{last_date}" can\'t be read; write it as 2026-11-26.') from problem
    return days if days > longest else None


def teaching(table: pd.DataFrame, difficulty: Difficulty) -> dict[str, float]:
    """How much one more attempt at each target would tell, as a share of the best target.

    Parameters
    ----------
    table : attempts with a column learner; the learners in it are those who are taught (of one learner, what
        teaches that one)
    difficulty : abilities and targets, fitted to the whole cohort

    Returns
    -------
    dict
        Target name to 0-1, 1 for the best; empty without a fit, or when none of the learners is in it.

    Notes
    -----
    Mean over the learners of p (1 - p), p their chance of a hit as they are now: the information (Fisher's,
    for their ability) of one attempt, highest where hits and misses are equally likely, 0 where the result is
    known beforehand. That practice at such a target also trains most is plausible (Guadagnoli and Lee, J Mot
    Behav 2004;36:212, from memory) and not shown for needles. Evidence: ours, untested. What each target did
    to learners so far is left out: growth is one for all targets, since cohorts of this size can't tell one
    each.
    """
    codes = [code for code in pd.unique(table["learner"]) if code in difficulty.abilities]
    if not codes or not difficulty.targets:
        return {}
    ability = np.array([difficulty.abilities[code].value for code in codes])
    hard = np.array([one.value for one in difficulty.targets.values()])
    chances = chance(ability[:, None], hard)
    told = (chances * (1 - chances)).mean(axis=0)
    return dict(zip(difficulty.targets, (told / told.max()).tolist(), strict=True))
