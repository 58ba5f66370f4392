"""What a recording tells otherwise than was shown live, where both uncertainties don't cover it."""

from __future__ import annotations

import math

from needlecoach.live.card import Card, CardLine
from needlecoach.live.figures import Verdict

OUTCOMES = {
    "hit": "a hit",
    "miss": "a miss",
    "borderline": "on the edge, within uncertainty",
    "unscorable": "not to be scored",
}
# Figures without a stated uncertainty may differ by so much before it is told: a time by a second, as live a
# needle is told up to that much late, a share by a tenth, a count by nothing (common practice, no source).
_SLACK = {"s": 1.0, "share": 0.1, "": 0.1, "count": 0.0}


def difference_words(live: Card, checked: Verdict) -> tuple[str, ...]:
    """Say in sentences where the recording's score differs from the live one by more than both uncertainties.

    Parameters
    ----------
    live : the card that was shown at once
    checked : what the recording gave

    Returns
    -------
    tuple of str
        The outcome first; empty where both agree. A figure that only one of them knows is told too.

    Notes
    -----
    Both scores share marking and scale, so two standard uncertainties put together as squares are more than
    what they differ by when both are right: more than that is told.
    """
    words = []
    if live.outcome != checked.outcome:
        was, now = OUTCOMES.get(live.outcome, live.outcome), OUTCOMES.get(checked.outcome, checked.outcome)
        words.append(f"The recording shows it was {now}; live it looked {_looked(was)}.")
    for line in checked.lines:
        before = live.line(line.name)
        if before is None:
            if live.lines and line.name != "time_to_target_s":
                words.append(f"{line.title}: {line.text} by the recording; not known live.")
        elif differs(before, line):
            words.append(f"{line.title}: {line.text} by the recording, {before.text} live.")
    return tuple(words)


def differs(one: CardLine, other: CardLine) -> bool:
    """Tell whether two values of one figure differ by more than both uncertainties."""
    first, second = one.value, other.value
    if isinstance(first, bool | str) or isinstance(second, bool | str) or first is None or second is None:
        return first != second
    gap = abs(first - second)
    sds = [sd for sd in (one.sd, other.sd) if sd is not None and math.isfinite(sd)]
    if len(sds) == 2:
        return gap > math.hypot(*sds)
    if isinstance(first, int) and isinstance(second, int):
        return gap > 0
    return gap > _SLACK.get(one.unit, 0.0) + (sds[0] if sds else 0.0)


def _looked(words: str) -> str:
    return f"like {words}" if words.startswith("a ") else words
